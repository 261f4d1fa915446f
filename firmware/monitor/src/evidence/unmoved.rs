//! How far a float that has not moved lies from where the liquid would have taken a free one.
//!
//! The air of a closed cushion is known from where the float stood when it last moved, and grows with what arrives; what
//! the pressure makes of it says where the float belongs. Friction explains a few per cent of stroke; beyond that it is
//! held, whatever the pumps do.

use super::{Context, SEATED_PCT};
use crate::{airflow::normal_litres, frame::Frame, learned::Learned, release::BLIND_BELOW_PCT, state::ValveState};

/// The seal volume may be so many times what the data sheet says, and the air come so much slower for a while.
const SEAL_MARGIN: f32 = 1.3;
/// Sealed time in a state of the pump before its arrival is known well enough to expect movement, min.
const LEAST_ARRIVAL_MIN: f32 = 30.0;
/// After a pressure step the gas takes this long to come near the temperature of the wall again, s.
const AFTER_STEP_S: f32 = 30.0;

/// How often it is held against where it belongs, s.
const EVERY_S: f32 = 5.0;
/// A rest shorter than this says nothing about friction, s.
const LEAST_REST_S: f32 = 20.0;
/// Arriving air alone is an expectation: a pressure that should have moved the float by this much is a test, % of stroke.
const LEAST_TEST_PCT: f32 = 2.5;
/// What an expectation that was not tested counts at the most, % of stroke: what grease may hold.
const UNTESTED_PCT: f32 = 8.0;

/// The float since it last moved.
#[derive(Clone, Debug, Default)]
pub(super) struct Unmoved {
    since: Option<Rest>,
    /// How far it should have moved since, at the most, % of stroke; and what of it counts while no pressure has tested it.
    most_pct: f32,
    counted_pct: f32,
}

#[derive(Clone, Copy, Debug)]
struct Rest {
    float_pct: f32,
    /// Air of the cushion then, and what has arrived since, NL.
    air_nl: f32,
    /// Air space in which it does not move the float yet, L.
    hidden_l: f32,
    /// Least and greatest pressure since, kPa.
    low_kpa_abs: f32,
    high_kpa_abs: f32,
    for_s: f32,
    /// Since it was last held against where it belongs, s.
    since_s: f32,
}

impl Unmoved {
    /// What has happened meanwhile is not known.
    pub(super) fn after_gap(&mut self) {
        self.since = None;
        self.most_pct = 0.0;
        self.counted_pct = 0.0;
    }

    /// How far it should have moved by now, % of stroke.
    pub(super) fn held_pct(&self) -> f32 {
        self.counted_pct
    }

    /// Takes a frame; when the float has moved at last, how far it stood off before, % of stroke, and how long, s.
    pub(super) fn frame(
        &mut self,
        frame: &Frame,
        is_pumping: bool,
        learned: &Learned,
        context: &Context,
    ) -> Option<[f32; 2]> {
        let is_closed = matches!(frame.state, ValveState::Sealed | ValveState::Releasing);
        // Below the opening position air leaves, or should: that is another matter.
        let is_low = frame.float_pct < context.surely_open_below_pct;
        if !is_closed || is_low || frame.pressure_kpa < context.site.reopen_kpa {
            self.after_gap();
            return None;
        }
        let has_moved = |rest: Rest| libm::fabsf(frame.float_pct - rest.float_pct) > context.settings.still_pct;
        let Some(mut rest) = self.since.filter(|rest| !has_moved(*rest)) else {
            let stick = self.since.filter(|rest| rest.for_s > LEAST_REST_S && rest.float_pct < SEATED_PCT);
            let off_pct = core::mem::take(&mut self.most_pct);
            self.counted_pct = 0.0;
            self.since = Some(Rest::at(frame, context));
            return stick.map(|rest| [off_pct, rest.for_s]);
        };
        rest.for_s += frame.length_s;
        rest.air_nl += arrival_nl_s(is_pumping, learned) * frame.length_s;
        rest.since_s += frame.length_s;
        // Seldom enough that it costs little, often enough for what follows the pumps.
        if rest.since_s >= EVERY_S && context.since_step_s > AFTER_STEP_S {
            rest.since_s = 0.0;
            let kpa_abs = frame.pressure_kpa + context.site.p_atm_kpa;
            rest.low_kpa_abs = rest.low_kpa_abs.min(kpa_abs);
            rest.high_kpa_abs = rest.high_kpa_abs.max(kpa_abs);
            let off_pct = libm::fabsf(frame.float_pct - rest.expected_pct(frame, context));
            self.most_pct = self.most_pct.max(off_pct);
            let is_tested = rest.tested_pct(context) >= LEAST_TEST_PCT;
            self.counted_pct = if is_tested { self.most_pct } else { self.most_pct.min(UNTESTED_PCT) };
        }
        self.since = Some(rest);
        None
    }
}

impl Rest {
    /// A float at its seat may have the liquid above it: how much air there is then is not known, none at the least.
    fn at(frame: &Frame, context: &Context) -> Rest {
        let site = context.site;
        let is_seated = frame.float_pct >= SEATED_PCT;
        let pressure_kpa_abs = frame.pressure_kpa + site.p_atm_kpa;
        let space_l = site.air_space_l(frame.float_pct);
        let air_nl = if is_seated { 0.0 } else { normal_litres(pressure_kpa_abs, space_l, context.temperature_k) };
        let hidden_l = if is_seated { SEAL_MARGIN * site.seal_volume_l } else { site.seal_volume_l };
        Rest {
            float_pct: frame.float_pct,
            air_nl,
            hidden_l,
            low_kpa_abs: pressure_kpa_abs,
            high_kpa_abs: pressure_kpa_abs,
            for_s: 0.0,
            since_s: 0.0,
        }
    }

    /// By how much the changes of pressure alone should have moved it, % of stroke.
    fn tested_pct(&self, context: &Context) -> f32 {
        let litre_nl = |kpa_abs: f32| normal_litres(kpa_abs.max(1.0), 1.0, context.temperature_k).max(1e-6);
        let change_l = self.air_nl / litre_nl(self.low_kpa_abs) - self.air_nl / litre_nl(self.high_kpa_abs);
        100.0 * change_l / context.site.stroke_volume_l
    }

    /// Where a free float would stand by now, % of stroke; at the bottom and at the seat it ends.
    fn expected_pct(self, frame: &Frame, context: &Context) -> f32 {
        let site = context.site;
        let pressure_kpa_abs = (frame.pressure_kpa + site.p_atm_kpa).max(1.0);
        let litre_nl = normal_litres(pressure_kpa_abs, 1.0, context.temperature_k);
        let shown_l = self.air_nl / litre_nl.max(1e-6) - self.hidden_l;
        let expected_pct = 100.0 - 100.0 * shown_l / site.stroke_volume_l;
        // At its seat it stands where it is seen to stand.
        let most_pct = self.float_pct.max(SEATED_PCT);
        if expected_pct > most_pct { most_pct } else { expected_pct.max(BLIND_BELOW_PCT) }
    }
}

/// Air that arrives at the least, NL/s: the slower of usual and recent, since days and nights differ; none before it is
/// known.
fn arrival_nl_s(is_pumping: bool, learned: &Learned) -> f32 {
    let arrival = if is_pumping { &learned.arrival_running_nl_s } else { &learned.arrival_stopped_nl_s };
    if arrival.weight < LEAST_ARRIVAL_MIN { 0.0 } else { arrival.mean.min(arrival.recent).max(0.0) }
}
