//! Pressure steps as a test of the float: every pump start and stop moves the cushion by a known amount.

use crate::{release::BLIND_BELOW_PCT, settings::EvidenceSettings, site::SiteData};

/// Frames that are looked back over.
const LOOK_BACK: usize = 12;
/// Frames between the value before a step and the one that shows it.
const RISE: usize = 4;
/// Time after which a step that does not settle is given up, s.
const GIVE_UP_S: f32 = 90.0;
/// After calm the course of the float is followed from here, when the liquid has come to rest, to here, s.
const COURSE_S: core::ops::Range<f32> = 4.0..22.0;
/// Wait after calm before the float's early answer is read, s.
const EARLY_S: f32 = 3.0;

/// Outcome of one test.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct StepAnswer {
    /// Movement that physics asks for, % of stroke; negative downwards.
    pub expected_pct: f32,
    /// Movement seen, share of the expected one.
    pub answer: f32,
    /// Share of the movement seen that came late.
    pub late_share: f32,
    /// Air space before the step, strokes of the float.
    pub space_strokes: f32,
}

/// One frame, as the tracker needs it.
#[derive(Clone, Copy, Debug)]
pub struct StepInput {
    /// Float position, %.
    pub float_pct: f32,
    /// Chamber pressure, zero-corrected, kPa gauge.
    pub pressure_kpa: f32,
    /// Length of the frame, s.
    pub length_s: f32,
    /// No air passes.
    pub is_sealed: bool,
}

#[derive(Clone, Copy, Debug, Default)]
struct Mean {
    float_pct: f32,
    pressure_kpa: f32,
}

#[derive(Clone, Copy, Debug)]
struct Running {
    before: Mean,
    elapsed_s: f32,
    calm_s: f32,
    /// Float soon after calm and when that was, % and s after the step.
    early_pct: f32,
    early_s: f32,
    course: Course,
}

/// Straight line through the float's positions after the step: what arrives moves it steadily, and taken back to the
/// step the line shows what the step alone has done.
#[derive(Clone, Copy, Debug, Default)]
struct Course {
    count: f32,
    at_s: f32,
    at_s2: f32,
    pct: f32,
    pct_at_s: f32,
    kpa: f32,
}

impl Course {
    fn add(&mut self, at_s: f32, float_pct: f32, pressure_kpa: f32) {
        self.count += 1.0;
        self.at_s += at_s;
        self.at_s2 += at_s * at_s;
        self.pct += float_pct;
        self.pct_at_s += float_pct * at_s;
        self.kpa += pressure_kpa;
    }

    fn pressure_kpa(&self) -> f32 {
        self.kpa / self.count.max(1.0)
    }

    fn float_pct(&self, at_s: f32) -> f32 {
        let count = self.count.max(1.0);
        let (mean_s, mean_pct) = (self.at_s / count, self.pct / count);
        let spread_s2 = self.at_s2 - count * mean_s * mean_s;
        let slope = if spread_s2 > 1.0 { (self.pct_at_s - count * mean_s * mean_pct) / spread_s2 } else { 0.0 };
        mean_pct + slope * (at_s - mean_s)
    }
}

/// Watches for pressure steps on the means of frames.
#[derive(Clone, Debug, Default)]
pub struct StepTracker {
    history: [Mean; LOOK_BACK],
    filled: usize,
    /// Frames since air has left: a test needs as many as are looked back over.
    usable: usize,
    running: Option<Running>,
    /// Time since the last step began, s.
    pub since_step_s: f32,
}

impl StepTracker {
    /// A tracker at rest.
    pub fn new() -> StepTracker {
        StepTracker { since_step_s: 1e6, ..StepTracker::default() }
    }

    /// Forgets the past: after a gap.
    pub fn after_gap(&mut self) {
        self.filled = 0;
        self.cancel();
    }

    /// Gives up the test that runs, and begins none before what it would be held against is new: air has left.
    pub fn cancel(&mut self) {
        self.running = None;
        self.usable = 0;
    }

    /// Takes one frame; returns the outcome of a test that has come to its end.
    pub fn frame(&mut self, input: &StepInput, site: &SiteData, settings: &EvidenceSettings) -> Option<StepAnswer> {
        self.since_step_s += input.length_s;
        let now = Mean { float_pct: input.float_pct, pressure_kpa: input.pressure_kpa };
        let earlier = self.history.get(RISE).copied().unwrap_or(now);
        let is_known = self.filled >= LOOK_BACK;
        let moved = (now.pressure_kpa - earlier.pressure_kpa) / (earlier.pressure_kpa + site.p_atm_kpa).max(1.0);
        let is_moving = is_known && libm::fabsf(moved) > 0.25 * settings.step_share;
        let is_step = is_known && libm::fabsf(moved) > settings.step_share;
        if is_step {
            self.since_step_s = 0.0;
        }
        let mut outcome = None;
        if let Some(mut running) = self.running.take() {
            if input.is_sealed {
                outcome = self.advance(&mut running, input, is_moving, site, settings);
            }
        } else if is_step && input.is_sealed && self.usable >= LOOK_BACK {
            let before = self.before();
            self.running = Some(Running {
                before,
                elapsed_s: 0.0,
                calm_s: 0.0,
                early_pct: now.float_pct,
                early_s: 0.0,
                course: Course::default(),
            });
        }
        self.remember(now);
        outcome
    }

    fn advance(
        &mut self,
        running: &mut Running,
        input: &StepInput,
        is_moving: bool,
        site: &SiteData,
        settings: &EvidenceSettings,
    ) -> Option<StepAnswer> {
        running.elapsed_s += input.length_s;
        if is_moving {
            running.calm_s = 0.0;
            running.course = Course::default();
        } else {
            running.calm_s += input.length_s;
        }
        if running.calm_s <= EARLY_S {
            running.early_pct = input.float_pct;
            running.early_s = running.elapsed_s;
        }
        if running.calm_s > COURSE_S.start {
            running.course.add(running.elapsed_s, input.float_pct, input.pressure_kpa);
        }
        if running.calm_s >= COURSE_S.end {
            return judge(running, site, settings);
        }
        if running.elapsed_s < GIVE_UP_S {
            self.running = Some(*running);
        }
        None
    }

    /// Mean of the frames before the step began.
    fn before(&self) -> Mean {
        let mut sum = Mean::default();
        let mut count = 0.0;
        for mean in self.history.iter().skip(RISE + 1) {
            sum.float_pct += mean.float_pct;
            sum.pressure_kpa += mean.pressure_kpa;
            count += 1.0;
        }
        Mean { float_pct: sum.float_pct / count, pressure_kpa: sum.pressure_kpa / count }
    }

    fn remember(&mut self, now: Mean) {
        self.history.rotate_right(1);
        if let Some(newest) = self.history.first_mut() {
            *newest = now;
        }
        self.filled = self.filled.saturating_add(1).min(LOOK_BACK);
        self.usable = self.usable.saturating_add(1).min(LOOK_BACK);
    }
}

fn judge(running: &Running, site: &SiteData, settings: &EvidenceSettings) -> Option<StepAnswer> {
    let (before, course) = (running.before, &running.course);
    // Half-way through the change of pressure.
    let after = Mean { float_pct: course.float_pct(0.0), pressure_kpa: course.pressure_kpa() };
    if before.float_pct < BLIND_BELOW_PCT {
        return None;
    }
    let volume_l = site.air_space_l(before.float_pct.min(100.0));
    let pressure_ratio = (after.pressure_kpa + site.p_atm_kpa) / (before.pressure_kpa + site.p_atm_kpa).max(1.0);
    if pressure_ratio <= 0.0 {
        return None;
    }
    let moved_pct = 100.0 * volume_l * (1.0 - 1.0 / pressure_ratio) / site.stroke_volume_l;
    // The float can only go as far as its seat and its bottom.
    let (least_pct, most_pct) = (-before.float_pct, (100.0 - before.float_pct).max(0.0));
    // No `clamp`: it panics where a limit is NaN.
    let expected_pct = if moved_pct < least_pct { least_pct } else { moved_pct };
    let expected_pct = if expected_pct > most_pct { most_pct } else { expected_pct };
    if libm::fabsf(expected_pct) < settings.step_least_answer_pct {
        return None;
    }
    let seen_pct = after.float_pct - before.float_pct;
    let late_pct = course.float_pct(running.early_s) - running.early_pct;
    let late_share = if libm::fabsf(seen_pct) > settings.still_pct { late_pct / seen_pct } else { 0.0 };
    let space_strokes = volume_l / site.stroke_volume_l;
    Some(StepAnswer { expected_pct, answer: seen_pct / expected_pct, late_share, space_strokes })
}
