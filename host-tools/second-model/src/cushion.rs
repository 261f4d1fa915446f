//! One step of body, cushion, riser and float.
//!
//! The gas is one node, the wall around it another; the film between them passes the more heat the denser the gas. All
//! that is stiff (the cushion's pressure, the flow up the riser, what the orifices pass) is solved together, implicitly
//! and linearised about the beginning of the step, so that one law serves for a millisecond and for a second.

use crate::{
    float::{Build, Float},
    gas::{CP_J_KG_K, CV_J_KG_K, GAMMA, GAS_J_KG_K, Gas, STRAIGHT_BELOW_PA},
    pipe::{GRAVITY_M_S2, Source, WATER_KG_M3},
    slosh::{Mode, Surface},
    valve::{ORIFICES, SECOND, SMALL, Valve},
    wear::Condition,
};

/// What changes.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Body {
    /// Dry air, kg; its temperature and the wall's, K; the space it has, m3.
    pub(crate) air_kg: f64,
    pub(crate) gas_k: f64,
    pub(crate) wall_k: f64,
    pub(crate) air_m3: f64,
    /// Flow up the riser, liquid and air together, m3/s, and what of it the main has not yet taken up, each way.
    pub(crate) riser_m3_s: f64,
    pub(crate) fast_m3_s: [f64; 2],
    pub(crate) float: Float,
    pub(crate) surface: Surface,
    /// How far each orifice is lifted, by the float or by debris, 0 to 1.
    pub(crate) lift: [f64; ORIFICES],
}

/// What does not change.
#[derive(Clone, Debug)]
pub(crate) struct Frame {
    pub(crate) valve: Valve,
    pub(crate) build: Build,
    pub(crate) mode: Mode,
    pub(crate) riser_m: f64,
    pub(crate) riser_m2: f64,
    pub(crate) riser_loss: f64,
    /// Pressure a flow that the main takes up both ways, Pa s/m3, and how fast reflections relieve each way, s.
    pub(crate) impedance: f64,
    pub(crate) relief_s: [f64; 2],
    pub(crate) vapour_pa: f64,
    pub(crate) liquid_k: f64,
    /// Film at the density and the space that the heat's time constant is given for, W/K; one over those.
    pub(crate) film_w_k: f64,
    pub(crate) films_m3_kg: f64,
    pub(crate) films_1_m3: f64,
    /// Heat capacity of the wall around a cubic metre of air, J/(m3 K).
    pub(crate) wall_j_m3_k: f64,
    /// One over the volume of the stroke.
    pub(crate) strokes_1_m3: f64,
}

/// What acts on the body over a step.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Drive<'a> {
    pub(crate) source: Source,
    pub(crate) arrival_kg_s: f64,
    pub(crate) condition: &'a Condition,
    /// Share of riser and isolating valve that is free.
    pub(crate) riser_open: f64,
    pub(crate) outside: Gas,
    pub(crate) is_open: [bool; ORIFICES],
}

/// What a step did.
#[derive(Clone, Copy, Debug, Default)]
pub(crate) struct Passed {
    /// Dry air out of each orifice (in, where negative), kg.
    pub(crate) out_kg: [f64; ORIFICES],
    pub(crate) liquid_m3: f64,
    /// Chamber and line after it, Pa gauge.
    pub(crate) chamber_pa: f64,
    pub(crate) line_pa: f64,
    /// How coarse the step was: 1 is as coarse as it should be.
    pub(crate) coarseness: f64,
}

/// Time in which a seat lifts or drops fully, s.
const LIFT_S: f64 = 0.03;
/// Heat capacity of the wall that takes part, over that of the gas at working pressure, and how fast it follows its
/// surroundings, s.
pub(crate) const WALL_CAPACITY: f64 = 25.0;
const WALL_SETTLES_S: f64 = 600.0;
/// Liquid begins to reach the orifices when so much of the seal volume is left to the air, and covers them at this.
pub(crate) const WETS_FROM: f64 = 0.08;
const WET_AT: f64 = 0.02;
/// Steps are as coarse as they should be at these changes: pressure of itself, liquid and float of the stroke, air space
/// of itself in the pipe and as a bubble under the cover, lift.
const PRESSURE_STEP: f64 = 0.006;
const STROKE_STEP: f64 = 0.004;
const PIPE_STEP: f64 = 0.02;
const BUBBLE_STEP: f64 = 0.05;
const LIFT_STEP: f64 = 0.2;
/// Below this part of a coarse step nothing is worth a longer step, so it is not worked out.
const FINE: f64 = 0.01;

/// The orifices together, linearised about the beginning of a step.
#[derive(Clone, Copy, Debug, Default)]
struct Orifices {
    /// Dry air out at the beginning, kg/s; its rise with pressure, kg/(s Pa), and with the air's space, kg/(s m3).
    kg_s: [f64; ORIFICES],
    per_pa: [f64; ORIFICES],
    per_m3: [f64; ORIFICES],
    /// Liquid out if all was wet, m3/s, and its rise with pressure; how wet it is, and how fast that falls with the
    /// air's space, 1/m3.
    liquid_m3_s: f64,
    liquid_per_pa: f64,
    wet: f64,
    dries_1_m3: f64,
}

impl Frame {
    pub(crate) fn chamber_pa_abs(&self, body: &Body) -> f64 {
        body.air_kg * GAS_J_KG_K * body.gas_k / body.air_m3 + self.vapour_pa
    }

    pub(crate) fn chamber_pa_gauge(&self, body: &Body) -> f64 {
        self.chamber_pa_abs(body) - self.valve.atmosphere_pa
    }

    /// Liquid over the foot of the riser, m, and the share of the riser that is full.
    pub(crate) fn head_m(&self, air_m3: f64) -> (f64, f64) {
        let level = self.valve.level(air_m3);
        if level >= 0.0 {
            return (self.riser_m + level * self.build.stroke_m, 1.0);
        }
        let full = (1.0 - (air_m3 - self.valve.body_m3()) / (self.riser_m2 * self.riser_m)).max(0.0);
        (self.riser_m * full, full)
    }

    /// Film between gas and wall at a density, W/K.
    fn film_w_k(&self, body: &Body, density_kg_m3: f64) -> f64 {
        let area = 0.3 + 0.7 * body.air_m3 * self.films_1_m3;
        self.film_w_k * area * libm::sqrt(density_kg_m3 * self.films_m3_kg)
    }

    /// Dry air that goes out through shut release seats now, kg/s.
    pub(crate) fn leak_kg_s(&self, body: &Body, drive: &Drive<'_>) -> f64 {
        let condition = drive.condition;
        let leaks = |orifice: usize| condition.leak[orifice] > 0.0 && body.lift[orifice] == 0.0;
        if !leaks(SMALL) && !leaks(SECOND) {
            return 0.0;
        }
        let flows = self.orifices(body, drive, self.chamber_pa_abs(body));
        let of = |orifice: usize| if leaks(orifice) { flows.kg_s[orifice].max(0.0) } else { 0.0 };
        of(SMALL) + of(SECOND)
    }

    fn orifices(&self, body: &Body, drive: &Drive<'_>, chamber_pa: f64) -> Orifices {
        let mut all = Orifices::default();
        let condition = drive.condition;
        let mut chamber = None;
        for (orifice, seat) in self.valve.seats.iter().enumerate() {
            let Some(seat) = seat else { continue };
            let share = body.lift[orifice] * condition.passable[orifice] + condition.leak[orifice];
            if share <= 0.0 {
                continue;
            }
            if chamber.is_none() {
                chamber = Some(Gas { pa: chamber_pa, k: body.gas_k, vapour_pa: self.vapour_pa });
                let (wets, wet) = (WETS_FROM * self.valve.seal_m3, WET_AT * self.valve.seal_m3);
                all.wet = ((wets - body.air_m3) / (wets - wet)).clamp(0.0, 1.0);
                let is_on_the_way = body.air_m3 < wets && body.air_m3 > wet;
                all.dries_1_m3 = if is_on_the_way { 1.0 / (wets - wet) } else { 0.0 };
            }
            let Some(chamber) = chamber else { continue };
            let flow = seat.passage.outflow(chamber, drive.outside);
            let above_pa = chamber_pa - drive.outside.pa;
            // Liquid hinders air on its way out only.
            let (free, dries) = if above_pa > 0.0 { (1.0 - all.wet, all.dries_1_m3) } else { (1.0, 0.0) };
            all.kg_s[orifice] = share * free * flow.kg_s;
            all.per_pa[orifice] = share * free * flow.slope_kg_s_pa;
            all.per_m3[orifice] = share * dries * flow.kg_s;
            if above_pa > 0.0 && all.wet + all.dries_1_m3 > 0.0 {
                let pushing_pa = above_pa.max(STRAIGHT_BELOW_PA);
                let liquid_m3_s = share * seat.passage.liquid_area_m2() * libm::sqrt(2.0 * pushing_pa / WATER_KG_M3);
                let is_straight = above_pa < STRAIGHT_BELOW_PA;
                all.liquid_m3_s += if is_straight { liquid_m3_s * above_pa / pushing_pa } else { liquid_m3_s };
                all.liquid_per_pa += if is_straight { liquid_m3_s } else { 0.5 * liquid_m3_s } / pushing_pa;
            }
        }
        all
    }

    /// Lets `dt_s` go by.
    pub(crate) fn step(&self, body: &Body, drive: &Drive<'_>, dt_s: f64) -> (Body, Passed) {
        let per_m3 = 1.0 / body.air_m3;
        let per_kg = 1.0 / body.air_kg;
        let per_k = 1.0 / body.gas_k;
        let dry_pa = body.air_kg * GAS_J_KG_K * body.gas_k * per_m3;
        let before_pa = dry_pa + self.vapour_pa;
        let film = self.film_w_k(body, body.air_kg * per_m3);
        let film_steps = film * dt_s * per_kg * (1.0 / CV_J_KG_K);
        let adiabatic = 1.0 / (1.0 + film_steps);
        let stiffening = 1.0 + (GAMMA - 1.0) * adiabatic;
        let orifices = self.orifices(body, drive, before_pa);
        let (sum_kg_s, sum_per_pa, sum_per_m3) = (sum(&orifices.kg_s), sum(&orifices.per_pa), sum(&orifices.per_m3));

        // Air that comes up changes places with liquid in the riser: the main does not see it.
        let arriving_m3_s = drive.arrival_kg_s * GAS_J_KG_K * self.liquid_k / dry_pa;
        // Air space: more by `space = gain (gaining - q)`; pressure: `rise = free + per_space * space`.
        let steps = dt_s * per_kg;
        let incoming = 1.0 + adiabatic * (GAMMA * self.liquid_k * per_k - 1.0);
        let softened = dry_pa / (1.0 + dry_pa * stiffening * sum_per_pa * steps);
        let warmed = adiabatic * film_steps * (body.wall_k * per_k - 1.0);
        let free_pa = softened * (drive.arrival_kg_s * steps * incoming - stiffening * sum_kg_s * steps + warmed);
        let per_space = -softened * stiffening * (per_m3 + sum_per_m3 * steps);

        let above_pa = before_pa - self.valve.atmosphere_pa;
        let liquid_per_m3 = orifices.liquid_m3_s * orifices.dries_1_m3;
        let liquid_per_pa = orifices.liquid_per_pa * orifices.wet;
        let gain = dt_s / (1.0 + dt_s * (liquid_per_m3 - liquid_per_pa * per_space));
        let gaining_m3_s = orifices.liquid_m3_s * orifices.wet + liquid_per_pa * free_pa + arriving_m3_s;
        let at_rest_pa = above_pa + free_pa + per_space * gain * gaining_m3_s;
        let (riser_m3_s, fast_m3_s) = self.riser(body, drive, at_rest_pa, -per_space * gain, dt_s);

        let space_m3 = gain * (gaining_m3_s - riser_m3_s);
        let rise_pa = free_pa + per_space * space_m3;
        let mut after = *body;
        let mut passed = Passed::default();
        for (orifice, out_kg) in passed.out_kg.iter_mut().enumerate() {
            let kg_s =
                orifices.kg_s[orifice] + orifices.per_pa[orifice] * rise_pa + orifices.per_m3[orifice] * space_m3;
            *out_kg = dt_s * kg_s;
        }
        let arrived_kg = dt_s * drive.arrival_kg_s;
        leave_some(&mut passed.out_kg, body.air_kg + arrived_kg);
        after.air_kg = body.air_kg + arrived_kg - sum(&passed.out_kg);
        after.air_m3 = (body.air_m3 + space_m3).max(0.2 * WET_AT * self.valve.seal_m3);
        after.gas_k = self.gas_k(body, &passed.out_kg, arrived_kg, drive.outside.k, dry_pa * space_m3, film_steps);
        after.wall_k = self.wall_k(body, after.gas_k, film, drive.outside.k, dt_s);
        after.riser_m3_s = riser_m3_s;
        after.fast_m3_s = fast_m3_s;
        let liquid_m3_s = orifices.liquid_m3_s * orifices.wet + liquid_per_pa * rise_pa - liquid_per_m3 * space_m3;
        passed.liquid_m3 = dt_s * liquid_m3_s.max(0.0);

        after.surface.step(&self.mode, dt_s, riser_m3_s - body.riser_m3_s);
        let level = self.valve.level(after.air_m3);
        // Below the body the liquid does not reach the float.
        let rise_1_s = if level > 0.0 { (level - self.valve.level(body.air_m3)) / dt_s } else { 0.0 };
        after.float.step(self.build, &drive.condition.guide, level + after.surface.height, rise_1_s, dt_s);
        for (orifice, lift) in after.lift.iter_mut().enumerate() {
            let target = if drive.is_open[orifice] { 1.0 } else { drive.condition.held_open[orifice] };
            *lift += (target - *lift).clamp(-dt_s / LIFT_S, dt_s / LIFT_S);
        }
        passed.chamber_pa = self.chamber_pa_gauge(&after);
        passed.line_pa = self.line_pa(&after, drive, passed.chamber_pa);
        passed.coarseness = self.coarseness(body, &after, (passed.chamber_pa - above_pa) / before_pa);
        (after, passed)
    }

    /// Flow up the riser after the step, where the chamber's pressure is `at_rest_pa + per_flow * flow`.
    fn riser(&self, body: &Body, drive: &Drive<'_>, at_rest_pa: f64, per_flow: f64, dt_s: f64) -> (f64, [f64; 2]) {
        let open = drive.riser_open;
        let before = body.riser_m3_s;
        let keep = [1.0 / (1.0 + dt_s / self.relief_s[0]), 1.0 / (1.0 + dt_s / self.relief_s[1])];
        let fast = |after: f64| {
            [keep[0] * (body.fast_m3_s[0] + after - before), keep[1] * (body.fast_m3_s[1] + after - before)]
        };
        if drive.source.is_still || open < 1e-3 {
            return (0.0, fast(0.0));
        }
        let (head_m, full) = self.head_m(body.air_m3);
        let inertia_a_step = WATER_KG_M3 * head_m.max(0.02) / (self.riser_m2 * dt_s);
        let density =
            if full == 1.0 { WATER_KG_M3 } else { WATER_KG_M3 * full + (1.0 - full) * body.air_kg / body.air_m3 };
        let area = self.riser_m2 * open;
        let loss = 0.5 * self.riser_loss * density / (area * area) + drive.source.resistance;
        let half = 0.5 * self.impedance;
        let remembered = half * (keep[0] * (body.fast_m3_s[0] - before) + keep[1] * (body.fast_m3_s[1] - before));
        let push = drive.source.pa - WATER_KG_M3 * GRAVITY_M_S2 * head_m - at_rest_pa - remembered;
        let after = (inertia_a_step * before + push + loss * before * before.abs())
            / (inertia_a_step + half * (keep[0] + keep[1]) + 2.0 * loss * before.abs() + per_flow);
        (after, fast(after))
    }

    fn gas_k(
        &self,
        body: &Body,
        out_kg: &[f64; ORIFICES],
        arrived_kg: f64,
        outside_k: f64,
        work_j: f64,
        film: f64,
    ) -> f64 {
        let heat = body.air_kg * CV_J_KG_K;
        let mut flows_j = arrived_kg * (CP_J_KG_K * self.liquid_k - CV_J_KG_K * body.gas_k);
        for kg in out_kg {
            flows_j -= if *kg > 0.0 {
                kg * GAS_J_KG_K * body.gas_k
            } else {
                kg * (CP_J_KG_K * outside_k - CV_J_KG_K * body.gas_k)
            };
        }
        ((body.gas_k + film * body.wall_k + (flows_j - work_j) / heat) / (1.0 + film)).clamp(120.0, 700.0)
    }

    fn wall_k(&self, body: &Body, gas_k: f64, film: f64, outside_k: f64, dt_s: f64) -> f64 {
        let capacity = self.wall_j_m3_k * body.air_m3.max(self.valve.seal_m3);
        let surroundings_k = 0.7 * self.liquid_k + 0.3 * outside_k;
        let (gas, outer) = (dt_s * film / capacity, dt_s * (1.0 / WALL_SETTLES_S));
        (body.wall_k + gas * gas_k + outer * surroundings_k) / (1.0 + gas + outer)
    }

    /// Pressure in the pipe below the isolating valve, Pa gauge.
    fn line_pa(&self, after: &Body, drive: &Drive<'_>, chamber_pa: f64) -> f64 {
        let source = &drive.source;
        if source.is_still {
            let (head_m, _) = self.head_m(after.air_m3);
            return if drive.riser_open > 0.0 { chamber_pa + WATER_KG_M3 * GRAVITY_M_S2 * head_m } else { 0.0 };
        }
        let flow = after.riser_m3_s;
        source.pa
            - 0.5 * self.impedance * (after.fast_m3_s[0] + after.fast_m3_s[1])
            - source.resistance * flow * flow.abs()
    }

    fn coarseness(&self, before: &Body, after: &Body, rise: f64) -> f64 {
        let space = (after.air_m3 - before.air_m3).abs();
        let space = if before.air_m3 > 1.2 * self.valve.body_m3() {
            space / (PIPE_STEP * before.air_m3)
        } else if space > FINE * BUBBLE_STEP * before.air_m3 {
            (space * self.strokes_1_m3 * (1.0 / STROKE_STEP)).max(space / (BUBBLE_STEP * before.air_m3))
        } else {
            space * self.strokes_1_m3 * (1.0 / STROKE_STEP)
        };
        let float = (after.float.position - before.float.position).abs() * (1.0 / STROKE_STEP);
        let lift = |i: usize| (after.lift[i] - before.lift[i]).abs() * (1.0 / LIFT_STEP);
        (rise.abs() * (1.0 / PRESSURE_STEP)).max(space).max(float).max(lift(0)).max(lift(1)).max(lift(2))
    }
}

fn sum(all: &[f64; ORIFICES]) -> f64 {
    all[0] + all[1] + all[2]
}

/// No step lets out more than most of the air there is.
fn leave_some(out_kg: &mut [f64; ORIFICES], there_kg: f64) {
    const MOST: f64 = 0.7;
    let out = sum(out_kg);
    if out > MOST * there_kg {
        out_kg.iter_mut().for_each(|kg| *kg *= MOST * there_kg / out);
    }
}
