//! Air, liquid and flows in the valve body, one implicit step at a time.
//!
//! One step solves pressure, air volume, air mass and riser flow together (backward Euler), so that it is stable from a
//! millisecond to a second and goes over into the algebraic balance `p V = m R T` by itself when little moves.
//!
//! Glossary: *junction*, where the riser leaves the main; *level*, of the liquid, 0 at the bottom of the float's stroke
//! and 1 at its top: below 0 there is a pocket in the pipe, well above 1 the cushion is lost.

use crate::{
    air::{GAS_CONSTANT_J_KG_K, NORMAL_LITRE_KG, WATER_KG_M3},
    float::Float,
    seat::Seat,
};

/// gamma - 1 of air.
const EXPANSION: f64 = 0.4;
/// Below this difference of pressure an orifice is taken as a linear resistance, Pa.
const LINEAR_BELOW_PA: f64 = 5.0;
/// Least air that is carried, kg: keeps the state defined when the cushion is lost.
const LEAST_AIR_KG: f64 = 1e-9;
/// Below this mass the air has the temperature of the wall, kg.
const NO_HEAT_BELOW_KG: f64 = 1e-5;

/// Positions of the seats in [`Body::seats`].
pub(crate) const SMALL: usize = 0;
pub(crate) const SECOND: usize = 1;
pub(crate) const LARGE: usize = 2;

/// What the main and the vault do to the body in one step.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Feed {
    /// Pressure of the main far from the valve, Pa absolute.
    pub(crate) source_pa: f64,
    /// Resistance of the main to a fast change of flow, Pa s/m3.
    pub(crate) impedance: f64,
    /// Share of a change of flow that reflections take up in this step.
    pub(crate) taken_up: f64,
    /// Lasting resistance of the main, Pa s/m3.
    pub(crate) resistance: f64,
    /// Free share of riser and isolating valve.
    pub(crate) opening: f64,
    /// Air that arrives in this step, kg.
    pub(crate) arrival_kg: f64,
    /// Temperature of the wall and of the air that arrives, K.
    pub(crate) wall_k: f64,
    /// Share of the way to the wall's temperature in this step.
    pub(crate) heat_share: f64,
}

#[derive(Clone, Debug)]
pub(crate) struct Body {
    /// Air space with the float fully up, and what the stroke adds, m3.
    pub(crate) seal_m3: f64,
    pub(crate) stroke_m3: f64,
    /// Of the riser: inertia, Pa s2/m3; loss, Pa s2/m6; volume, m3.
    pub(crate) inertia: f64,
    pub(crate) loss: f64,
    pub(crate) riser_m3: f64,
    pub(crate) p_atm_pa: f64,
    pub(crate) vault_k: f64,
    pub(crate) float: Float,
    pub(crate) seats: [Seat; 3],
    pub(crate) air_kg: f64,
    pub(crate) air_k: f64,
    pub(crate) air_m3: f64,
    pub(crate) pressure_pa: f64,
    pub(crate) junction_pa: f64,
    /// Flow up the riser, and the part of it that the main has taken up, m3/s.
    pub(crate) riser_m3_s: f64,
    pub(crate) settled_m3_s: f64,
    pub(crate) level: f64,
    /// Speed of the level, strokes a second.
    pub(crate) level_rate: f64,
    /// Liquid that has left through open seats, m3.
    pub(crate) spilled_m3: f64,
    /// Share of an open seat that stands in air.
    pub(crate) air_share: f64,
    /// Whether any seat is open, to either side.
    pub(crate) has_open_seat: bool,
}

/// How foul the release seats are now.
pub(crate) struct SeatFouling {
    pub(crate) is_releasing: bool,
    /// Of the more clogged one.
    pub(crate) free_share: f64,
    /// Air through shut ones.
    pub(crate) leak_nl_s: f64,
}

/// Conductances of the open seats, linearised about the pressure now.
struct Openings {
    /// Of each seat to air, kg/(s Pa).
    air: [f64; 3],
    air_sum: f64,
    /// To liquid, m3/(s Pa).
    liquid: f64,
}

impl Body {
    /// Puts the body at rest at a pressure with so much air space.
    pub(crate) fn settle(&mut self, pressure_pa: f64, air_m3: f64, air_k: f64) {
        self.pressure_pa = pressure_pa;
        self.junction_pa = pressure_pa;
        self.air_m3 = air_m3;
        self.air_k = air_k;
        self.air_kg = pressure_pa * air_m3 / (GAS_CONSTANT_J_KG_K * air_k);
        self.level = self.level_at(air_m3);
        self.float.position = self.level.clamp(0.0, 1.0);
        self.work_seats();
    }

    fn level_at(&self, air_m3: f64) -> f64 {
        1.0 - (air_m3 - self.seal_m3) / self.stroke_m3
    }

    /// Air space below which an open seat begins to take liquid, m3.
    pub(crate) fn mixing_m3(&self) -> f64 {
        0.03 * self.seal_m3
    }

    pub(crate) fn gauge_pa(&self) -> f64 {
        self.pressure_pa - self.p_atm_pa
    }

    /// Whether the liquid stands below the body, in the pipe.
    pub(crate) fn is_pocket(&self) -> bool {
        self.level < -0.02
    }

    pub(crate) fn is_cushion_lost(&self) -> bool {
        self.air_m3 < self.mixing_m3()
    }

    /// One step; says whether a seat has switched.
    #[inline]
    pub(crate) fn step(&mut self, dt: f64, feed: &Feed) -> bool {
        let openings = self.openings();
        let gas = GAS_CONSTANT_J_KG_K * self.air_k;
        // Riser: Q = alpha - beta p, backward Euler of I dQ/dt = p_source - Z (Q - Qs) - R Q - K |Q| Q - p.
        let (alpha, beta) = self.riser(dt, feed);
        // Air space after the step: V = c + d p.
        let c = self.air_m3 - dt * (alpha + openings.liquid * self.p_atm_pa);
        let d = dt * (beta + openings.liquid);
        let with_arrival = self.air_kg + feed.arrival_kg;
        let is_mixed = self.air_share < 1.0 && self.pressure_pa > self.p_atm_pa;
        let (pressure_pa, volume_m3, left_kg) = if is_mixed && openings.air_sum > 0.0 {
            // Air leaves in proportion to what is left of it: implicit in the mass, which may be next to nothing.
            let dp = self.pressure_pa - self.p_atm_pa;
            let rate = openings.air_sum * dp * gas / (self.pressure_pa * self.mixing_m3());
            let left_kg = (with_arrival / (1.0 + dt * rate)).max(LEAST_AIR_KG);
            let (p, v) = self.balance(c, d, gas, left_kg, 0.0);
            (p, v, left_kg)
        } else {
            let inflow = dt * openings.air_sum;
            let most_kg = with_arrival + inflow * self.p_atm_pa;
            let (p, v) = self.balance(c, d, gas, most_kg, inflow);
            (p, v, (most_kg - inflow * p).max(LEAST_AIR_KG))
        };
        let outflow_kg = with_arrival - left_kg;
        self.count(&openings, outflow_kg);
        self.exchange_heat(feed, volume_m3, outflow_kg);
        self.spilled_m3 += dt * openings.liquid * (pressure_pa - self.p_atm_pa).max(0.0);
        self.air_kg = left_kg;
        self.air_m3 = volume_m3;
        self.pressure_pa = pressure_pa;
        self.riser_m3_s = alpha - beta * pressure_pa;
        self.settled_m3_s += feed.taken_up * (self.riser_m3_s - self.settled_m3_s);
        self.junction_pa =
            feed.source_pa - feed.impedance * (self.riser_m3_s - self.settled_m3_s) - feed.resistance * self.riser_m3_s;
        let level = self.level_at(volume_m3);
        self.level_rate = (level - self.level) / dt;
        self.level = level;
        let small = &self.seats[SMALL];
        let (opens_below, closes_above) = (small.opens_below, small.closes_above);
        self.float.follow(level, dt, opens_below, closes_above);
        self.work_seats()
    }

    /// Lets the float work the seats; says whether one has switched.
    pub(crate) fn work_seats(&mut self) -> bool {
        let gauge_pa = self.gauge_pa();
        let position = self.float.position;
        self.air_share = (self.air_m3 / self.mixing_m3()).min(1.0);
        let mut has_switched = false;
        self.has_open_seat = false;
        for seat in &mut self.seats {
            has_switched |= seat.work(position, gauge_pa);
            self.has_open_seat |= seat.share() > 0.0;
        }
        has_switched
    }

    #[inline]
    fn openings(&self) -> Openings {
        let mut openings = Openings { air: [0.0; 3], air_sum: 0.0, liquid: 0.0 };
        if !self.has_open_seat {
            return openings;
        }
        let dp = self.pressure_pa - self.p_atm_pa;
        let size = dp.abs().max(LINEAR_BELOW_PA);
        for (seat, conductance) in self.seats.iter().zip(&mut openings.air) {
            let share = seat.share();
            if share <= 0.0 {
                continue;
            }
            let flow = if dp >= 0.0 {
                let upstream = self.p_atm_pa + size;
                seat.passage.mass_flow_kg_s(upstream, self.p_atm_pa, self.air_k, false)
            } else {
                let downstream = self.p_atm_pa - size;
                seat.passage.mass_flow_kg_s(self.p_atm_pa, downstream, self.vault_k, true)
            };
            *conductance = share * seat.dry_share * flow / size;
            openings.air_sum += *conductance;
            if dp > 0.0 && self.air_share < 1.0 {
                openings.liquid +=
                    (1.0 - self.air_share) * share * seat.passage.liquid_m2() * (2.0 / (WATER_KG_M3 * size)).sqrt();
            }
        }
        openings
    }

    #[inline]
    fn riser(&self, dt: f64, feed: &Feed) -> (f64, f64) {
        if feed.opening < 1e-3 {
            return (0.0, 0.0);
        }
        // With the liquid below the riser it is air that moves there, and hardly resists.
        let is_air = self.air_m3 > self.seal_m3 + self.stroke_m3 + self.riser_m3;
        let loss = if is_air { 1e-3 * self.loss } else { self.loss };
        let loss = loss / (feed.opening * feed.opening);
        let by_inertia = dt / self.inertia;
        let fast = feed.impedance * (1.0 - feed.taken_up);
        let denominator = 1.0 + by_inertia * (fast + feed.resistance + loss * self.riser_m3_s.abs());
        let beta = by_inertia / denominator;
        let alpha = self.riser_m3_s / denominator + beta * (feed.source_pa + fast * self.settled_m3_s);
        (alpha, beta)
    }

    /// Pressure and volume with `V = c + d p`, mass `most - inflow p`, and the adiabatic answer of the air to a change of
    /// volume: `V (p + 0.4 p0) = 1.4 m R T`, with p0 the pressure that the mass had before it.
    #[inline]
    fn balance(&self, c: f64, d: f64, gas: f64, most_kg: f64, inflow: f64) -> (f64, f64) {
        let before_pa = if self.air_kg > NO_HEAT_BELOW_KG { self.air_kg * gas / self.air_m3 } else { self.pressure_pa };
        let lean = EXPANSION * before_pa;
        let gain = (1.0 + EXPANSION) * gas;
        let b = c + lean * d + gain * inflow;
        let e = lean * c - gain * most_kg;
        let root = (b * b - 4.0 * d * e).max(0.0).sqrt();
        let pressure_pa = if b >= 0.0 { -2.0 * e / (b + root) } else { (root - b) / (2.0 * d) };
        // The pressure can fall to the vapour pressure of water and no further; it is small and taken as fixed.
        let pressure_pa = pressure_pa.max(2_000.0);
        let mass = (most_kg - inflow * pressure_pa).max(LEAST_AIR_KG);
        (pressure_pa, gain * mass / (pressure_pa + lean))
    }

    #[inline]
    fn count(&mut self, openings: &Openings, outflow_kg: f64) {
        if openings.air_sum <= 0.0 {
            return;
        }
        for (seat, conductance) in self.seats.iter_mut().zip(openings.air) {
            let share_kg = outflow_kg * conductance / openings.air_sum;
            if share_kg >= 0.0 {
                seat.released_kg += share_kg;
            } else {
                seat.admitted_kg -= share_kg;
            }
        }
    }

    /// Energy of the air that stays: expansion, air that leaves or enters, the wall.
    #[inline]
    fn exchange_heat(&mut self, feed: &Feed, volume_m3: f64, outflow_kg: f64) {
        if self.air_kg < NO_HEAT_BELOW_KG {
            self.air_k = feed.wall_k;
            return;
        }
        // Relative growth of the space for what stays, as a difference over a mean: its logarithm to second order.
        let by_volume = 2.0 * (volume_m3 - self.air_m3) / (volume_m3 + self.air_m3);
        let by_outflow = outflow_kg.max(0.0) / (self.air_kg - 0.5 * outflow_kg.max(0.0)).max(1e-12);
        let growth = 0.5 * EXPANSION * (by_volume + by_outflow.min(1.0));
        self.air_k *= (1.0 - growth) / (1.0 + growth);
        for (entering_kg, entering_k) in [(feed.arrival_kg, feed.wall_k), ((-outflow_kg).max(0.0), self.vault_k)] {
            if entering_kg > 0.0 {
                // Enthalpy enters, internal energy is what stays: gamma times the temperature it had outside.
                let share = entering_kg / (self.air_kg + entering_kg);
                self.air_k += share * ((1.0 + EXPANSION) * entering_k - self.air_k);
            }
        }
        self.air_k += feed.heat_share * (feed.wall_k - self.air_k);
    }

    pub(crate) fn fouling(&self) -> SeatFouling {
        let release = [&self.seats[SMALL], &self.seats[SECOND]];
        let leaks = release.iter().any(|seat| seat.leak_share > 0.0 && !seat.is_open);
        let dp = self.pressure_pa - self.p_atm_pa;
        let leak_kg_s = if leaks && dp > 0.0 {
            let air = self.openings().air;
            let shut = [SMALL, SECOND].into_iter().filter(|i| !self.seats[*i].is_open);
            shut.map(|i| air[i] * dp).sum()
        } else {
            0.0
        };
        SeatFouling {
            is_releasing: release.iter().any(|seat| seat.is_open),
            free_share: release.iter().fold(1.0, |least, seat| seat.free_share.min(least)),
            leak_nl_s: leak_kg_s / NORMAL_LITRE_KG,
        }
    }

    /// Time until the float or the level reaches something that matters, at the speed of now, s.
    #[inline]
    pub(crate) fn time_to_switch_s(&self) -> f64 {
        let rate = self.level_rate;
        if rate == 0.0 {
            return f64::INFINITY;
        }
        let position = self.float.position;
        let mut distance = f64::INFINITY;
        let mut look = |at: f64, from: f64| {
            let way = if rate > 0.0 { at - from } else { from - at };
            if way >= 0.0 {
                distance = distance.min(way);
            }
        };
        for seat in &self.seats {
            look(seat.threshold(), position);
        }
        look(0.0, self.level);
        look(1.0 + 0.97 * self.seal_m3 / self.stroke_m3, self.level);
        distance / rate.abs()
    }
}
