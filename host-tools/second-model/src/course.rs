//! What happens to the plant between two steps: the scenario's actions, seats that lift and drop, a main that drains and
//! fills; and what of it is written down.

use crate::{
    actions::Action,
    cushion::Passed,
    gas::GAS_J_KG_K,
    pipe::Course,
    plant::Plant,
    recorder::{Look, Main},
    valve::{LARGE, ORIFICES, SMALL},
};

/// A fill is over when less than this share of its flow comes for so long, s.
const FADED: f64 = 0.1;
const FADED_S: f64 = 3.0;
/// An orifice that is lifted by no more than this share is shut: what debris lets through there is a leak.
const OPEN_SHARE: f64 = 0.02;

impl Plant {
    pub(crate) fn act(&mut self, action: Action) {
        self.shorten();
        let now_s = self.t_s;
        match action {
            Action::Pocket { volume_m3, spread_s } => {
                let pa = self.last.line_pa.max(0.0) + self.frame.valve.atmosphere_pa - self.frame.vapour_pa;
                self.arrivals.pocket(pa * volume_m3 / (GAS_J_KG_K * self.frame.liquid_k), spread_s);
            }
            Action::Drain { is_burst, flow_m3_s, drive_pa, fall_s, volume_m3 } => {
                if self.pipe.course != Course::Full {
                    return;
                }
                self.station.lock();
                self.pipe.drain(now_s, flow_m3_s, drive_pa, fall_s, volume_m3, self.pump_share);
                self.recorder.drain_begins(now_s, is_burst);
            }
            Action::Fill { flow_m3_s } => {
                if self.pipe.course == Course::Full {
                    return;
                }
                self.station.fill(flow_m3_s);
                self.pump_share = 1.0;
                self.pump_starts();
                self.pipe.fill(flow_m3_s);
                self.recorder.fill_begins(now_s);
                self.fading_since_s = None;
            }
            Action::Trip { surge_pa } => {
                if self.pipe.course == Course::Full {
                    self.station.lock();
                    self.pipe.strike(now_s, -surge_pa);
                }
            }
            // A main that is not full keeps the pump locked out until it is.
            Action::Unlock if self.pipe.course == Course::Full => self.station.unlock(),
            Action::Unlock => {}
            Action::InflowFactor(factor) => self.station.storm = factor,
            Action::Isolate(is_shut) => {
                self.is_isolated = is_shut;
                self.recorder.isolation(now_s, is_shut);
            }
            Action::Cover(is_open) => self.vault.is_cover_open = is_open,
            Action::Flood(is_flooded) => self.vault.is_flooded = is_flooded,
            Action::Rise(factor) => {
                self.pipe.next_rise = factor;
                self.station.change_over(factor);
            }
            Action::Shift { by_pa, fall_s } => self.pipe.shift(by_pa, fall_s, self.period_s),
        }
    }

    /// Seats lift and drop with the float; a jam catches it.
    pub(crate) fn move_seats(&mut self) {
        let position = self.body.float.position;
        for orifice in 0..ORIFICES {
            let Some(seat) = self.frame.valve.seats[orifice] else { continue };
            let was_open = self.is_open[orifice];
            let is_open = if was_open {
                position <= seat.closes_above
            } else {
                position < seat.opens_below && self.last.chamber_pa <= seat.opens_up_to_pa
            };
            if is_open == was_open {
                continue;
            }
            self.is_open[orifice] = is_open;
            self.shorten();
            if !is_open {
                self.wear.has_shut(orifice, self.t_s);
            }
        }
        if self.wear.can_jam()
            && let Some(small) = self.frame.valve.seats[SMALL]
        {
            self.wear.catch(&mut self.body.float, &small, self.is_open[SMALL], self.t_s);
        }
    }

    /// A draining main runs empty, a filling one full.
    pub(crate) fn follow_course(&mut self) {
        let body_m3 = self.frame.valve.body_m3();
        match self.pipe.course {
            Course::Full | Course::Standing => {}
            Course::Draining { since_s, resistance, drive_pa, fall_s, volume_m3, .. } => {
                // Past a shut isolating valve the column runs off without air.
                let is_shut = self.is_isolated || self.wear.condition.riser_open <= 0.0;
                let least_s = volume_m3 / libm::sqrt(drive_pa / resistance) + 3.0 * fall_s;
                let is_drained =
                    if is_shut { self.t_s - since_s > least_s } else { self.body.air_m3 - body_m3 >= volume_m3 };
                if is_drained {
                    self.pipe.course = Course::Standing;
                    self.recorder.drain_ends(self.t_s);
                    self.shorten();
                }
            }
            Course::Filling { flow_m3_s, .. } => {
                let slams = !self.is_open[LARGE] && self.body.air_m3 < body_m3;
                let is_fading = self.body.riser_m3_s.abs() < FADED * flow_m3_s;
                let since_s = is_fading.then(|| self.fading_since_s.unwrap_or(self.t_s));
                self.fading_since_s = since_s;
                if slams || since_s.is_some_and(|since_s| self.t_s - since_s > FADED_S) {
                    self.pipe.course = Course::Full;
                    self.station.unlock();
                    self.recorder.fill_ends(self.t_s, slams);
                    self.shorten();
                }
            }
        }
    }

    pub(crate) fn record(&mut self, passed: &Passed, dt_s: f64) {
        self.gas_out_kg += passed.out_kg.iter().map(|kg| kg.max(0.0)).sum::<f64>();
        self.liquid_out_m3 += passed.liquid_m3;
        let is_passing = |orifice: usize| self.is_open[orifice] || self.body.lift[orifice] > OPEN_SHARE;
        let look = Look {
            t_s: self.t_s,
            dt_s,
            out_kg: passed.out_kg,
            liquid_m3: passed.liquid_m3,
            chamber_pa: passed.chamber_pa,
            line_pa: passed.line_pa,
            float_pct: 100.0 * self.body.float.position,
            below_m3: self.body.air_m3 - self.frame.valve.body_m3(),
            is_passing: [is_passing(0), is_passing(1), is_passing(2)],
            main: match self.pipe.course {
                Course::Full => Main::Full,
                Course::Draining { .. } => Main::Draining,
                Course::Standing => Main::Standing,
                Course::Filling { .. } => Main::Filling,
            },
        };
        self.recorder.step(&look);
    }
}
