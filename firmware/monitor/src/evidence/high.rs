//! Float high and unanswering: jammed up, or a seat held open that has lost the cushion.

use airvalve_sensors::Channel;

use super::{Context, Odds, SEATED_PCT, part};
use crate::{
    fault::{Fault, PerFault},
    frame::Frame,
    learned::Learned,
    state::ValveState,
};

/// A float this far below its closing position, unanswering, hangs there, % of stroke.
const HANGS_PCT: f32 = 4.0;
/// Movement that should have been made and was not, % of stroke: more than play, and more than grease holds.
const UNMOVED_PCT: f32 = 13.0;
/// A float that reads this many times its accuracy above its seat is not believed.
const BEYOND_ACCURACIES: f32 = 1.5;
/// Sealed time before a usual pressure is known, min.
const LEAST_PRESSURE_MIN: f32 = 5.0;
/// How long the chamber must stand below the line, s: longer than a float stays at its seat after a release.
const SAG_S: f32 = 540.0;
/// After a pressure step the main swings for this long, s.
const AFTER_STEP_S: f32 = 30.0;
/// Releases before the odour between them is known.
const LEAST_RELEASES: f32 = 5.0;
/// A pressure that may be misread by so many times its accuracy says nothing of where the float belongs.
const DOUBTED_ACCURACIES: f32 = 4.0;
/// Just below the limit of evidence.
const NEARLY: f32 = 0.95;
/// Odour that stands for this long while the float is at its seat, s.
const PASSING_S: f32 = 600.0;
/// Share of that time after which a seat held open is taken for the large one: through a small one too little spills.
const SAGS: f32 = 0.2;

#[derive(Clone, Debug, Default)]
pub(super) struct HighFloat {
    /// Jammed up against a seat held open.
    pub(super) odds: Odds,
    /// How far the float should have moved by now, % of stroke.
    pub(super) unmoved_pct: f32,
    /// The last pressure test had no answer.
    is_silent: bool,
    /// Highest position since the float came up to its seat, %.
    seat_pct: f32,
    sag_s: f32,
    /// How long the vent has passed gas with the float at its seat, s.
    passing_s: f32,
}

/// What the other rules say of a float that does not move.
#[derive(Clone, Copy)]
pub(super) struct Held {
    /// How far it should have moved, % of stroke.
    pub(super) unmoved_pct: f32,
    /// Evidence from a vacuum in which it stays up.
    pub(super) in_vacuum: f32,
}

impl HighFloat {
    /// What has happened meanwhile is not known.
    pub(super) fn after_gap(&mut self) {
        (self.sag_s, self.passing_s) = (0.0, 0.0);
    }

    /// A pressure test has ended, or air has left and the float has risen.
    pub(super) fn answer(&mut self, is_silent: bool) {
        self.is_silent = is_silent;
    }

    /// Whether the float answered the last pressure test.
    pub(super) fn is_answering(&self) -> bool {
        !self.is_silent
    }

    pub(super) fn frame(
        &mut self,
        frame: &Frame,
        is_venting: Option<bool>,
        held: Held,
        values: &mut PerFault<f32>,
        learned: &Learned,
        context: &Context,
    ) {
        // Beyond its stroke it is the reading that is wrong.
        let accuracy_pct = context.site.accuracy(Channel::FloatPosition);
        let is_believed = frame.float_pct <= 100.0 + BEYOND_ACCURACIES * accuracy_pct;
        let is_high = frame.float_pct >= context.surely_open_below_pct && is_believed;
        // A seat held open keeps the float at its own.
        self.seat_pct = self.seat_pct.max(frame.float_pct);
        let has_left = frame.float_pct < self.seat_pct - context.settings.still_pct;
        let is_seated = is_high && !has_left && frame.float_pct >= SEATED_PCT;
        if !is_seated {
            self.sag_s = 0.0;
            self.passing_s = 0.0;
            self.seat_pct = frame.float_pct;
        }
        // Gas that goes on passing a float at its seat passes a seat that is held open.
        if is_venting == Some(false) {
            self.passing_s = 0.0;
        } else if is_seated && is_venting == Some(true) && learned.odour_base_ppm.weight >= LEAST_RELEASES {
            self.passing_s += frame.length_s;
        }
        let passing = self.passing_s / PASSING_S;
        self.unmoved_pct = held.unmoved_pct;
        // A pressure that is misread takes the float from where it belongs.
        let is_sure = context.pressure_doubt < DOUBTED_ACCURACIES;
        let unmoved = (held.unmoved_pct / UNMOVED_PCT).min(if is_sure { f32::MAX } else { NEARLY });
        let evidence = if is_high { unmoved.max(passing) } else { 0.0 };
        let sag = self.sag(frame, learned, is_seated && is_venting != Some(false), context);
        if evidence == 0.0 && sag == 0.0 && held.in_vacuum == 0.0 {
            for fault in [Fault::JammedUp, Fault::LargeSeatOpen, Fault::SmallSeatOpen] {
                values.set(fault, 0.0);
            }
            return;
        }
        self.odds = log_odds(frame, is_venting, learned, context);
        let p_up = self.odds.probability();
        let is_below_closing = frame.float_pct < closes_pct(learned, context) - HANGS_PCT;
        // One that hangs there may hold it open or not: where odour will tell, it is waited for.
        let is_awaited = is_venting.is_none() && context.has_odour() && frame.float_pct < SEATED_PCT;
        let evidence = if is_awaited && is_below_closing { evidence.min(NEARLY) } else { evidence };
        let open = part(evidence, 1.0 - p_up);
        let up = part(evidence, p_up).max(held.in_vacuum);
        values.set(Fault::JammedUp, if sag > SAGS { 0.0 } else { up });
        // A float that hangs below its closing position while the vent passes gas holds the orifice open itself.
        let is_caught_open = is_venting == Some(true) && is_below_closing;
        let (large, small, caught) = match (sag > SAGS, is_caught_open) {
            (true, _) => (open.max(sag), 0.0, 0.0),
            (false, true) => (0.0, 0.0, open),
            (false, false) => (0.0, open, 0.0),
        };
        values.set(Fault::JammedLow, caught.max(values.get(Fault::JammedLow)));
        values.set(Fault::LargeSeatOpen, large);
        values.set(Fault::SmallSeatOpen, small);
    }

    /// How long the chamber has stood below the line, or below its own usual pressure, while the float is up: the large
    /// orifice spills, and most of what it takes is lost in the main itself.
    fn sag(&mut self, frame: &Frame, learned: &Learned, is_possible: bool, context: &Context) -> f32 {
        let usual = if frame.is_pumping() { &learned.running_kpa } else { &learned.stopped_kpa };
        let usual_kpa = if usual.weight >= LEAST_PRESSURE_MIN { usual.mean } else { f32::NAN };
        let share = context.settings.sagging_share;
        let limit_kpa = |reference_kpa: f32| share * (reference_kpa + context.site.p_atm_kpa);
        // Against its own usual value the zero does not matter, against the other channel it does.
        let below_line =
            frame.line_kpa - frame.pressure_kpa > limit_kpa(frame.line_kpa).max(3.0 * learned.zero_uncertainty_kpa);
        let below_usual = usual_kpa - frame.pressure_kpa > limit_kpa(usual_kpa);
        let sags = is_possible
            && context.since_step_s > AFTER_STEP_S
            && frame.state == ValveState::Sealed
            && (below_line || below_usual);
        self.sag_s = if sags { self.sag_s + frame.length_s } else { (self.sag_s - 2.0 * frame.length_s).max(0.0) };
        self.sag_s / SAG_S
    }
}

/// Float position at which the small orifice has closed, %.
fn closes_pct(learned: &Learned, context: &Context) -> f32 {
    if learned.closes_pct.weight >= 5.0 { learned.closes_pct.mean } else { context.site.small.closes_above_pct }
}

fn log_odds(frame: &Frame, is_venting: Option<bool>, learned: &Learned, context: &Context) -> Odds {
    let mut log_odds = 0.0;
    if frame.float_pct > 98.5 && frame.float_pct > closes_pct(learned, context) + 2.0 {
        // Fully seated: a cushion that is lost does that, rag hardly.
        log_odds -= 2.5;
    } else {
        log_odds += 1.5;
    }
    match is_venting {
        Some(true) => log_odds -= 2.5,
        Some(false) => log_odds += 2.5,
        None => {}
    }
    Odds { log_odds }
}
