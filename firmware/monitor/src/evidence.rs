//! Evidence for every fault of the valve, frame by frame, scaled so that 1 is a physical limit.
//!
//! Duty: hold what the float, the pressure and the odour do against what physics asks of a healthy valve. It decides
//! nothing (that is `decision`) and never hears of an alarm. NaN means that the frame cannot be judged.
//!
//! Two families of stuck valves look alike and are told apart by weight of evidence, a sum of log-odds:
//! *low* (jammed low, small orifice blocked) and *high* (jammed up, a seat held open).

use airvalve_sensors::Channel;

use crate::{
    airflow::{Orifice, normal_litres},
    fault::{Fault, PerFault},
    frame::Frame,
    learned::{Baseline, Learned},
    release::Cycle,
    settings::EvidenceSettings,
    site::SiteData,
    state::ValveState,
    steps::StepAnswer,
};

/// Loss of discharge area at which clogging is certain enough: between the 0.7 at which it begins to matter and the 0.5
/// at which it must be told.
const CLOGGED_LOSS: f32 = 0.40;
/// Loss of the answer to pressure steps at which the float counts as heavy (liquid 10 % of stroke higher).
const HEAVY_LOSS: f32 = 0.22;
/// Answer of a clean float where none has been learned: the gas is still warm from the step when it is read.
const UNLEARNED_ANSWER: f32 = 0.85;
/// Loss of the answer, beside jumps, at which the float counts as sluggish: friction of 4 % of stroke.
const FRICTION_LOSS: f32 = 0.15;
/// Share of the answer that comes late at which the float counts as sluggish.
const LATE_SHARE: f32 = 0.35;
/// Loss of net arrival at which a seat counts as weeping (leak 60 % of the mean arrival).
const WEEPING_LOSS: f32 = 0.5;
/// A vacuum shallower than this is no sign of a shut orifice, whatever its size: gusts and the zero, kPa.
const SHALLOWEST_SHUT_KPA: f32 = 5.0;
/// How far beyond the expected depth the vacuum must be: inflow coefficients are known to some ten per cent.
const SHUT_MARGIN: f32 = 1.5;
/// Odour that rises by less after a release has not risen: the highest of ninety means of a usual cell's noise, ppm.
const SILENT_PPM: f32 = 0.35;
/// Odour that rises by less after a release teaches nothing, ppm.
const LEAST_PULSE_PPM: f32 = 1.0;
/// A float this far below its closing position, unanswering, hangs there, % of stroke.
const HANGS_PCT: f32 = 4.0;
/// Tests without an answer in a row that make a jam.
const NO_ANSWERS: f32 = 3.0;
/// Missing cycles: so many usual intervals of pumping without one.
const MISSING_INTERVALS: f32 = 10.0;

/// How one family of look-alikes divides.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Odds {
    /// Log-odds of the first fault of the family against the other.
    pub log_odds: f32,
}

impl Odds {
    /// Probability of the first fault.
    pub fn probability(self) -> f32 {
        1.0 / (1.0 + libm::expf(-self.log_odds))
    }
}

/// What the frame-by-frame rules remember.
#[derive(Clone, Debug)]
pub struct EvidenceBuilder {
    /// Evidence for each fault.
    pub values: PerFault<f32>,
    /// Jammed low against small orifice blocked.
    pub low_odds: Odds,
    /// Jammed up against a seat held open.
    pub high_odds: Odds,
    /// Air arriving while sealed, NL/s, from the last sealed stretch.
    pub arrival_nl_s: f32,
    /// Odour over the last two minutes, ppm; NaN when there is none.
    pub odour_ppm: f32,
    /// Time low and off the bottom, s.
    pub low_off_bottom_s: f32,
    /// Time at the very bottom under pressure, s.
    pub bottom_s: f32,
    /// Pressure tests in a row that a high float did not answer.
    pub unanswered: f32,
    /// Pump-running time since the last cycle, s.
    pub pumped_since_cycle_s: f32,
    low_least_pct: f32,
    low_most_pct: f32,
    low_answer: f32,
    low_unanswered: f32,
    has_answered_since_cycle: bool,
    shut_vacuum_s: f32,
    up_vacuum_s: f32,
    sag_s: f32,
    sealed_s: f32,
    sealed_from_nl: f32,
    still_s: f32,
    still_ref_pct: f32,
    largest_jump_pct: f32,
    odour_base_ppm: f32,
    pulse: Option<Pulse>,
    /// Releases in a row without an odour pulse.
    pub silent_releases: f32,
}

#[derive(Clone, Copy, Debug)]
struct Pulse {
    elapsed_s: f32,
    before_ppm: f32,
    peak_ppm: f32,
}

/// What the rules need beside the frame.
#[derive(Clone, Copy)]
pub struct Context<'a> {
    /// The data sheet.
    pub site: &'a SiteData,
    /// Settings.
    pub settings: &'a EvidenceSettings,
    /// Below this float position the small orifice must be open, %.
    pub surely_open_below_pct: f32,
    /// Air temperature, K.
    pub temperature_k: f32,
    /// Time since the last pressure step, s.
    pub since_step_s: f32,
    /// The odour channel can be trusted.
    pub is_odour_trusted: bool,
    /// Standard deviation of the float's noise, %.
    pub float_noise_pct: f32,
}

impl EvidenceBuilder {
    /// Nothing seen yet.
    pub fn new() -> EvidenceBuilder {
        EvidenceBuilder {
            values: PerFault::default(),
            low_odds: Odds::default(),
            high_odds: Odds::default(),
            arrival_nl_s: 0.0,
            odour_ppm: f32::NAN,
            low_off_bottom_s: 0.0,
            bottom_s: 0.0,
            unanswered: 0.0,
            pumped_since_cycle_s: 0.0,
            low_least_pct: 100.0,
            low_most_pct: 0.0,
            low_answer: f32::NAN,
            low_unanswered: 0.0,
            has_answered_since_cycle: false,
            shut_vacuum_s: 0.0,
            up_vacuum_s: 0.0,
            sag_s: 0.0,
            sealed_s: -1.0,
            sealed_from_nl: 0.0,
            still_s: 0.0,
            still_ref_pct: f32::NAN,
            largest_jump_pct: 0.0,
            odour_base_ppm: f32::NAN,
            pulse: None,
            silent_releases: 0.0,
        }
    }

    /// Forgets what a gap has made meaningless.
    pub fn after_gap(&mut self) {
        self.sealed_s = -1.0;
        self.still_s = 0.0;
        self.still_ref_pct = f32::NAN;
        self.pulse = None;
    }

    /// Takes one frame.
    pub fn frame(&mut self, frame: &Frame, learned: &mut Learned, context: &Context) {
        self.odour(frame, learned, context);
        if frame.float_pct.is_nan() || frame.pressure_kpa.is_nan() {
            // Without float or pressure nothing can be said for or against the valve.
            self.values = PerFault([f32::NAN; crate::fault::VALVE_FAULTS]);
            return;
        }
        self.sealed(frame, learned, context);
        self.stillness(frame, context);
        self.low_family(frame, learned, context);
        self.high_family(frame, learned, context);
        self.vacuum(frame, learned, context);
        self.fouling(learned, context);
    }

    /// Takes the outcome of a pressure test.
    pub fn answer(&mut self, answer: &StepAnswer, frame: &Frame, learned: &mut Learned, context: &Context) {
        let is_silent = answer.answer < context.settings.no_answer_share;
        if frame.float_pct < context.surely_open_below_pct {
            self.low_answer = answer.answer;
            self.low_unanswered = if is_silent { self.low_unanswered + 1.0 } else { 0.0 };
            return;
        }
        if is_silent {
            self.unanswered += 1.0;
            // A jam must not become part of what the float usually does.
            return;
        }
        if answer.answer > 0.4 {
            self.unanswered = 0.0;
            self.has_answered_since_cycle = true;
        }
        let (many, few) = (context.settings.baseline_cycles, context.settings.recent_cycles);
        learned.answer.add(answer.answer.clamp(-0.5, 2.0), many, few);
        learned.late_answer.add(answer.late_share.clamp(-0.5, 1.5), many, few);
    }

    /// Takes a finished release cycle.
    pub fn cycle(&mut self, cycle: &Cycle, learned: &mut Learned, context: &Context) {
        let (many, few) = (context.settings.baseline_cycles, context.settings.recent_cycles);
        if cycle.is_confirmed && !cycle.is_near_step && !cycle.displacement_nl.is_nan() {
            learned.opens_pct.add(cycle.start_pct, many, few);
            learned.closes_pct.add(cycle.end_pct, many, few);
        }
        learned.area_ratio.add(cycle.area_ratio, many, few);
        if self.pumped_since_cycle_s > 0.0 {
            learned.interval_s.add(self.pumped_since_cycle_s, many, few);
        }
        learned.jump_pct.add(self.largest_jump_pct, many, few);
        self.largest_jump_pct = 0.0;
        self.pumped_since_cycle_s = 0.0;
        self.has_answered_since_cycle = false;
        self.unanswered = 0.0;
        if self.pulse.is_none() && !self.odour_ppm.is_nan() {
            self.pulse = Some(Pulse { elapsed_s: 0.0, before_ppm: self.odour_ppm, peak_ppm: self.odour_ppm });
        }
    }

    fn odour(&mut self, frame: &Frame, learned: &mut Learned, context: &Context) {
        let ppm = frame.odour_ppm;
        if ppm.is_nan() || !context.is_odour_trusted {
            self.odour_ppm = f32::NAN;
            self.pulse = None;
            return;
        }
        if self.odour_ppm.is_nan() {
            self.odour_ppm = ppm;
            self.odour_base_ppm = ppm;
        }
        self.odour_ppm += (ppm - self.odour_ppm) * (frame.length_s / 60.0).min(1.0);
        // Follows the valleys between pulses: down within minutes, up within hours.
        let tau_s = if ppm < self.odour_base_ppm { 300.0 } else { 14_400.0 };
        self.odour_base_ppm += (ppm - self.odour_base_ppm) * (frame.length_s / tau_s).min(1.0);
        let Some(mut pulse) = self.pulse else { return };
        pulse.elapsed_s += frame.length_s;
        pulse.peak_ppm = pulse.peak_ppm.max(ppm);
        self.pulse = Some(pulse);
        // A cell whose zero lies below the measuring band hides what a pulse begins from.
        let is_hidden = context
            .site
            .spans
            .get(Channel::Odour)
            .is_some_and(|span| pulse.before_ppm < span.low - 0.01 * span.width());
        if is_hidden {
            self.pulse = None;
        } else if pulse.elapsed_s > 90.0 {
            self.pulse = None;
            self.end_pulse(pulse.peak_ppm - pulse.before_ppm, learned, context);
        }
    }

    fn end_pulse(&mut self, height_ppm: f32, learned: &mut Learned, context: &Context) {
        let (many, few) = (context.settings.baseline_cycles, context.settings.recent_cycles);
        let usual_ppm = learned.odour_pulse_ppm.mean;
        if height_ppm >= LEAST_PULSE_PPM {
            self.silent_releases = 0.0;
            learned.odour_pulse_ppm.add(height_ppm, many, few);
        } else if learned.odour_pulse_ppm.count >= 3 && height_ppm < (0.1 * usual_ppm).max(SILENT_PPM) {
            self.silent_releases += 1.0;
        }
        learned.odour_base_ppm.add(self.odour_base_ppm, many, few);
    }

    /// Whether the vent is passing gas: `None` where odour cannot tell.
    fn is_venting(&self, learned: &Learned, context: &Context) -> Option<bool> {
        if self.odour_ppm.is_nan() || !context.site.is_sewage {
            return None;
        }
        let usual_ppm = if learned.odour_pulse_ppm.count >= 3 { 0.5 * learned.odour_pulse_ppm.mean } else { 0.0 };
        Some(self.odour_ppm >= usual_ppm.max(context.settings.odour_present_ppm))
    }

    /// Net arrival of air while sealed, and the jumps of a float that sticks and slips.
    fn sealed(&mut self, frame: &Frame, learned: &mut Learned, context: &Context) {
        let is_pumping =
            frame.pump.unwrap_or(frame.pressure_kpa > 0.5 * (context.site.static_kpa + context.site.working_kpa));
        if is_pumping {
            self.pumped_since_cycle_s += frame.length_s;
        }
        let usual = if is_pumping { &mut learned.running_kpa } else { &mut learned.stopped_kpa };
        let is_calm = frame.state == ValveState::Sealed && context.since_step_s > 60.0;
        if is_calm {
            // Means over minutes, so that twenty of them span the first hour.
            usual.add(frame.pressure_kpa, 1_200.0, 300.0);
        }
        if frame.state != ValveState::Sealed {
            if self.sealed_s > 60.0 {
                learned.arrival_nl_s.add(
                    self.arrival_nl_s,
                    context.settings.baseline_cycles,
                    context.settings.recent_cycles,
                );
            }
            self.sealed_s = -20.0;
            return;
        }
        let content_nl = normal_litres(
            frame.pressure_kpa + context.site.p_atm_kpa,
            context.site.air_space_l(frame.float_pct),
            context.temperature_k,
        );
        if self.sealed_s < 0.0 {
            // The first 20 s after a release: the liquid swings and the gas warms up again.
            self.sealed_from_nl = content_nl;
        }
        self.sealed_s += frame.length_s;
        if self.sealed_s > 60.0 && is_calm {
            self.arrival_nl_s = (content_nl - self.sealed_from_nl) / self.sealed_s;
        }
    }

    fn stillness(&mut self, frame: &Frame, context: &Context) {
        if frame.state != ValveState::Sealed || context.since_step_s < 45.0 || self.still_ref_pct.is_nan() {
            self.still_ref_pct = frame.float_pct;
            self.still_s = 0.0;
            return;
        }
        let moved_pct = libm::fabsf(frame.float_pct - self.still_ref_pct);
        let quiet_pct = (3.0 * context.float_noise_pct).max(0.3);
        if moved_pct <= quiet_pct {
            self.still_s += frame.length_s;
            return;
        }
        if self.still_s > 10.0 {
            self.largest_jump_pct = self.largest_jump_pct.max(moved_pct);
        }
        self.still_ref_pct = frame.float_pct;
        self.still_s = 0.0;
    }

    /// Float low while the line is under pressure.
    fn low_family(&mut self, frame: &Frame, learned: &Learned, context: &Context) {
        let (site, settings) = (context.site, context.settings);
        let is_pressed = frame.pressure_kpa > (settings.pressurised_share * site.static_kpa).max(site.reopen_kpa);
        if frame.float_pct > context.surely_open_below_pct || !is_pressed {
            // A drain-down empties the valve and says nothing; a float that rose has answered.
            if is_pressed || frame.pressure_kpa < site.reopen_kpa {
                self.low_off_bottom_s = 0.0;
                self.bottom_s = 0.0;
                self.low_least_pct = 100.0;
                self.low_most_pct = 0.0;
                self.low_answer = f32::NAN;
                self.low_unanswered = 0.0;
            }
            self.values.set(Fault::JammedLow, 0.0);
            self.values.set(Fault::SmallBlocked, 0.0);
            return;
        }
        self.low_least_pct = self.low_least_pct.min(frame.float_pct);
        self.low_most_pct = self.low_most_pct.max(frame.float_pct);
        if frame.float_pct > settings.off_bottom_pct {
            self.low_off_bottom_s += frame.length_s;
        } else {
            self.bottom_s += frame.length_s;
        }
        let evidence = self.low_evidence(frame, context);
        self.low_odds = self.low_log_odds(learned, context);
        let p = self.low_odds.probability();
        self.values.set(Fault::JammedLow, part(evidence, p));
        self.values.set(Fault::SmallBlocked, part(evidence, 1.0 - p));
    }

    fn low_evidence(&self, frame: &Frame, context: &Context) -> f32 {
        let (site, settings) = (context.site, context.settings);
        let pressure_kpa_abs = frame.pressure_kpa + site.p_atm_kpa;
        let flow_nl_s =
            site.small.orifice.normal_flow_nl_s(frame.pressure_kpa, site.p_atm_kpa, context.temperature_k).max(1e-6);
        let vent_s = |volume_l: f32| normal_litres(pressure_kpa_abs, volume_l, context.temperature_k) / flow_nl_s;
        let off_bottom = self.low_off_bottom_s / (settings.low_still_s + 3.0 * vent_s(site.stroke_volume_l));
        let pocket_s = vent_s(1000.0 * site.largest_pocket_m3);
        let bottom = self.bottom_s / (settings.low_still_s + settings.vent_time_factor * pocket_s);
        off_bottom.max(bottom).max(self.low_unanswered / NO_ANSWERS)
    }

    fn low_log_odds(&self, learned: &Learned, context: &Context) -> Odds {
        let settings = context.settings;
        let mut log_odds = 0.0;
        let travel_pct = self.low_most_pct - self.low_least_pct;
        // A float that went on falling is free; one that stands where it was caught is not. At the bottom neither says much.
        if travel_pct > 5.0 * settings.still_pct {
            log_odds -= 1.5;
        } else if self.low_least_pct > settings.off_bottom_pct {
            log_odds += 1.0;
        }
        if self.low_answer < settings.no_answer_share {
            log_odds += 2.5;
        } else if self.low_answer > 0.5 {
            log_odds -= 2.5;
        }
        match self.is_venting(learned, context) {
            Some(true) => log_odds += 2.5,
            Some(false) => log_odds -= 2.5,
            None => log_odds += 0.1,
        }
        Odds { log_odds }
    }

    /// Float high, unanswering: jammed up, or a seat held open that has lost the cushion.
    fn high_family(&mut self, frame: &Frame, learned: &Learned, context: &Context) {
        let is_high = frame.float_pct >= context.surely_open_below_pct;
        if !is_high {
            self.unanswered = 0.0;
            self.sag_s = 0.0;
        }
        let usual_s = learned.interval_s.mean;
        let is_missing_judged =
            learned.interval_s.is_learned(10.0) && !self.has_answered_since_cycle && self.unanswered >= 1.0;
        let missing = if is_high && is_missing_judged {
            self.pumped_since_cycle_s / (MISSING_INTERVALS * usual_s.max(60.0))
        } else {
            0.0
        };
        let unanswered = self.unanswered / NO_ANSWERS;
        let evidence = if is_high { unanswered.max(missing.min(2.0)) } else { 0.0 };
        let sag = self.sag(frame, learned, is_high, context);
        if evidence == 0.0 && sag == 0.0 && self.up_vacuum_s == 0.0 {
            for fault in [Fault::JammedUp, Fault::LargeSeatOpen, Fault::SmallSeatOpen] {
                self.values.set(fault, 0.0);
            }
            return;
        }
        self.high_odds = self.high_log_odds(frame, learned, context);
        let p_up = self.high_odds.probability();
        let open = part(evidence, 1.0 - p_up);
        let up = part(evidence, p_up).max(self.up_vacuum_s / 10.0);
        self.values.set(Fault::JammedUp, if sag > 1.0 { 0.0 } else { up });
        // A float that hangs below its closing position while the vent passes gas holds the orifice open itself.
        let is_caught_open = self.is_venting(learned, context) == Some(true)
            && frame.float_pct < self.closes_pct(learned, context) - HANGS_PCT;
        let (large, small, caught) = match (sag > 0.5, is_caught_open) {
            (true, _) => (open.max(sag), 0.0, 0.0),
            (false, true) => (0.0, 0.0, open),
            (false, false) => (0.0, open, 0.0),
        };
        self.values.set(Fault::JammedLow, caught.max(self.values.get(Fault::JammedLow)));
        self.values.set(Fault::LargeSeatOpen, large);
        self.values.set(Fault::SmallSeatOpen, small);
    }

    /// How long the chamber has stood below the line while the float is up: the large orifice spills.
    fn sag(&mut self, frame: &Frame, learned: &Learned, is_high: bool, context: &Context) -> f32 {
        let is_pumping = frame.pump.unwrap_or(false);
        let usual = if is_pumping { &learned.running_kpa } else { &learned.stopped_kpa };
        let reference_kpa = if !frame.line_kpa.is_nan() {
            frame.line_kpa
        } else if usual.is_learned(600.0) && frame.pump.is_some() {
            usual.mean
        } else {
            f32::NAN
        };
        // Against its own usual value the zero does not matter, against the other channel it does.
        let unsure_kpa = if frame.line_kpa.is_nan() { 0.0 } else { 3.0 * learned.zero_uncertainty_kpa };
        let limit_kpa = (context.settings.sagging_share * (reference_kpa + context.site.p_atm_kpa)).max(unsure_kpa);
        let sags = is_high
            && context.since_step_s > 60.0
            && frame.state == ValveState::Sealed
            && reference_kpa - frame.pressure_kpa > limit_kpa
            && self.is_venting(learned, context) != Some(false);
        self.sag_s = if sags { self.sag_s + frame.length_s } else { (self.sag_s - 2.0 * frame.length_s).max(0.0) };
        self.sag_s / 240.0
    }

    /// Float position at which the small orifice has closed, %.
    fn closes_pct(&self, learned: &Learned, context: &Context) -> f32 {
        if learned.closes_pct.count >= 5 { learned.closes_pct.mean } else { context.site.small.closes_above_pct }
    }

    fn high_log_odds(&self, frame: &Frame, learned: &Learned, context: &Context) -> Odds {
        let mut log_odds = 0.0;
        let usual_rest_pct = self.closes_pct(learned, context);
        if frame.float_pct > 98.5 && frame.float_pct > usual_rest_pct + 2.0 {
            // Fully seated: a cushion that is lost does that, rag hardly.
            log_odds -= 2.5;
        } else {
            log_odds += 1.5;
        }
        match self.is_venting(learned, context) {
            Some(true) => log_odds -= 2.5,
            Some(false) => log_odds += 2.5,
            None => {}
        }
        Odds { log_odds }
    }

    /// Vacuum: a float that stays up in it is jammed; one that is down must let the air in.
    fn vacuum(&mut self, frame: &Frame, learned: &Learned, context: &Context) {
        let (site, settings) = (context.site, context.settings);
        let depth_kpa = -frame.pressure_kpa;
        let unsure_kpa = 3.0 * learned.zero_uncertainty_kpa;
        // The expected depth takes powers to find: only when the vacuum is deep enough to matter.
        let held_kpa = if depth_kpa > SHUT_MARGIN * SHALLOWEST_SHUT_KPA {
            deepest_expected_kpa(site, settings, context.temperature_k).max(unsure_kpa)
        } else {
            f32::MAX
        };
        let is_down = frame.float_pct < site.large_opens_below_pct;
        self.shut_vacuum_s = if depth_kpa > held_kpa && is_down {
            self.shut_vacuum_s + frame.length_s
        } else {
            (self.shut_vacuum_s - 0.02 * frame.length_s).max(0.0)
        };
        let is_up = frame.float_pct > site.large_closes_above_pct.max(50.0);
        self.up_vacuum_s = if depth_kpa > (2.0 * settings.vacuum_kpa).max(unsure_kpa) && is_up {
            self.up_vacuum_s + frame.length_s
        } else {
            (self.up_vacuum_s - 0.02 * frame.length_s).max(0.0)
        };
        self.values.set(Fault::LargeShut, (self.shut_vacuum_s / 10.0).min(3.0));
    }

    fn fouling(&mut self, learned: &Learned, context: &Context) {
        let settings = context.settings;
        let recent = |baseline: &Baseline| f32::from(baseline.count) >= settings.recent_cycles;
        let loss = |baseline: &Baseline, unlearned: f32, least: f32, most: f32| {
            let reference = if baseline.is_learned(settings.baseline_cycles) { baseline.mean } else { unlearned };
            1.0 - baseline.recent / reference.clamp(least, most)
        };
        let ratio = &learned.area_ratio;
        // What lies outside the data sheet's tolerance does not become its own normal.
        let clogging = if recent(ratio) { loss(ratio, 1.0, 0.8, 1.25) / CLOGGED_LOSS } else { 0.0 };
        self.values.set(Fault::Clogging, clogging.max(0.0));

        let jump = &learned.jump_pct;
        let usual_pct = if jump.is_learned(settings.baseline_cycles) { jump.mean } else { settings.jump_pct };
        let jumps = if recent(jump) { jump.recent / (settings.jump_pct + 1.5 * usual_pct) } else { 0.0 };
        let late = if recent(&learned.late_answer) { learned.late_answer.recent / LATE_SHARE } else { 0.0 };
        let answer = &learned.answer;
        let answer_loss = if recent(answer) { loss(answer, UNLEARNED_ANSWER, 0.7, 1.15) } else { 0.0 };
        // A slug of air makes a jump too, but leaves the answer to pressure steps as it was; friction takes from both.
        let sluggish = jumps.min(answer_loss / FRICTION_LOSS).max(late).max(0.0);
        self.values.set(Fault::Sluggish, sluggish);

        let heavy = answer_loss / HEAVY_LOSS;
        // A float that does not answer at all is jammed, one that answers late is sluggish.
        let is_plain = self.unanswered < 1.0 && sluggish < 0.8;
        self.values.set(Fault::Heavy, if is_plain { heavy.max(0.0) } else { 0.0 });
        self.values.set(Fault::Weeping, self.weeping(learned, settings));
    }

    /// A leak takes from what arrives and keeps the odour up between pulses: both must show.
    fn weeping(&self, learned: &Learned, settings: &EvidenceSettings) -> f32 {
        let (arrival, base, pulse) = (&learned.arrival_nl_s, &learned.odour_base_ppm, &learned.odour_pulse_ppm);
        let is_learned = arrival.is_learned(settings.baseline_cycles) && base.is_learned(settings.baseline_cycles);
        if !is_learned || arrival.mean <= 0.0 || self.odour_base_ppm.is_nan() {
            return 0.0;
        }
        let slower = (1.0 - arrival.recent / arrival.mean) / WEEPING_LOSS;
        let rise_ppm = self.odour_base_ppm - base.mean;
        let smellier = rise_ppm / (0.15 * pulse.mean + 3.0 * base.deviation).max(0.5);
        slower.min(smellier).max(0.0)
    }
}

impl Default for EvidenceBuilder {
    fn default() -> Self {
        Self::new()
    }
}

/// What one of two look-alikes gets of their common evidence: all of it for the likelier one; the other stays below its
/// limit however long it lasts.
fn part(evidence: f32, probability: f32) -> f32 {
    if probability >= 0.5 { evidence } else { evidence.min(1.0) * probability / (1.0 - probability) }
}

/// Vacuum that a healthy large orifice holds while the main drains at several times its pumped flow, kPa.
fn deepest_expected_kpa(site: &SiteData, settings: &EvidenceSettings, temperature_k: f32) -> f32 {
    let demand_nl_s = normal_litres(site.p_atm_kpa, settings.deepest_flow_factor * site.flow_l_s, temperature_k);
    let inflow =
        |depth_kpa: f32, orifice: Orifice| -orifice.normal_flow_nl_s(-depth_kpa, site.p_atm_kpa, temperature_k);
    let mut depth_kpa = SHALLOWEST_SHUT_KPA;
    // Coarse steps are enough: the flow grows with the root of the depth.
    while depth_kpa < 40.0 && inflow(depth_kpa, site.large_in) < demand_nl_s {
        depth_kpa *= 1.25;
    }
    SHUT_MARGIN * depth_kpa
}
