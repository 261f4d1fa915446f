//! What the valve really is, as against what its site file says.

use airvalve_site::Site;

use crate::{
    air::{Passage, dry_share},
    body::{Body, LARGE, SECOND, SMALL},
    float::Float,
    random::Random,
    scenario::{Scenario, TrueValve},
    seat::Seat,
    truth::TrueValveTruth,
};

/// Travel of the float over which the large orifice closes, of the stroke: a disc that comes up to its seat.
const LARGE_CLOSING_TRAVEL: f64 = 0.03;

/// The deviations that hold, drawn where the scenario leaves them open.
#[derive(Clone, Debug)]
pub(crate) struct Deviations {
    /// Of small, second and large: shift of the positions, of the stroke, and factor of the flow.
    shift: [f64; 3],
    flow: [f64; 3],
    seal: f64,
    stroke: f64,
    pub(crate) p_atm_pa: f64,
    pub(crate) zero_pct_span: [f64; 5],
}

impl Deviations {
    pub(crate) fn new(settings: &TrueValve, site: &Site, mut random: Random) -> Deviations {
        let limits = &site.uncertainty;
        let share = settings.random_share;
        // One number is drawn for each, given or not, so that giving one does not change the others.
        let mut or_drawn = |given: Option<f64>, limit: f64| given.unwrap_or(share * limit * random.symmetric());
        let shift = [settings.small_opens_pct_off, settings.second_opens_pct_off, settings.large_opens_pct_off]
            .map(|given| 0.01 * or_drawn(given, 2.0 * limits.position_pct_stroke));
        // The orifice's area is off by its diameter as well: twice.
        let flow_limit = limits.coefficient_pct + 2.0 * limits.diameter_pct;
        let flow = [
            settings.small_coefficient_pct_off,
            settings.second_coefficient_pct_off,
            settings.large_coefficient_pct_off,
        ]
        .map(|given| 1.0 + 0.01 * or_drawn(given, flow_limit));
        let seal = 1.0 + 0.01 * or_drawn(settings.seal_volume_pct_off, limits.volume_pct);
        let stroke = 1.0 + 0.01 * or_drawn(settings.stroke_volume_pct_off, limits.volume_pct);
        let p_atm_kpa = site.p_atm_kpa + or_drawn(settings.p_atm_kpa_off, limits.p_atm_kpa);
        // Rounded: the site's value comes from an altitude by a power that need not be the same on every machine.
        let p_atm_pa = libm::rint(1e6 * p_atm_kpa) * 1e-3;
        let mut zero_pct_span = [0.0; 5];
        for ((zero, given), spec) in zero_pct_span.iter_mut().zip(settings.zero_pct_span).zip(&site.sensors.channels.0)
        {
            *zero = or_drawn(given, spec.accuracy_pct_span);
        }
        Deviations { shift, flow, seal, stroke, p_atm_pa, zero_pct_span }
    }

    /// The three seats; a valve without a second stage has one there that never opens.
    fn seats(&self, scenario: &Scenario, site: &Site) -> [Seat; 3] {
        let valve = &site.valve;
        let working_pa = self.p_atm_pa + 1e3 * site.line.working_kpa;
        let edge = 0.01 * scenario.air.edge_pct;
        let release = |i: usize| match valve.release_orifices.get(i) {
            Some(orifice) => {
                let ratio = site.p_atm_kpa / (site.p_atm_kpa + site.line.working_kpa);
                let mut seat = Seat::new(
                    Passage::from_flow(orifice.flow, ratio, edge).scaled(self.flow[i]),
                    0.01 * orifice.opens_below_pct + self.shift[i],
                    0.01 * orifice.closes_above_pct + self.shift[i],
                );
                if scenario.air.is_moist {
                    seat.dry_share = dry_share(site.water.temperature_c, working_pa);
                }
                seat
            }
            None => Seat::new(Passage::rounded(0.0, 1.0, 1.0), -1.0, -1.0),
        };
        let large = &valve.large_orifice;
        let passage = Passage::rounded(large.diameter_mm, large.discharge_coefficient, large.inflow_coefficient);
        let mut seat = Seat::new(
            passage.scaled(self.flow[LARGE]),
            0.01 * large.opens_below_pct + self.shift[LARGE],
            0.01 * large.closes_above_pct + self.shift[LARGE],
        );
        seat.reopen_pa = 1e3 * large.reopen_kpa;
        seat.closing_travel = LARGE_CLOSING_TRAVEL;
        if scenario.air.is_moist {
            seat.dry_share = dry_share(site.water.temperature_c, self.p_atm_pa);
        }
        [release(SMALL), release(SECOND), seat]
    }

    /// The body, not yet settled.
    pub(crate) fn body(&self, scenario: &Scenario, site: &Site) -> Body {
        let plant = &scenario.plant;
        let riser_mm = plant.riser_diameter_mm.unwrap_or(site.valve.large_orifice.diameter_mm);
        let riser_m2 = 0.25 * core::f64::consts::PI * (1e-3 * riser_mm) * (1e-3 * riser_mm);
        let wall_k = 273.15 + site.water.temperature_c;
        Body {
            seal_m3: 1e-3 * site.valve.seal_volume_l * self.seal,
            stroke_m3: 1e-3 * site.valve.stroke_volume_l * self.stroke,
            inertia: crate::air::WATER_KG_M3 * plant.riser_length_m / riser_m2,
            loss: 0.5 * crate::air::WATER_KG_M3 * plant.riser_loss / (riser_m2 * riser_m2),
            riser_m3: plant.riser_length_m * riser_m2,
            p_atm_pa: self.p_atm_pa,
            vault_k: wall_k,
            float: Float::new(1.0, 0.01 * plant.float_play_pct),
            seats: self.seats(scenario, site),
            air_kg: 0.0,
            air_k: wall_k,
            air_m3: 1e-3 * site.valve.seal_volume_l,
            pressure_pa: self.p_atm_pa,
            junction_pa: self.p_atm_pa,
            riser_m3_s: 0.0,
            settled_m3_s: 0.0,
            level: 1.0,
            level_rate: 0.0,
            spilled_m3: 0.0,
            air_share: 1.0,
            has_open_seat: false,
        }
    }

    pub(crate) fn truth(&self, site: &Site, body: &Body) -> TrueValveTruth {
        let zero = |i: usize| {
            let width = site.sensors.channels.0[i].span.width();
            0.01 * self.zero_pct_span[i] * f64::from(width)
        };
        TrueValveTruth {
            p_atm_kpa: 1e-3 * self.p_atm_pa,
            seal_volume_l: 1e3 * body.seal_m3,
            stroke_volume_l: 1e3 * body.stroke_m3,
            small_opens_below_pct: 100.0 * body.seats[SMALL].opens_below,
            small_closes_above_pct: 100.0 * body.seats[SMALL].closes_above,
            large_opens_below_pct: 100.0 * body.seats[LARGE].opens_below,
            small_flow_ratio: self.flow[SMALL],
            second_flow_ratio: self.flow[SECOND],
            large_flow_ratio: self.flow[LARGE],
            pressure_zero_kpa: zero(1),
            float_zero_pct: zero(0),
            odour_zero_ppm: zero(2),
        }
    }
}
