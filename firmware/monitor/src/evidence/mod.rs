//! Evidence for every fault of the valve, frame by frame, scaled so that 1 is a physical limit.
//!
//! Duty: hold what the float, the pressure and the odour do against what physics asks of a healthy valve. It decides
//! nothing (that is `decision`) and never hears of an alarm. NaN means that the frame cannot be judged.
//!
//! Two families of stuck valves look alike and are told apart by weight of evidence, a sum of log-odds:
//! *low* (jammed low, small orifice blocked) and *high* (jammed up, a seat held open).

mod cushion;
pub(crate) mod fouling;
mod high;
mod low;
mod odour;
mod service;
mod unmoved;
mod vacuum;
mod walked;

use airvalve_sensors::Channel;

use crate::{
    fault::{Fault, PerFault, VALVE_FAULTS},
    frame::Frame,
    learned::Learned,
    release::Cycle,
    settings::EvidenceSettings,
    site::{ReleaseStage, SiteData},
    steps::StepAnswer,
};
use {
    cushion::Cushion,
    high::{Held, HighFloat},
    low::LowFloat,
    odour::Odour,
    vacuum::Vacuum,
    walked::Walked,
};

/// A float this high may sit on its seat, with the zero of its transmitter off by twice its accuracy, % of stroke.
pub(crate) const SEATED_PCT: f32 = 96.5;
/// Tests without an answer in a row that make a jam.
const NO_ANSWERS: f32 = 3.0;

/// Answer to a pressure step that counts once when it is averaged, % of stroke.
const USUAL_ANSWER_PCT: f32 = 5.0;

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
#[derive(Clone, Debug, Default)]
pub struct EvidenceBuilder {
    /// Evidence for each fault.
    pub values: PerFault<f32>,
    low: LowFloat,
    high: HighFloat,
    vacuum: Vacuum,
    cushion: Cushion,
    odour: Odour,
    walked: Walked,
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
    /// By how much the pressure may be misread, times its accuracy.
    pub pressure_doubt: f32,
}

impl Context<'_> {
    /// Odour says something here.
    fn has_odour(&self) -> bool {
        self.site.is_sewage && self.is_odour_trusted && self.site.is_fitted(Channel::Odour)
    }
}

impl EvidenceBuilder {
    /// Forgets what a gap has made meaningless; `pause_s` is its length when it was a pause between two bursts.
    ///
    /// What is counted over hours goes on over a short gap, and begins anew after a long one.
    pub fn after_gap(&mut self, pause_s: f32, is_long: bool) {
        self.low.after_pause(pause_s);
        if is_long {
            self.low.cycle();
            self.high.after_gap();
            self.vacuum = Vacuum::default();
            self.odour = Odour::default();
        }
        self.cushion.after_gap();
        self.odour.after_gap();
    }

    /// Takes one frame.
    pub fn frame(&mut self, frame: &Frame, learned: &mut Learned, context: &Context) {
        self.odour.frame(frame, learned, context);
        if frame.float_pct.is_nan() || frame.pressure_kpa.is_nan() {
            // Without float or pressure nothing can be said for or against the valve.
            self.values = PerFault([f32::NAN; VALVE_FAULTS]);
            return;
        }
        self.cushion.frame(frame, learned, context);
        self.vacuum.frame(frame, learned, context);
        let is_venting = self.odour.is_venting(learned, context);
        let values = &mut self.values;
        self.low.frame(frame, is_venting, values, learned, context);
        let held = Held { unmoved_pct: self.cushion.unmoved.held_pct(), in_vacuum: self.vacuum.held_up() };
        self.high.frame(frame, is_venting, held, values, learned, context);
        values.set(Fault::LargeShut, self.vacuum.held_shut());
    }

    /// Weighs what fouls the valve, from all that was learned.
    pub fn weigh_fouling(&mut self, learned: &Learned, context: &Context) {
        if !self.values.get(Fault::LargeShut).is_nan() {
            fouling::weigh(&mut self.values, learned, self.high.is_answering(), context);
        }
    }

    /// Takes the outcome of a pressure test.
    pub fn answer(&mut self, answer: &StepAnswer, frame: &Frame, learned: &mut Learned, context: &Context) {
        let is_silent = answer.answer < context.settings.no_answer_share;
        if frame.float_pct < context.surely_open_below_pct {
            self.low.answer(answer.answer, is_silent);
            return;
        }
        if is_silent {
            // A jam must not become part of what the float usually does.
            return;
        }
        let (many, few) = (context.settings.baseline_cycles, context.settings.recent_cycles);
        // A small movement says less: play and noise take more of it.
        let weight = (libm::fabsf(answer.expected_pct) / USUAL_ANSWER_PCT).min(2.0);
        learned.answer.add_weighted(answer.answer.clamp(-0.5, 2.0), weight, many, few);
        learned.tested_space.add_weighted(answer.space_strokes, weight, many, few);
        learned.late_answer.add_weighted(answer.late_share.clamp(-0.5, 1.5), weight, many, few);
    }

    /// Takes a finished release cycle.
    pub fn cycle(&mut self, cycle: &Cycle, learned: &mut Learned, context: &Context) {
        let (many, few) = (context.settings.baseline_cycles, context.settings.recent_cycles);
        if cycle.is_confirmed && !cycle.displacement_nl.is_nan() && is_of_small(cycle, context.site) {
            self.walked.cycle(cycle, learned, context);
            if cycle.is_near_step {
                learned.closes_after_step_pct.add(cycle.end_pct, many, few);
            } else {
                learned.opens_pct.add(cycle.start_pct, many, few);
                learned.closes_pct.add(cycle.end_pct, many, few);
            }
        }
        learned.area_ratio.add(cycle.area_ratio, many, few);
        let slowness = if cycle.is_near_step { &mut learned.slowness_after_step } else { &mut learned.slowness };
        slowness.add_scattered(cycle.slowness, fouling::SLOWNESS_BASELINE * many, few, fouling::SLOWNESS_ERROR);
        self.cushion.cycle();
        if cycle.is_confirmed {
            // A second stage may vent below an orifice that is blocked: only a float that is up again has answered.
            if is_of_small(cycle, context.site) && !cycle.is_near_step {
                self.low.cycle();
            }
            self.high.answer(false);
            self.vacuum.cycle();
        }
        self.odour.cycle(learned);
    }

    /// Air arriving while sealed, net of leaks, NL/s, from the last sealed stretch.
    pub fn arrival_nl_s(&self) -> f32 {
        self.cushion.arrival_nl_s
    }

    /// Float position from which air was last seen to leave although no release was being watched, %; asked once.
    pub fn take_unseen_release_pct(&mut self) -> Option<f32> {
        self.cushion.unseen_release_pct.take()
    }

    /// Time since the last release cycle, s.
    pub fn since_cycle_s(&self) -> f32 {
        self.cushion.since_cycle_s
    }

    /// Odour over the last minute or two, ppm; NaN when there is none.
    pub fn odour_ppm(&self) -> f32 {
        self.odour.ppm
    }

    /// How far the last releases lie from where they usually begin and end, 1 at the limit.
    pub fn walked(&self) -> f32 {
        self.walked.evidence()
    }

    /// Evidence that the odour cell's zero has drifted below what its loop carries, 1 at the limit.
    pub fn sunk_odour(&self) -> f32 {
        self.odour.sunk()
    }

    /// Releases in a row without an odour pulse.
    pub fn silent_releases(&self) -> f32 {
        self.odour.silent_releases
    }

    /// Time that the float has been low under pressure, s.
    pub fn low_s(&self) -> f32 {
        self.low.low_s()
    }

    /// How far a float that has not moved should have moved by now, % of stroke.
    pub fn unmoved_pct(&self) -> f32 {
        self.high.unmoved_pct
    }

    /// Probability of jammed low against small orifice blocked.
    pub fn jammed_low_share(&self) -> f32 {
        self.low.odds.probability()
    }

    /// Probability of jammed up against a seat held open.
    pub fn jammed_up_share(&self) -> f32 {
        self.high.odds.probability()
    }
}

/// Whether the small orifice began it: where the second stage opens first, the small one is blocked and shows nothing.
fn is_of_small(cycle: &Cycle, site: &SiteData) -> bool {
    let between = |second: ReleaseStage| 0.5 * (second.opens_below_pct + site.small.opens_below_pct);
    site.second.is_none_or(|second| cycle.start_pct > between(second))
}

/// What one of two look-alikes gets of their common evidence: all of it for the likelier one; the other stays below its
/// limit however long it lasts.
fn part(evidence: f32, probability: f32) -> f32 {
    if probability >= 0.5 { evidence } else { evidence.min(1.0) * probability / (1.0 - probability) }
}
