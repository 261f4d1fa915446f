//! The valve as it really is: the site file's, off by what the scenario gives or draws.

use airvalve_sensors::Channel;
use airvalve_simulator::{scenario::TrueValve, truth::TrueValveTruth};
use airvalve_site::{
    Site,
    model::{OrificeFlow, ReleaseOrifice},
};

use crate::{
    gas::{Passage, sharp_edge_coefficient},
    random::Random,
};

/// Number of orifices that a valve can have, in the order large, small, second stage; the last may be absent.
pub(crate) const ORIFICES: usize = 3;
pub(crate) const LARGE: usize = 0;
pub(crate) const SMALL: usize = 1;
pub(crate) const SECOND: usize = 2;

/// An orifice with its positions, in strokes.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Seat {
    pub(crate) passage: Passage,
    pub(crate) opens_below: f64,
    pub(crate) closes_above: f64,
    /// Highest chamber pressure at which it opens, Pa gauge.
    pub(crate) opens_up_to_pa: f64,
}

/// The true valve, SI.
#[derive(Clone, Debug)]
pub(crate) struct Valve {
    pub(crate) atmosphere_pa: f64,
    pub(crate) seal_m3: f64,
    pub(crate) stroke_m3: f64,
    pub(crate) seats: [Option<Seat>; ORIFICES],
    /// Zero error of each channel, % of span.
    pub(crate) zero_pct_span: [f64; 5],
    pub(crate) truth: TrueValveTruth,
}

/// Deviations within limits, some given, the others drawn.
struct Draws {
    random: Random,
    share: f64,
}

impl Draws {
    /// Every deviation takes its random number, given or not: one that is given does not change the others.
    fn off(&mut self, given: Option<f64>, limit: f64) -> f64 {
        let drawn = self.share * limit * self.random.symmetric();
        given.unwrap_or(drawn)
    }
}

impl Valve {
    /// `sharpness` of the release orifices' edges, 0 to 1.
    pub(crate) fn new(given: &TrueValve, site: &Site, sharpness: f64, seed: u64) -> Valve {
        let mut draws = Draws { random: Random::new(seed, 1), share: given.random_share };
        let limits = &site.uncertainty;
        let flow_pct = limits.coefficient_pct + 2.0 * limits.diameter_pct;
        let position_pct = limits.position_pct_stroke;
        let large_pct = draws.off(given.large_opens_pct_off, position_pct);
        let small_pct = draws.off(given.small_opens_pct_off, position_pct);
        let second_pct = draws.off(given.second_opens_pct_off, position_pct);
        let ratio = |pct: f64| 1.0 + 0.01 * pct;
        let large_ratio = ratio(draws.off(given.large_coefficient_pct_off, flow_pct));
        let small_ratio = ratio(draws.off(given.small_coefficient_pct_off, flow_pct));
        let second_ratio = ratio(draws.off(given.second_coefficient_pct_off, flow_pct));
        let seal_l = site.valve.seal_volume_l * ratio(draws.off(given.seal_volume_pct_off, limits.volume_pct));
        let stroke_l = site.valve.stroke_volume_l * ratio(draws.off(given.stroke_volume_pct_off, limits.volume_pct));
        let atmosphere_kpa = site.p_atm_kpa + draws.off(given.p_atm_kpa_off, limits.p_atm_kpa);
        let sensors = &site.sensors.channels;
        let channels = [
            Channel::FloatPosition,
            Channel::ChamberPressure,
            Channel::Odour,
            Channel::LinePressure,
            Channel::AirTemperature,
        ];
        let mut zero_pct_span = [0.0; 5];
        for ((zero, channel), given) in zero_pct_span.iter_mut().zip(channels).zip(given.zero_pct_span) {
            *zero = draws.off(given, sensors.get(channel).accuracy_pct_span);
        }
        let release = |orifice: Option<&ReleaseOrifice>, off_pct: f64, flow_ratio: f64| {
            orifice.map(|orifice| Seat {
                passage: release_passage(orifice, site, sharpness, flow_ratio),
                opens_below: 0.01 * (orifice.opens_below_pct + off_pct),
                closes_above: 0.01 * (orifice.closes_above_pct + off_pct),
                opens_up_to_pa: f64::INFINITY,
            })
        };
        let orifices = &site.valve.release_orifices;
        let large = large_seat(site, large_pct, large_ratio);
        let small = release(orifices.first(), small_pct, small_ratio);
        let second = release(orifices.get(1), second_pct, second_ratio);
        let [float_zero, pressure_zero, odour_zero, ..] = zero_pct_span;
        let zero_of = |channel, zero_pct: f64| 0.01 * zero_pct * f64::from(sensors.get(channel).span.width());
        let truth = TrueValveTruth {
            p_atm_kpa: atmosphere_kpa,
            seal_volume_l: seal_l,
            stroke_volume_l: stroke_l,
            small_opens_below_pct: small.map_or(0.0, |seat| 100.0 * seat.opens_below),
            small_closes_above_pct: small.map_or(0.0, |seat| 100.0 * seat.closes_above),
            large_opens_below_pct: 100.0 * large.opens_below,
            small_flow_ratio: small_ratio,
            second_flow_ratio: second_ratio,
            large_flow_ratio: large_ratio,
            pressure_zero_kpa: zero_of(Channel::ChamberPressure, pressure_zero),
            float_zero_pct: zero_of(Channel::FloatPosition, float_zero),
            odour_zero_ppm: zero_of(Channel::Odour, odour_zero),
        };
        Valve {
            atmosphere_pa: 1e3 * atmosphere_kpa,
            seal_m3: 1e-3 * seal_l,
            stroke_m3: 1e-3 * stroke_l,
            seats: [Some(large), small, second],
            zero_pct_span,
            truth,
        }
    }

    /// Volume of the whole body, m3.
    pub(crate) fn body_m3(&self) -> f64 {
        self.seal_m3 + self.stroke_m3
    }

    /// Length of the stroke of a body as wide as its stroke is long, m.
    pub(crate) fn stroke_m(&self) -> f64 {
        libm::cbrt(self.stroke_m3 * (4.0 / std::f64::consts::PI))
    }

    /// Height of the liquid in strokes, where the air takes up this volume; below 0 in the pipe.
    pub(crate) fn level(&self, air_m3: f64) -> f64 {
        1.0 - (air_m3 - self.seal_m3) / self.stroke_m3
    }
}

pub(crate) fn circle_m2(diameter_mm: f64) -> f64 {
    0.25e-6 * std::f64::consts::PI * diameter_mm * diameter_mm
}

fn large_seat(site: &Site, off_pct: f64, flow_ratio: f64) -> Seat {
    let orifice = &site.valve.large_orifice;
    let passage = Passage::Edge {
        area_m2: flow_ratio * circle_m2(orifice.diameter_mm),
        out: orifice.discharge_coefficient,
        into: orifice.inflow_coefficient,
        sharpness: 0.0,
        at_reference: 1.0,
    };
    Seat {
        passage,
        opens_below: 0.01 * (orifice.opens_below_pct + off_pct),
        closes_above: 0.01 * (orifice.closes_above_pct + off_pct),
        opens_up_to_pa: 1e3 * orifice.reopen_kpa,
    }
}

fn release_passage(orifice: &ReleaseOrifice, site: &Site, sharpness: f64, flow_ratio: f64) -> Passage {
    match orifice.flow {
        OrificeFlow::Coefficient { diameter_mm, discharge_coefficient, reference_ratio } => {
            let at_working = site.p_atm_kpa / (site.line.working_kpa + site.p_atm_kpa);
            Passage::Edge {
                area_m2: flow_ratio * circle_m2(diameter_mm),
                out: discharge_coefficient,
                into: discharge_coefficient,
                sharpness,
                at_reference: sharp_edge_coefficient(reference_ratio.unwrap_or(at_working)),
            }
        }
        OrificeFlow::Conductance { sonic_conductance_dm3_s_bar, critical_ratio } => Passage::Conductance {
            c_m3_s_pa: flow_ratio * 1e-8 * sonic_conductance_dm3_s_bar,
            b: critical_ratio,
            // 1 dm3/(s bar) is what 5.02 mm2 of effective area passes: both laws at 20 degC and 1.185 kg/m3.
            area_m2: flow_ratio * 5.02e-6 * sonic_conductance_dm3_s_bar,
        },
    }
}
