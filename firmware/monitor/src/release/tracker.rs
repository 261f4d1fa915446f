//! Follows the air content sample by sample and finds where releases begin and end.

use super::{
    ARRIVAL_FACTOR, BLIND_BELOW_PCT, Cycle, ReleaseInput,
    trace::{Level, Trace},
};
use crate::{airflow::normal_litres, learned::Learned, settings::EvidenceSettings, site::SiteData};

/// What there is to pass is not known yet, NL.
const NO_BUDGET_NL: f32 = -1.0;
/// Time constant of the content before a release, s.
const PLATEAU_S: f32 = 3.0;
/// Time constant of the content during a release, s.
const FALL_S: f32 = 0.25;
/// A content that has not fallen for this long has stopped to fall, s.
const STOPPED_S: f32 = 1.5;
/// Longer releases than this are integrated as they run, shorter ones are timed by their fall, s.
const TIMED_BY_FALL_S: f32 = 20.0;
/// Evidence of a release must reach this share of the fall that the data sheet promises.
const LEAST_FALL_SHARE: f32 = 0.35;
/// An orifice that should have let out this many times what could be missed, and of which the content shows less than a
/// quarter, is not open or does not pass air.
const REFUTED_TIMES: f32 = 8.0;
/// A float below where the orifice must be open has opened it after this time, s: a swing is over sooner.
const LOW_S: f32 = 2.0;
/// A float that moves by more while the content does not fall is not held, % of stroke.
const STILL_PCT: f32 = 5.0;
/// Samples that a release must span for its discharge area to be judged.
const LEAST_SAMPLES: f32 = 3.0;
/// A release of more samples than this is timed by itself, a shorter one by how many samples fall into it.
const LONG_SAMPLES: f32 = 6.0;
/// A sample is inside a fall when it lies this many deviations of the noise from both ends, and at least and at most these
/// shares of the fall.
const EDGE_DEVIATIONS: f32 = 4.0;
const LEAST_EDGE: f32 = 0.15;
const MOST_EDGE: f32 = 0.4;
/// A pressure step alone can cool or warm the air by this share.
const STEP_HEAT_SHARE: f32 = 0.12;

#[derive(Clone, Copy, Debug, PartialEq)]
enum Phase {
    /// The float stands too high for a release.
    Idle,
    /// A release may begin any moment.
    Armed,
    /// The content falls, or the float is so low that the orifice must be open.
    Open,
}

/// Tracker of release cycles.
#[derive(Clone, Debug)]
pub struct ReleaseTracker {
    phase: Phase,
    trace: Trace,
    clock_s: f32,
    armed_at_us: i64,
    plateau_nl: Level,
    plateau_pct: Level,
    onset_s: f32,
    low_since_s: Option<f32>,
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
    /// The float is low, but the content has shown that no air leaves: position alone says nothing until it has risen.
    is_refuted: bool,
    /// Greatest content since the position said open, NL.
    held_nl: f32,
    /// Upper bound of air that may have left unseen, not yet taken, and how much more there can be, NL.
    unconfirmed_nl: f32,
    /// Negative while the float is up or has just risen.
    budget_nl: f32,
    /// What has arrived and is not in that yet, NL.
    arrived_nl: f32,
    least_pct: f32,
    most_pct: f32,
    near_step: bool,
    /// Highest float position from which a release began unseen, %.
    unseen_pct: f32,
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
            trace: Trace::default(),
            clock_s: 0.0,
            armed_at_us: 0,
            plateau_nl: Level::at(0.0),
            plateau_pct: Level::at(0.0),
            onset_s: 0.0,
            low_since_s: None,
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
            is_refuted: false,
            held_nl: 0.0,
            unconfirmed_nl: 0.0,
            budget_nl: NO_BUDGET_NL,
            arrived_nl: 0.0,
            least_pct: 100.0,
            most_pct: 0.0,
            near_step: false,
            unseen_pct: 0.0,
            arm_below_pct: 0.0,
            surely_open_below_pct: 0.0,
        };
        tracker.learn_positions(site, settings, learned);
        tracker
    }

    /// Takes over what has been learned about the opening position.
    pub fn learn_positions(&mut self, site: &SiteData, settings: &EvidenceSettings, learned: &Learned) {
        let nominal_pct = site.small.opens_below_pct;
        let (centre_pct, margin_pct) = if learned.opens_pct.weight >= 5.0 {
            (
                learned.opens_pct.recent,
                (3.0 * learned.opens_pct.deviation).max(1.0).min(settings.position_tolerance_pct),
            )
        } else {
            (nominal_pct, settings.position_tolerance_pct)
        };
        // Arming early costs nothing and lets the time before the release be known well.
        let early_pct = centre_pct + margin_pct.max(0.7 * settings.position_tolerance_pct);
        self.arm_below_pct = early_pct.max(self.unseen_pct + 1.0);
        self.surely_open_below_pct = centre_pct - margin_pct;
    }

    /// Air has left from this float position, above where it was looked for, %.
    pub fn look_higher(&mut self, unseen_pct: f32) {
        self.unseen_pct = self.unseen_pct.max(unseen_pct);
        self.arm_below_pct = self.arm_below_pct.max(unseen_pct + 1.0);
    }

    /// Whether a release is going on.
    pub fn is_open(&self) -> bool {
        self.phase == Phase::Open
    }

    /// Below this float position the orifice must be open, %.
    pub fn surely_open_below_pct(&self) -> f32 {
        self.surely_open_below_pct
    }

    /// Air that may have passed in the release that is going on, by the orifice estimate, NL: no more than was there and
    /// has come since.
    pub fn open_nl(&self) -> f32 {
        if self.phase == Phase::Open { self.passed_nl().min(self.budget_nl) } else { 0.0 }
    }

    fn passed_nl(&self) -> f32 {
        self.integral_nl.iter().sum()
    }

    /// Whether a sample at this position needs [`ReleaseTracker::step`] at all.
    #[inline(always)]
    pub fn needs(&self, float_pct: f32) -> bool {
        self.phase != Phase::Idle || float_pct < self.arm_below_pct
    }

    /// Ends whatever is going on: the line is no longer under pressure, or a gap came. What may have left stays a bound.
    pub fn abandon(&mut self) {
        let passed_nl = if self.phase == Phase::Open { self.passed_nl() } else { 0.0 };
        self.count_unconfirmed(passed_nl);
        self.phase = Phase::Idle;
        self.is_refuted = false;
        // What was there before says nothing of what is there now.
        self.budget_nl = NO_BUDGET_NL;
    }

    /// Takes the upper bound of what may have left unseen since it was last taken, NL.
    pub fn take_unconfirmed_nl(&mut self) -> f32 {
        core::mem::take(&mut self.unconfirmed_nl)
    }

    /// Takes one sample under pressure; returns the cycle that has just ended.
    #[inline(never)]
    pub fn step(&mut self, input: &ReleaseInput, site: &SiteData) -> Option<Cycle> {
        let pressure_kpa_abs = input.pressure_kpa + site.p_atm_kpa;
        let content_nl = normal_litres(pressure_kpa_abs, site.air_space_l(input.float_pct), input.temperature_k);
        // From the times, not added up: it must be right after days.
        self.clock_s = input.time_us.wrapping_sub(self.armed_at_us) as f32 * 1e-6;
        if self.phase == Phase::Idle {
            self.arm(input, content_nl);
            return None;
        }
        self.trace.keep(self.clock_s, content_nl);
        let hysteresis = 0.01 * (site.small.closes_above_pct - site.small.opens_below_pct).max(1.0);
        let promised_nl = normal_litres(pressure_kpa_abs, site.stroke_volume_l * hysteresis, input.temperature_k);
        if self.phase == Phase::Armed {
            self.watch(input, content_nl, promised_nl, site);
            self.bound(input, site);
            return None;
        }
        self.follow(input, content_nl, site);
        if self.is_by_position && self.is_contradicted(input, promised_nl) {
            self.refute(input, content_nl);
            return None;
        }
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
        self.low_since_s = None;
        self.trace.restart(content_nl);
    }

    /// Armed: waits for the content to fall, or for the float to sink so far that the orifice must be open.
    fn watch(&mut self, input: &ReleaseInput, content_nl: f32, promised_nl: f32, site: &SiteData) {
        let fall_nl = self.plateau_nl.now() - content_nl;
        if fall_nl > (4.0 * input.content_noise_nl).max(0.15 * promised_nl) {
            self.open(input, content_nl, false, site);
            return;
        }
        if input.float_pct > self.arm_below_pct + 1.0 {
            self.phase = Phase::Idle;
            self.budget_nl = NO_BUDGET_NL;
            return;
        }
        // A sample that already looks low must not pull the plateau down.
        if fall_nl < 2.0 * input.content_noise_nl {
            let share = (input.dt_s / PLATEAU_S).min(0.5);
            self.plateau_nl.follow(content_nl, share);
            self.plateau_pct.follow(input.float_pct, share);
            self.onset_s = self.clock_s;
            self.trace.forget_plateau();
            // While nothing happens the trace need not reach back.
            if self.clock_s > 30.0 {
                self.rebase(input, content_nl);
            }
        }
        if self.is_refuted {
            self.is_refuted = input.float_pct < self.surely_open_below_pct && input.float_pct >= BLIND_BELOW_PCT;
        }
        if input.float_pct < self.surely_open_below_pct && !self.is_refuted {
            let low_since_s = *self.low_since_s.get_or_insert(self.clock_s);
            if self.clock_s - low_since_s > LOW_S {
                self.onset_s = low_since_s;
                self.open(input, content_nl, true, site);
            }
        } else {
            self.low_since_s = None;
        }
    }

    /// Begins the trace anew without forgetting what was seen before.
    fn rebase(&mut self, input: &ReleaseInput, content_nl: f32) {
        let (plateau_nl, plateau_pct, clock_s) = (self.plateau_nl, self.plateau_pct, self.clock_s);
        let low_since_s = self.low_since_s.map(|at_s| at_s - clock_s);
        self.arm(input, content_nl);
        self.plateau_nl = plateau_nl;
        self.plateau_pct = plateau_pct;
        self.low_since_s = low_since_s;
        self.onset_s = 0.0;
    }

    /// Whether the content contradicts the position: what should have left by now is still there, or more should have
    /// left than there ever was.
    fn is_contradicted(&self, input: &ReleaseInput, promised_nl: f32) -> bool {
        let promised_out_nl = self.passed_nl();
        let could_be_missed_nl = input.content_noise_nl.max(0.08 * promised_nl);
        // A float that moves about has air coming as fast as it goes.
        let is_still = self.most_pct - self.least_pct < STILL_PCT;
        let is_kept = promised_out_nl > REFUTED_TIMES * could_be_missed_nl
            && self.held_nl - self.fall_nl < 0.25 * promised_out_nl;
        self.least_pct >= BLIND_BELOW_PCT && ((is_still && is_kept) || promised_out_nl > self.budget_nl)
    }

    /// Goes back to watching the content alone. A float that is jammed hides what leaves: a bound stays.
    fn refute(&mut self, input: &ReleaseInput, content_nl: f32) {
        let passed_nl = self.passed_nl();
        self.count_unconfirmed(passed_nl);
        self.arm(input, content_nl);
        self.is_refuted = true;
    }

    /// The largest pocket that the site expects, NL.
    fn pocket_nl(&self, input: &ReleaseInput, site: &SiteData) -> f32 {
        let pressure_kpa_abs = input.pressure_kpa + site.p_atm_kpa;
        normal_litres(pressure_kpa_abs, 1000.0 * site.largest_pocket_m3, input.temperature_k)
    }

    fn let_arrive(&mut self, input: &ReleaseInput) {
        // In parts that a large budget still feels.
        self.arrived_nl += ARRIVAL_FACTOR * input.usual_arrival_nl_s * input.dt_s;
        if self.arrived_nl > 1.0 {
            self.budget_nl += core::mem::take(&mut self.arrived_nl);
        }
    }

    fn count_unconfirmed(&mut self, nl: f32) {
        let counted_nl = nl.min(self.budget_nl).max(0.0);
        self.budget_nl -= counted_nl;
        self.unconfirmed_nl += counted_nl;
    }

    /// While the position is refuted no more can have left than was there and has come since.
    fn bound(&mut self, input: &ReleaseInput, site: &SiteData) {
        if !self.is_refuted {
            return;
        }
        self.let_arrive(input);
        let flow_nl_s = site.small.orifice.normal_flow_nl_s(input.pressure_kpa, site.p_atm_kpa, input.temperature_k);
        self.count_unconfirmed(flow_nl_s * input.dt_s);
    }

    fn open(&mut self, input: &ReleaseInput, content_nl: f32, is_by_position: bool, site: &SiteData) {
        self.phase = Phase::Open;
        if self.budget_nl < 0.0 {
            self.budget_nl = content_nl + self.pocket_nl(input, site);
        }
        self.is_refuted = false;
        self.held_nl = content_nl;
        self.is_by_position = is_by_position;
        self.fall_nl = content_nl;
        self.least_nl = content_nl;
        // At a slow rate the float may be up again by the first sample that shows the fall.
        self.least_pct = input.float_pct.min(self.plateau_pct.now());
        self.most_pct = input.float_pct;
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
        self.let_arrive(input);
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
        self.most_pct = self.most_pct.max(input.float_pct);
        self.near_step |= input.since_step_s < 60.0;
        let share = (input.dt_s / FALL_S).min(1.0);
        self.fall_nl += (content_nl - self.fall_nl) * share;
        self.held_nl = self.held_nl.max(self.fall_nl);
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
        if end_pct < self.surely_open_below_pct + 2.0 {
            // Still low: the small orifice is still open by position, whatever a second stage has done; wait for the
            // float to rise.
            self.is_by_position = true;
            self.since_least_s = 0.0;
            self.least_nl = after_nl;
            self.clear_after();
            return None;
        }
        let before_nl = if self.is_by_position { self.held_nl } else { self.plateau_nl.now() };
        let fall_nl = before_nl - after_nl;
        // Air that leaves lets the float rise; a float that stands still has only seen the pressure change.
        let rise_pct = end_pct - self.least_pct;
        let has_risen =
            rise_pct > LEAST_FALL_SHARE * (site.small.closes_above_pct - site.small.opens_below_pct).max(1.0);
        let share = if self.near_step { 1.5 * LEAST_FALL_SHARE } else { LEAST_FALL_SHARE };
        let least_nl = (share * promised_nl).max(5.0 * input.content_noise_nl);
        // A pump start presses the cushion and lifts the float although no air has left.
        let by_heat_nl = if self.is_by_position && self.near_step { STEP_HEAT_SHARE * before_nl } else { 0.0 };
        let is_confirmed = has_risen && fall_nl >= least_nl.max(by_heat_nl);
        self.phase = Phase::Idle;
        if !self.is_by_position && !is_confirmed {
            return None;
        }
        let is_blind = self.is_by_position || self.least_pct < BLIND_BELOW_PCT;
        let cycle = self.measure(input, site, Fall { fall_nl, end_pct, duration_s, is_blind, is_confirmed });
        self.budget_nl = NO_BUDGET_NL;
        Some(cycle)
    }

    fn measure(&self, input: &ReleaseInput, site: &SiteData, fall: Fall) -> Cycle {
        let mut from_s = self.onset_s;
        let mut to_s = self.onset_s + fall.duration_s;
        let mut orifice_nl = self.integral_nl;
        if !fall.is_blind
            && fall.duration_s < TIMED_BY_FALL_S
            && let Some((first_s, last_s)) = self.trace.fall_times(self.plateau_nl.now(), fall.fall_nl)
        {
            from_s = first_s;
            to_s = last_s;
            let [first_kpa, last_kpa] = self.fall_kpa;
            let mean_kpa = 0.5 * (first_kpa + last_kpa);
            let flow_nl_s = site.small.orifice.normal_flow_nl_s(mean_kpa, site.p_atm_kpa, input.temperature_k);
            let second_nl = site.second.map_or(0.0, |_| self.integral_nl.last().copied().unwrap_or(0.0));
            orifice_nl = [flow_nl_s * (to_s - from_s), second_nl];
        }
        if self.is_by_position {
            // No more than was there and has come since.
            let share = (self.budget_nl / self.passed_nl().max(1e-6)).min(1.0);
            orifice_nl = self.integral_nl.map(|nl| nl * share);
        }
        let open_s = (to_s - from_s).max(0.0);
        let displacement_nl =
            if fall.is_blind { f32::NAN } else { fall.fall_nl + input.arrival_nl_s.max(0.0) * open_s };
        let total_nl: f32 = orifice_nl.iter().sum();
        let is_judged = !fall.is_blind && total_nl > 0.0 && open_s > LEAST_SAMPLES * input.dt_s;
        let ratio = if is_judged { displacement_nl / total_nl } else { f32::NAN };
        let time_us = |at_s: f32| self.armed_at_us.wrapping_add((f64::from(at_s) * 1e6) as i64);
        // Both ends are worked out from the course: never later than now, never the wrong way round.
        let to_us = time_us(to_s).min(input.time_us);
        let from_us = time_us(from_s).min(to_us);
        Cycle {
            from_us,
            to_us,
            orifice_nl,
            displacement_nl,
            best_nl: orifice_nl,
            area_ratio: if self.near_step { f32::NAN } else { ratio },
            slowness: if fall.is_blind || !fall.is_confirmed {
                f32::NAN
            } else {
                self.slowness(input, site, displacement_nl, fall.fall_nl, ratio, open_s)
            },
            start_pct: self.plateau_pct.now(),
            end_pct: fall.end_pct,
            is_confirmed: fall.is_confirmed,
            is_near_step: self.near_step,
        }
    }
}

impl ReleaseTracker {
    /// How much longer than through a clean orifice the air took.
    fn slowness(
        &self,
        input: &ReleaseInput,
        site: &SiteData,
        displacement_nl: f32,
        fall_nl: f32,
        ratio: f32,
        open_s: f32,
    ) -> f32 {
        let [_, second_nl] = self.integral_nl;
        if second_nl > 0.0 {
            return f32::NAN;
        }
        if open_s > LONG_SAMPLES * input.dt_s {
            return 1.0 / ratio;
        }
        let edge = (EDGE_DEVIATIONS * input.content_noise_nl / fall_nl).max(LEAST_EDGE);
        if edge > MOST_EDGE {
            return f32::NAN;
        }
        let [first_kpa, last_kpa] = self.fall_kpa;
        let mean_kpa = 0.5 * (first_kpa + last_kpa);
        let flow_nl_s = site.small.orifice.normal_flow_nl_s(mean_kpa, site.p_atm_kpa, input.temperature_k);
        let clean_s = displacement_nl / flow_nl_s.max(1e-6);
        self.trace.time_inside(self.plateau_nl.now(), fall_nl, edge) / clean_s.max(1e-3)
    }
}

#[derive(Clone, Copy)]
struct Fall {
    fall_nl: f32,
    end_pct: f32,
    duration_s: f32,
    is_blind: bool,
    is_confirmed: bool,
}
