//! The plant at one moment: for looking at, and for rules on the truth; not for a detector.

use crate::{
    cushion::WETS_FROM,
    float::after_rest,
    gas::NORMAL_LITRE_KG,
    plant::Plant,
    sensing::Sensing,
    valve::{SECOND, SMALL},
};

/// How long a float rests between two of its movements, for [`Glimpse::grease_pct`], s.
const USUAL_REST_S: f64 = 300.0;

/// The plant at one moment.
#[derive(Clone, Copy, Debug, PartialEq)]
#[allow(missing_docs)] // the names carry the units
pub struct Glimpse {
    /// After the start.
    pub now_s: f64,
    pub float_pct: f64,
    /// Of the liquid: below 0 in the pipe, above 100 into the seal volume.
    pub level_pct: f64,
    /// How far the liquid stands over the waterline of the float at its place.
    pub liquid_offset_pct: f64,
    /// Static friction of the float at present, % of stroke; infinite when jammed.
    pub friction_pct: f64,
    /// What grease makes the liquid go before a float follows that has rested for five minutes, % of stroke.
    pub grease_pct: f64,
    /// How much deeper the float sits than a clean one, % of stroke.
    pub sunk_pct: f64,
    /// The float is jammed.
    pub is_float_held: bool,
    pub chamber_kpa: f64,
    pub line_kpa: f64,
    /// What the chamber would have if nothing flowed up the riser.
    pub main_kpa: f64,
    pub odour_ppm: f64,
    pub air_c: f64,
    /// Of the cushion.
    pub gas_c: f64,
    pub air_l: f64,
    /// Up the riser.
    pub riser_l_s: f64,
    pub held_nl: f64,
    /// Since the start.
    pub arrived_nl: f64,
    /// Free area of the small orifice over that of the clean one.
    pub small_area_ratio: f64,
    /// The same of the more clogged release orifice.
    pub free_share: f64,
    /// What the small orifice lets through when it is shut, share of its area.
    pub small_leak_share: f64,
    /// Air through shut release seats.
    pub leak_nl_s: f64,
    /// The liquid reaches the orifices: there is no cushion over it.
    pub is_cushion_lost: bool,
    /// A release orifice stands open and air goes out through it; a leak is none.
    pub is_releasing: bool,
    /// The float has a release orifice open, blocked or not.
    pub has_release_open: bool,
    pub is_pumping: bool,
    /// How far the zero of a transmitter that drifts has gone, either way, % of span.
    pub drifted_pct: f64,
    /// What the odour cell still answers of what is there, 0 to 1.
    pub cell_gain: f64,
}

impl Glimpse {
    pub(crate) fn of(plant: &Plant, sensing: &Sensing) -> Glimpse {
        let (body, condition) = (&plant.body, &plant.wear.condition);
        let level = plant.frame.valve.level(body.air_m3);
        let is_float_held = body.float.jammed_at.is_some();
        let friction = if is_float_held { f64::INFINITY } else { body.float.static_friction(&condition.guide) };
        let releases = |orifice: usize| body.lift[orifice] > 0.0 && plant.last.out_kg[orifice] > 0.0;
        Glimpse {
            now_s: plant.t_s,
            float_pct: 100.0 * body.float.position,
            level_pct: 100.0 * level,
            liquid_offset_pct: 100.0 * (level + body.surface.height - body.float.position),
            friction_pct: 100.0 * friction,
            grease_pct: 100.0 * condition.guide.grease * after_rest(USUAL_REST_S),
            sunk_pct: 100.0 * condition.guide.heavy,
            is_float_held,
            chamber_kpa: 1e-3 * plant.last.chamber_pa,
            line_kpa: 1e-3 * plant.last.line_pa,
            main_kpa: 1e-3 * plant.still_pa(),
            odour_ppm: plant.vault.near_ppm,
            air_c: plant.vault.air_c,
            gas_c: body.gas_k - 273.15,
            air_l: 1e3 * body.air_m3,
            riser_l_s: 1e3 * body.riser_m3_s,
            held_nl: plant.held_kg() / NORMAL_LITRE_KG,
            arrived_nl: plant.arrived_nl(),
            small_area_ratio: condition.passable[SMALL],
            free_share: condition.passable[SMALL].min(condition.passable[SECOND]),
            small_leak_share: condition.leak[SMALL],
            leak_nl_s: plant.leak_kg_s() / NORMAL_LITRE_KG,
            is_cushion_lost: body.air_m3 < WETS_FROM * plant.frame.valve.seal_m3,
            is_releasing: releases(SMALL) || releases(SECOND),
            has_release_open: plant.is_open[SMALL] || plant.is_open[SECOND],
            is_pumping: plant.station.is_running,
            drifted_pct: sensing.drifted_pct(plant.t_s),
            cell_gain: sensing.cell_gain(plant.t_s),
        }
    }
}
