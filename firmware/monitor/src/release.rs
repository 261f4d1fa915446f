//! Finds the release cycles and measures each of them twice: by the orifice and by displacement.
//!
//! The air content `n = p V(x)` of the body is what tells a release: it falls only when air leaves, while a pressure
//! step moves float and pressure and leaves it as it is. Below the stroke (float at the bottom) it is blind; there the
//! position alone says that the orifice is open, and the cycle counts as confirmed when the float rises again.

use heapless::Vec;

use crate::{airflow::normal_litres, learned::Learned, settings::EvidenceSettings, site::SiteData};

/// Points of the fall that are kept; when full, every other one is dropped.
const TRACE_POINTS: usize = 48;
/// Points of the time before the fall that are kept.
const PLATEAU_POINTS: usize = 6;
/// Time constant of the content before a release, s.
const PLATEAU_S: f32 = 3.0;
/// Time constant of the content during a release, s.
const FALL_S: f32 = 0.25;
/// A content that has not fallen for this long has stopped to fall, s.
const STOPPED_S: f32 = 1.5;
/// Below this float position the displacement is blind, %.
pub const BLIND_BELOW_PCT: f32 = 2.0;
/// Longer releases than this are integrated as they run, shorter ones are timed by their fall, s.
const TIMED_BY_FALL_S: f32 = 20.0;
/// Evidence of a release must reach this share of the fall that the data sheet promises.
const LEAST_FALL_SHARE: f32 = 0.35;

/// A finished release cycle.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Cycle {
    /// First release orifice open, Unix microseconds.
    pub from_us: i64,
    /// All closed, Unix microseconds.
    pub to_us: i64,
    /// Air let out by the orifice estimate, NL, small orifice and second stage.
    pub orifice_nl: [f32; 2],
    /// Air let out by the displacement estimate, NL; NaN where it is blind.
    pub displacement_nl: f32,
    /// Displacement over orifice estimate; NaN where it was not judged.
    pub area_ratio: f32,
    /// Best estimate, NL, small orifice and second stage: by displacement; where that is blind, by the orifice and the
    /// area ratio learned; near a pressure step, halfway between the two.
    pub best_nl: [f32; 2],
    /// Float position at which it began and ended, %.
    pub start_pct: f32,
    /// Float position at which it ended, %.
    pub end_pct: f32,
    /// The float rose again: air has left for sure.
    pub is_confirmed: bool,
    /// A pressure step lay within a minute before it: kept out of the area ratio.
    pub is_near_step: bool,
}

#[derive(Clone, Copy, Debug, PartialEq)]
enum Phase {
    /// The float stands too high for a release.
    Idle,
    /// A release may begin any moment.
    Armed,
    /// The content falls, or the float is so low that the orifice must be open.
    Open,
}

#[derive(Clone, Copy, Debug)]
struct Point {
    at_s: f32,
    content_nl: f32,
}

/// A value that may rise steadily, smoothed without lagging behind: twice the mean less the mean of the mean.
#[derive(Clone, Copy, Debug)]
struct Level {
    mean: f32,
    mean_of_mean: f32,
}

impl Level {
    fn at(value: f32) -> Level {
        Level { mean: value, mean_of_mean: value }
    }

    fn follow(&mut self, value: f32, share: f32) {
        self.mean += (value - self.mean) * share;
        self.mean_of_mean += (self.mean - self.mean_of_mean) * share;
    }

    fn now(self) -> f32 {
        2.0 * self.mean - self.mean_of_mean
    }
}

/// One conditioned sample, as the tracker needs it.
#[derive(Clone, Copy, Debug)]
pub struct ReleaseInput {
    /// Unix time, microseconds.
    pub time_us: i64,
    /// Since the sample before, s.
    pub dt_s: f32,
    /// Float position, %.
    pub float_pct: f32,
    /// Chamber pressure, zero-corrected, kPa gauge.
    pub pressure_kpa: f32,
    /// Air temperature, K.
    pub temperature_k: f32,
    /// Standard deviation of the content from the noise of float and pressure, NL.
    pub content_noise_nl: f32,
    /// Air arriving, NL/s, from the sealed time before.
    pub arrival_nl_s: f32,
    /// Time since the last pressure step, s.
    pub since_step_s: f32,
}

impl Cycle {
    /// Settles the best estimate, given the area ratio learned (`None` before there is one).
    pub(crate) fn settle(&mut self, learned_ratio: Option<f32>) {
        let orifice_nl: f32 = self.orifice_nl.iter().sum();
        let displaced = self.displacement_nl / orifice_nl;
        let scale = match learned_ratio {
            _ if orifice_nl <= 0.0 => 1.0,
            None if displaced.is_nan() => 1.0,
            Some(ratio) if displaced.is_nan() => ratio,
            // After a pressure step the gas is colder or warmer than it is taken to be, and the two err against
            // each other.
            Some(ratio) if self.is_near_step => 0.5 * (ratio + displaced),
            _ => displaced,
        };
        self.best_nl = self.orifice_nl.map(|nl| nl * scale);
    }

    /// Best estimate of the air that the cycle let out, NL.
    pub fn released_nl(&self) -> f32 {
        self.best_nl.iter().sum()
    }
}

/// Tracker of release cycles.
#[derive(Clone, Debug)]
pub struct ReleaseTracker {
    phase: Phase,
    trace: Vec<Point, TRACE_POINTS>,
    stride: u16,
    skipped: u16,
    clock_s: f32,
    armed_at_us: i64,
    plateau_nl: Level,
    plateau_pct: Level,
    onset_s: f32,
    low_since_s: f32,
    fall_nl: f32,
    least_nl: f32,
    since_least_s: f32,
    after_sum_nl: f32,
    after_sum_pct: f32,
    after_count: f32,
    /// Chamber pressure when the fall was seen and when it was last seen, kPa.
    fall_kpa: [f32; 2],
    integral_nl: [f32; 2],
    is_second_open: bool,
    is_by_position: bool,
    least_pct: f32,
    near_step: bool,
    /// A release may begin below this float position, %.
    arm_below_pct: f32,
    /// Below this one the orifice must be open, %.
    surely_open_below_pct: f32,
}

impl ReleaseTracker {
    /// A tracker that knows the data sheet and what has been learned.
    pub fn new(site: &SiteData, settings: &EvidenceSettings, learned: &Learned) -> ReleaseTracker {
        let mut tracker = ReleaseTracker {
            phase: Phase::Idle,
            trace: Vec::new(),
            stride: 1,
            skipped: 0,
            clock_s: 0.0,
            armed_at_us: 0,
            plateau_nl: Level::at(0.0),
            plateau_pct: Level::at(0.0),
            onset_s: 0.0,
            low_since_s: 0.0,
            fall_nl: 0.0,
            least_nl: 0.0,
            since_least_s: 0.0,
            after_sum_nl: 0.0,
            after_sum_pct: 0.0,
            after_count: 0.0,
            fall_kpa: [0.0; 2],
            integral_nl: [0.0; 2],
            is_second_open: false,
            is_by_position: false,
            least_pct: 100.0,
            near_step: false,
            arm_below_pct: 0.0,
            surely_open_below_pct: 0.0,
        };
        tracker.learn_positions(site, settings, learned);
        tracker
    }

    /// Takes over what has been learned about the opening position.
    pub fn learn_positions(&mut self, site: &SiteData, settings: &EvidenceSettings, learned: &Learned) {
        let nominal_pct = site.small.opens_below_pct;
        let (centre_pct, margin_pct) = if learned.opens_pct.count >= 5 {
            (
                learned.opens_pct.recent,
                (3.0 * learned.opens_pct.deviation).max(1.0).min(settings.position_tolerance_pct),
            )
        } else {
            (nominal_pct, settings.position_tolerance_pct)
        };
        // Arming early costs nothing and lets the time before the release be known well.
        self.arm_below_pct = centre_pct + margin_pct.max(0.7 * settings.position_tolerance_pct);
        self.surely_open_below_pct = centre_pct - margin_pct;
    }

    /// Whether a release is going on.
    pub fn is_open(&self) -> bool {
        self.phase == Phase::Open
    }

    /// Below this float position the orifice must be open, %.
    pub fn surely_open_below_pct(&self) -> f32 {
        self.surely_open_below_pct
    }

    /// Air that has passed by the orifice estimate in the release that is going on, NL.
    pub fn open_nl(&self) -> f32 {
        if self.phase == Phase::Open { self.integral_nl.iter().sum() } else { 0.0 }
    }

    /// Whether a sample at this position needs [`ReleaseTracker::step`] at all.
    #[inline(always)]
    pub fn needs(&self, float_pct: f32) -> bool {
        self.phase != Phase::Idle || float_pct < self.arm_below_pct
    }

    /// Ends whatever is going on: the line is no longer under pressure, or a gap came.
    pub fn abandon(&mut self) {
        self.phase = Phase::Idle;
    }

    /// Takes one sample under pressure; returns the cycle that has just ended.
    #[inline(never)]
    pub fn step(&mut self, input: &ReleaseInput, site: &SiteData) -> Option<Cycle> {
        let pressure_kpa_abs = input.pressure_kpa + site.p_atm_kpa;
        let content_nl = normal_litres(pressure_kpa_abs, site.air_space_l(input.float_pct), input.temperature_k);
        self.clock_s += input.dt_s;
        if self.phase == Phase::Idle {
            self.arm(input, content_nl);
            return None;
        }
        self.keep(content_nl);
        let hysteresis = 0.01 * (site.small.closes_above_pct - site.small.opens_below_pct).max(1.0);
        let promised_nl = normal_litres(pressure_kpa_abs, site.stroke_volume_l * hysteresis, input.temperature_k);
        if self.phase == Phase::Armed {
            self.watch(input, content_nl, promised_nl);
            return None;
        }
        self.follow(input, content_nl, site);
        let has_stopped = self.since_least_s > STOPPED_S.max(2.5 * input.dt_s);
        if !has_stopped || input.float_pct < BLIND_BELOW_PCT {
            return None;
        }
        self.finish(input, promised_nl, site)
    }

    fn arm(&mut self, input: &ReleaseInput, content_nl: f32) {
        self.phase = Phase::Armed;
        self.clock_s = 0.0;
        self.armed_at_us = input.time_us;
        self.plateau_nl = Level::at(content_nl);
        self.plateau_pct = Level::at(input.float_pct);
        self.low_since_s = -1.0;
        self.trace.clear();
        self.stride = 1;
        self.skipped = 0;
        self.keep(content_nl);
    }

    /// Keeps a point of the trace, ever sparser as it grows long.
    fn keep(&mut self, content_nl: f32) {
        self.skipped += 1;
        if self.skipped < self.stride {
            return;
        }
        self.skipped = 0;
        let point = Point { at_s: self.clock_s, content_nl };
        if self.trace.push(point).is_err() {
            let mut position = 0_usize;
            self.trace.retain(|_| {
                position = position.wrapping_add(1);
                position % 2 == 1
            });
            self.stride = self.stride.saturating_mul(2);
            let _ = self.trace.push(point);
        }
    }

    /// Armed: waits for the content to fall, or for the float to sink so far that the orifice must be open.
    fn watch(&mut self, input: &ReleaseInput, content_nl: f32, promised_nl: f32) {
        let fall_nl = self.plateau_nl.now() - content_nl;
        if fall_nl > (4.0 * input.content_noise_nl).max(0.15 * promised_nl) {
            self.open(input, content_nl, false);
            return;
        }
        if input.float_pct > self.arm_below_pct + 1.0 {
            self.phase = Phase::Idle;
            return;
        }
        // A sample that already looks low must not pull the plateau down.
        if fall_nl < 2.0 * input.content_noise_nl {
            let share = (input.dt_s / PLATEAU_S).min(0.5);
            self.plateau_nl.follow(content_nl, share);
            self.plateau_pct.follow(input.float_pct, share);
            self.onset_s = self.clock_s;
            self.forget_plateau();
            // While nothing happens the trace need not reach back.
            if self.clock_s > 30.0 {
                self.rebase(input, content_nl);
            }
        }
        if input.float_pct < self.surely_open_below_pct {
            if self.low_since_s < 0.0 {
                self.low_since_s = self.clock_s;
            }
            if self.clock_s - self.low_since_s > 2.0 {
                self.onset_s = self.low_since_s;
                self.open(input, content_nl, true);
            }
        } else {
            self.low_since_s = -1.0;
        }
    }

    /// While nothing falls only the last few points matter: the trace must be fine when the fall begins.
    fn forget_plateau(&mut self) {
        self.stride = 1;
        // Only now and then: a few points too many cost less than moving them with every sample.
        if self.trace.len() < 3 * PLATEAU_POINTS {
            return;
        }
        let mut surplus = self.trace.len().saturating_sub(PLATEAU_POINTS);
        self.trace.retain(|_| {
            let is_kept = surplus == 0;
            surplus = surplus.saturating_sub(1);
            is_kept
        });
    }

    fn rebase(&mut self, input: &ReleaseInput, content_nl: f32) {
        let (plateau_nl, plateau_pct, low_for_s) = (self.plateau_nl, self.plateau_pct, self.clock_s - self.low_since_s);
        let was_low = self.low_since_s >= 0.0;
        self.arm(input, content_nl);
        self.plateau_nl = plateau_nl;
        self.plateau_pct = plateau_pct;
        self.low_since_s = if was_low { -low_for_s } else { -1.0 };
        self.onset_s = 0.0;
    }

    fn open(&mut self, input: &ReleaseInput, content_nl: f32, is_by_position: bool) {
        self.phase = Phase::Open;
        self.is_by_position = is_by_position;
        self.fall_nl = content_nl;
        self.least_nl = content_nl;
        self.least_pct = input.float_pct;
        self.since_least_s = 0.0;
        self.clear_after();
        self.fall_kpa = [input.pressure_kpa; 2];
        self.integral_nl = [0.0; 2];
        self.is_second_open = false;
        self.near_step = input.since_step_s < 60.0;
    }

    fn clear_after(&mut self) {
        self.after_sum_nl = 0.0;
        self.after_sum_pct = 0.0;
        self.after_count = 0.0;
    }

    /// Open: adds up the flow and looks for the end of the fall.
    fn follow(&mut self, input: &ReleaseInput, content_nl: f32, site: &SiteData) {
        let flow = |orifice: crate::airflow::Orifice| {
            orifice.normal_flow_nl_s(input.pressure_kpa, site.p_atm_kpa, input.temperature_k) * input.dt_s
        };
        let [small_nl, second_nl] = &mut self.integral_nl;
        *small_nl += flow(site.small.orifice);
        if let Some(second) = site.second {
            let limit_pct = if self.is_second_open { second.closes_above_pct } else { second.opens_below_pct };
            self.is_second_open = input.float_pct < limit_pct;
            if self.is_second_open {
                *second_nl += flow(second.orifice);
            }
        }
        self.least_pct = self.least_pct.min(input.float_pct);
        self.near_step |= input.since_step_s < 60.0;
        let share = (input.dt_s / FALL_S).min(1.0);
        self.fall_nl += (content_nl - self.fall_nl) * share;
        if input.float_pct < BLIND_BELOW_PCT || self.fall_nl < self.least_nl - 0.7 * input.content_noise_nl {
            self.least_nl = self.fall_nl;
            self.since_least_s = 0.0;
            let [_, last_kpa] = &mut self.fall_kpa;
            *last_kpa = input.pressure_kpa;
            self.clear_after();
        } else {
            self.since_least_s += input.dt_s;
            self.after_sum_nl += content_nl;
            self.after_sum_pct += input.float_pct;
            self.after_count += 1.0;
        }
    }

    /// The fall has stopped: a cycle, or only a wobble.
    fn finish(&mut self, input: &ReleaseInput, promised_nl: f32, site: &SiteData) -> Option<Cycle> {
        let count = self.after_count.max(1.0);
        let (after_nl, end_pct) = (self.after_sum_nl / count, self.after_sum_pct / count);
        let duration_s = self.clock_s - self.onset_s - self.since_least_s;
        if self.is_by_position && end_pct < self.surely_open_below_pct + 2.0 {
            // Still low: the orifice is still open by position; wait for the float to rise.
            self.since_least_s = 0.0;
            self.least_nl = after_nl;
            self.clear_after();
            return None;
        }
        let fall_nl = self.plateau_nl.now() - after_nl;
        // Air that leaves lets the float rise; a float that stands still has only seen the pressure change.
        let rise_pct = end_pct - self.least_pct;
        let has_risen =
            rise_pct > LEAST_FALL_SHARE * (site.small.closes_above_pct - site.small.opens_below_pct).max(1.0);
        let share = if self.near_step { 1.5 * LEAST_FALL_SHARE } else { LEAST_FALL_SHARE };
        let least_nl = (share * promised_nl).max(5.0 * input.content_noise_nl);
        if !self.is_by_position && (!has_risen || fall_nl < least_nl) {
            self.phase = Phase::Idle;
            return None;
        }
        self.phase = Phase::Idle;
        let is_blind = self.is_by_position || self.least_pct < BLIND_BELOW_PCT;
        Some(self.measure(input, site, Fall { fall_nl, end_pct, duration_s, is_blind }))
    }

    fn measure(&self, input: &ReleaseInput, site: &SiteData, fall: Fall) -> Cycle {
        let mut from_s = self.onset_s;
        let mut to_s = self.onset_s + fall.duration_s;
        let mut orifice_nl = self.integral_nl;
        if !fall.is_blind
            && fall.duration_s < TIMED_BY_FALL_S
            && let Some((first_s, last_s)) = self.fall_times(fall.fall_nl)
        {
            from_s = first_s;
            to_s = last_s;
            let [first_kpa, last_kpa] = self.fall_kpa;
            let mean_kpa = 0.5 * (first_kpa + last_kpa);
            let flow_nl_s = site.small.orifice.normal_flow_nl_s(mean_kpa, site.p_atm_kpa, input.temperature_k);
            let second_nl = site.second.map_or(0.0, |_| self.integral_nl.last().copied().unwrap_or(0.0));
            orifice_nl = [flow_nl_s * (to_s - from_s), second_nl];
        }
        let open_s = (to_s - from_s).max(0.0);
        let displacement_nl =
            if fall.is_blind { f32::NAN } else { fall.fall_nl + input.arrival_nl_s.max(0.0) * open_s };
        let total_nl: f32 = orifice_nl.iter().sum();
        let is_judged = !fall.is_blind && !self.near_step && total_nl > 0.0 && open_s > 2.0 * input.dt_s;
        let time_us = |at_s: f32| self.armed_at_us + (f64::from(at_s) * 1e6) as i64;
        Cycle {
            from_us: time_us(from_s),
            to_us: time_us(to_s),
            orifice_nl,
            displacement_nl,
            best_nl: orifice_nl,
            area_ratio: if is_judged { displacement_nl / total_nl } else { f32::NAN },
            start_pct: self.plateau_pct.now(),
            end_pct: fall.end_pct,
            is_confirmed: !self.is_by_position || fall.end_pct > self.surely_open_below_pct,
            is_near_step: self.near_step,
        }
    }

    /// Begin and end of the fall: a choked orifice lets out at a steady rate, so the straight line through the
    /// quarter and three-quarter points gives both, finer than the sampling and free of the ends' noise.
    fn fall_times(&self, fall_nl: f32) -> Option<(f32, f32)> {
        let quarter_s = self.crossing(self.plateau_nl.now() - 0.25 * fall_nl)?;
        let three_quarters_s = self.crossing(self.plateau_nl.now() - 0.75 * fall_nl)?;
        let half_s = three_quarters_s - quarter_s;
        (half_s > 0.0).then_some((quarter_s - 0.5 * half_s, three_quarters_s + 0.5 * half_s))
    }

    /// When the content last fell through a level.
    fn crossing(&self, level_nl: f32) -> Option<f32> {
        let mut found = None;
        let mut before: Option<Point> = None;
        for &point in &self.trace {
            if let Some(before) = before
                && before.content_nl >= level_nl
                && point.content_nl < level_nl
            {
                let share = (before.content_nl - level_nl) / (before.content_nl - point.content_nl);
                found = Some(before.at_s + share * (point.at_s - before.at_s));
            }
            before = Some(point);
        }
        found
    }
}

#[derive(Clone, Copy)]
struct Fall {
    fall_nl: f32,
    end_pct: f32,
    duration_s: f32,
    is_blind: bool,
}
