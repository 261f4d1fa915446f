//! A volume of air with what makes it uncertain.

use airvalve_monitor::{Cycle, SiteData, airflow::normal_litres};
use airvalve_site::Site;
use airvalve_site::model::OrificeFlow;

/// Standard uncertainty of a rectangular distribution, share of its limit. Source: JCGM 100:2008, 4.3.7.
const RECTANGULAR: f64 = 0.577_350_269;
/// Coverage factor of 95 % for a normal distribution. Source: JCGM 100:2008, table G.1.
const COVERAGE: f64 = 1.96;
/// Limit of what moist air takes off: 1.6 % at 30 degC and one atmosphere, as the ratio of the densities of saturated and
/// dry air.
const MOISTURE_LIMIT: f64 = 0.016;
/// Limit of what sewage gas does to an orifice volume: 60/40 methane and carbon dioxide against air.
const GAS_LIMIT: f64 = 0.03;
/// Limit of the cooling in a fast release: half of the 10 % that a fall in pressure of 30 % can reach.
const COOLING_LIMIT: f64 = 0.05;
/// The same near a pressure step, when the gas has just been pressed or let go: half of what separates the two
/// estimates there.
const NEAR_STEP_COOLING_LIMIT: f64 = 0.15;
/// Share by which a displacement comes out too small. Measured on 12 to 24 nights of the first simulator alone; why it does
/// is not settled, so it may be the simulator's own, and a real valve's may differ.
const DISPLACED_SHORT: f64 = 0.05;
/// Near a pressure step it misses as much again at one sample a second, and in proportion at faster rates. Measured on the
/// same nights, and no better understood.
const NEAR_STEP_SHORT_PER_S: f64 = 0.05;
/// Time by which the open time of every release is known beyond the sample period, s. Common practice: the float lags
/// the air by up to a second.
const LAG_S: f64 = 0.5;
/// Noise of a float reading with the ripple under it, standard deviation, % of stroke. Common practice: a fifth of the
/// accuracy of a usual transmitter.
const FLOAT_NOISE_PCT: f64 = 0.2;
/// A displacement near a pressure step is so many times less certain.
const NEAR_STEP_FACTOR: f64 = 3.0;

/// A volume in normal litres and its standard uncertainties, by input.
///
/// Inputs that are common to all parts (one orifice, one body, one transmitter) add up linearly from part to part; only
/// noise is random and adds up as root of the sum of squares. A bound stands beside them, for what may have
/// passed unseen or unresolved.
///
/// Every number of it adds up from part to part, so that the parts of a whole give the whole however it is cut.
///
/// # Source
/// JCGM 100:2008 (GUM), 5.1 and 5.2.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub(crate) struct Estimate {
    pub(crate) nl: f64,
    orifice_nl: f64,
    body_nl: f64,
    float_nl: f64,
    pressure_nl: f64,
    temperature_nl: f64,
    gas_nl: f64,
    random_nl2: f64,
    /// Lies between nothing and this, beside what was measured: half of it is in the value.
    pub(crate) bound_nl: f64,
}

impl Estimate {
    /// What may have gone through a release orifice of which only the position says that it is open: liquid, air, or
    /// nothing when it is blocked.
    pub(crate) fn unconfirmed(nl: f64) -> Estimate {
        Estimate { bound_nl: nl, ..Estimate::default() }
    }

    /// A volume with one error common to all parts.
    #[cfg(test)]
    pub(crate) fn for_test(nl: f64, orifice_nl: f64, bound_nl: f64) -> Estimate {
        Estimate { nl, orifice_nl, bound_nl, ..Estimate::default() }
    }

    /// A share of this volume; the shares of one part share its random error too.
    pub(crate) fn scaled(&self, share: f64) -> Estimate {
        Estimate {
            nl: share * self.nl,
            orifice_nl: share * self.orifice_nl,
            body_nl: share * self.body_nl,
            float_nl: share * self.float_nl,
            pressure_nl: share * self.pressure_nl,
            temperature_nl: share * self.temperature_nl,
            gas_nl: share * self.gas_nl,
            random_nl2: share * share * self.random_nl2,
            bound_nl: share * self.bound_nl,
        }
    }

    /// Adds another part.
    pub(crate) fn add(&mut self, other: &Estimate) {
        self.nl += other.nl;
        self.orifice_nl += other.orifice_nl;
        self.body_nl += other.body_nl;
        self.float_nl += other.float_nl;
        self.pressure_nl += other.pressure_nl;
        self.temperature_nl += other.temperature_nl;
        self.gas_nl += other.gas_nl;
        self.random_nl2 += other.random_nl2;
        self.bound_nl += other.bound_nl;
    }

    /// Best value, NL: what is only bounded counts half.
    pub(crate) fn value_nl(&self) -> f64 {
        self.nl + 0.5 * self.bound_nl
    }

    /// Lower and upper end of the 95 % interval, NL; from nothing to the bound where nothing was measured.
    pub(crate) fn interval_nl(&self) -> (f64, f64) {
        let expanded_nl = self.expanded_nl();
        ((self.nl - expanded_nl).max(0.0), self.nl + expanded_nl + self.bound_nl)
    }

    fn expanded_nl(&self) -> f64 {
        let common = [self.orifice_nl, self.body_nl, self.float_nl, self.pressure_nl, self.temperature_nl, self.gas_nl];
        let variance_nl2: f64 = common.iter().map(|nl| nl * nl).sum::<f64>() + self.random_nl2;
        COVERAGE * variance_nl2.sqrt()
    }

    /// Whether at least as much was measured as is only bounded or may be missing.
    pub(crate) fn is_resolved(&self) -> bool {
        self.bound_nl <= self.nl
    }
}

/// Standard uncertainties of the inputs of one valve.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Inputs {
    site: SiteData,
    /// Discharge coefficient and diameter, relative: small orifice and second stage, and large orifice.
    release_areas: [f64; 2],
    large_area: f64,
    volume: f64,
    /// Limit of the float position, share of stroke.
    position_limit: f64,
    /// Local pressure of the air, kPa.
    p_atm_kpa: f64,
    temperature: f64,
    temperature_k: f64,
    gas: f64,
    moisture: f64,
    period_s: f64,
    /// Time by which the open time of one release is known, s.
    edge_s: f64,
}

impl Inputs {
    /// The limits of a site file as standard uncertainties.
    pub(crate) fn new(site: &Site, detector: &SiteData) -> Inputs {
        let limits = &site.uncertainty;
        let rectangular = |pct: f64| 0.01 * pct * RECTANGULAR;
        let area = rectangular(limits.coefficient_pct).hypot(2.0 * rectangular(limits.diameter_pct));
        let mut stages = site.valve.release_orifices.iter().map(|orifice| match orifice.flow {
            // A tested conductance holds diameter and coefficient in one.
            OrificeFlow::Conductance { .. } => rectangular(limits.coefficient_pct),
            OrificeFlow::Coefficient { .. } => area,
        });
        let release_areas = [stages.next().unwrap_or(area), stages.next().unwrap_or(area)];
        let temperature_k = f64::from(detector.air_temperature_k);
        Inputs {
            site: *detector,
            release_areas,
            large_area: area,
            volume: rectangular(limits.volume_pct),
            position_limit: 0.01 * limits.position_pct_stroke,
            p_atm_kpa: limits.p_atm_kpa * RECTANGULAR,
            temperature: limits.temperature_c * RECTANGULAR / temperature_k,
            temperature_k,
            gas: if site.water.is_sewage { GAS_LIMIT * RECTANGULAR } else { 0.0 },
            moisture: MOISTURE_LIMIT * RECTANGULAR,
            period_s: f64::from(detector.sample_period_s),
            edge_s: std::f64::consts::SQRT_2 * RECTANGULAR * f64::from(detector.sample_period_s),
        }
    }

    /// Relative standard uncertainty of the chamber's absolute pressure under usual pressure.
    fn pressure(&self, zero_kpa: f64) -> f64 {
        let usual_kpa = 0.5 * f64::from(self.site.static_kpa + self.site.working_kpa) + f64::from(self.site.p_atm_kpa);
        zero_kpa.hypot(self.p_atm_kpa) / usual_kpa.max(1.0)
    }

    /// What one release let out, by the detector's best estimate: small orifice and second stage.
    pub(crate) fn cycle(&self, cycle: &Cycle, zero_kpa: f64) -> [Estimate; 2] {
        let best_nl = cycle.best_nl.map(|nl| f64::from(nl).max(0.0));
        if cycle.displacement_nl.is_finite() {
            let all_nl: f64 = best_nl.iter().sum();
            let displaced = self.displaced(cycle, all_nl, zero_kpa);
            return best_nl.map(|nl| displaced.scaled(if all_nl > 0.0 { nl / all_nl } else { 0.5 }));
        }
        let open_s = cycle.to_us.saturating_sub(cycle.from_us) as f64 * 1e-6;
        let [small_nl, second_nl] = best_nl;
        let [small, second] = self.release_areas;
        [(small_nl, small), (second_nl, second)]
            .map(|(nl, area)| self.through_release_orifice(nl, area, open_s, zero_kpa))
    }

    fn displaced(&self, cycle: &Cycle, best_nl: f64, zero_kpa: f64) -> Estimate {
        let usual_kpa_abs = 0.5 * (self.site.static_kpa + self.site.working_kpa) + self.site.p_atm_kpa;
        let stroke_nl = f64::from(normal_litres(usual_kpa_abs, self.site.stroke_volume_l, self.site.air_temperature_k));
        let noise_nl = std::f64::consts::SQRT_2 * 0.01 * FLOAT_NOISE_PCT * stroke_nl;
        let (nl, noise_nl, cooling) = if cycle.is_near_step {
            let (nl, doubt) = near_step(cycle, best_nl);
            (
                nl * (1.0 + NEAR_STEP_SHORT_PER_S * self.period_s.min(1.0)),
                NEAR_STEP_FACTOR * noise_nl,
                NEAR_STEP_COOLING_LIMIT.max(doubt),
            )
        } else {
            (best_nl, noise_nl, COOLING_LIMIT)
        };
        let nl = nl * (1.0 + DISPLACED_SHORT);
        let travel = 0.01 * f64::from(cycle.end_pct - cycle.start_pct).abs();
        Estimate {
            nl,
            body_nl: nl * self.volume,
            float_nl: RECTANGULAR * difference_limit(self.position_limit, travel) * stroke_nl,
            pressure_nl: nl * self.pressure(zero_kpa),
            temperature_nl: nl * self.temperature.hypot(cooling * RECTANGULAR),
            gas_nl: nl * self.moisture,
            random_nl2: noise_nl * noise_nl,
            ..Estimate::default()
        }
    }

    /// What went through the release orifices by their law.
    fn through_release_orifice(&self, nl: f64, area: f64, open_s: f64, zero_kpa: f64) -> Estimate {
        let in_s = |seconds: f64| if open_s > 0.0 { nl * (seconds / open_s).min(1.0) } else { nl };
        let edge_nl = in_s(self.edge_s);
        Estimate {
            nl,
            orifice_nl: nl * area,
            float_nl: in_s(RECTANGULAR * LAG_S),
            pressure_nl: nl * self.pressure(zero_kpa),
            // Through an orifice the mass goes with one over the root of the temperature.
            temperature_nl: 0.5 * nl * self.temperature,
            gas_nl: nl * self.gas.hypot(self.moisture),
            random_nl2: edge_nl * edge_nl,
            ..Estimate::default()
        }
    }

    /// What went through the large orifice; a zero that is off by 1 kPa makes `per_kpa_nl` of it, and `bound_nl` was not
    /// resolved.
    pub(crate) fn through_large_orifice(&self, nl: f64, per_kpa_nl: f64, bound_nl: f64, zero_kpa: f64) -> Estimate {
        // Flow goes with the root of a small pressure difference: no error of it is worth more than half.
        let of_zero_nl = (zero_kpa * per_kpa_nl).min(0.5 * nl);
        let local = 0.5 * self.p_atm_kpa / f64::from(self.site.p_atm_kpa).max(1.0);
        Estimate {
            nl,
            orifice_nl: nl * self.large_area,
            pressure_nl: of_zero_nl.hypot(nl * local),
            temperature_nl: 0.5 * nl * self.temperature,
            gas_nl: nl * self.gas.hypot(self.moisture),
            bound_nl,
            ..Estimate::default()
        }
    }

    /// Temperature of the air where it is not measured, K.
    pub(crate) fn temperature_k(&self) -> f64 {
        self.temperature_k
    }
}

/// A release near a pressure step, NL, and the limit of what separates it from the truth, share of it.
///
/// The gas is colder or warmer than it is taken to be, and the displacement too small for it: by a tenth at ten samples a
/// second, by a fifth at one, where the step and the release fall between the same two samples. The orifice estimate errs
/// the other way. The detector settles halfway between them once it has learned their ratio from other cycles; where
/// samples come too seldom for that it never does, and it is done here.
fn near_step(cycle: &Cycle, best_nl: f64) -> (f64, f64) {
    let displaced_nl = f64::from(cycle.displacement_nl);
    let orifice_nl: f64 = cycle.orifice_nl.iter().map(|nl| f64::from(*nl)).sum();
    let is_settled = (best_nl - displaced_nl).abs() > 1e-3 * best_nl;
    if is_settled || orifice_nl <= 0.0 {
        return (best_nl, 0.0);
    }
    let middle_nl = 0.5 * (displaced_nl + orifice_nl);
    (middle_nl, 0.5 * (orifice_nl - displaced_nl).abs() / middle_nl)
}

/// Limit of the error of a difference of two positions, of which each is known within `limit`; all in shares of stroke.
///
/// The cycles of a valve run between the same two positions, so this error is the same in all of them. A zero error drops
/// out of the difference. What is left of a transmitter that was set at both ends of its stroke (common practice) is a
/// bow between them, no higher than the limit: over a short travel the difference is off by no more than the bow's
/// steepest slope, pi times the limit over the stroke, and by no more than the limit over any. So 1.5 % of stroke are
/// 0.57 % over a travel of 12 % of it, or 4.7 % of the volume displaced. A gain error of 1.5 % lies well within that.
fn difference_limit(limit: f64, travel: f64) -> f64 {
    limit * (std::f64::consts::PI * travel).min(1.0)
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;

    fn cycle(start_pct: f32, end_pct: f32) -> Cycle {
        Cycle {
            from_us: 0,
            to_us: 30_000_000,
            orifice_nl: [2.0, 0.0],
            displacement_nl: 2.0,
            slowness: f32::NAN,
            area_ratio: 1.0,
            best_nl: [2.0, 0.0],
            start_pct,
            end_pct,
            is_confirmed: true,
            is_near_step: false,
        }
    }

    /// Relative half width of the interval of so many equal cycles on a site with these limits.
    fn half_width(cycles: usize, uncertainty: &str) -> f64 {
        let site = airvalve_site::Site::parse(&(airvalve_site::template() + uncertainty), "a.toml").unwrap();
        let inputs = Inputs::new(&site, &site.detector(|_| true));
        let mut sum = Estimate::default();
        (0..cycles).for_each(|_| inputs.cycle(&cycle(80.0, 92.0), 0.0).iter().for_each(|part| sum.add(part)));
        let (low_nl, high_nl) = sum.interval_nl();
        (high_nl - low_nl) / (2.0 * sum.value_nl())
    }

    #[test]
    fn a_position_error_is_common_to_all_cycles() {
        let limits = "[uncertainty]\nposition_pct_stroke =";
        let exact = half_width(10_000, &format!("{limits} 0.0"));
        let usual = half_width(10_000, &format!("{limits} 1.5"));
        // 1.5 % of stroke, 4.7 % of what a travel of 12 % displaces: stroke of 6 L at 250 + 100.3 kPa and 285.15 K.
        let stroke_nl = 6.0 * 350.3 / 101.325 * 273.15 / 285.15;
        let float =
            1.96 / 3.0_f64.sqrt() * 0.015 * (std::f64::consts::PI * 0.12) * stroke_nl / (2.0 * (1.0 + DISPLACED_SHORT));
        assert!((usual.powi(2) - exact.powi(2) - float.powi(2)).abs() < 1e-4 * float, "{usual} {exact} {float}");
        // Noise alone becomes small over many cycles.
        assert!(half_width(1, &format!("{limits} 1.5")) > usual);
        assert!(exact > 0.02, "{exact}");
    }

    #[test]
    fn the_limit_of_a_difference_holds_for_every_error_within_its_family() {
        // Zero, gain and bow of a transmitter, each alone within +-1.5 % anywhere on the stroke.
        let errors: [fn(f64) -> f64; 3] =
            [|_| 0.015, |position| 0.015 * position, |position| 0.015 * (std::f64::consts::PI * position).sin()];
        for error in errors {
            for (from, to) in (0..=100).flat_map(|from| (from..=100).map(move |to| (from, to))) {
                let [from, to] = [from, to].map(|pct| 0.01 * f64::from(pct));
                let off = (error(to) - error(from)).abs();
                assert!(off <= difference_limit(0.015, to - from) + 1e-12, "{from} {to}");
            }
        }
        assert!((difference_limit(1.5, 0.12) - 0.565).abs() < 1e-3);
    }

    #[test]
    fn near_a_step_the_displacement_alone_is_not_believed() {
        let near = |displacement_nl: f32, best_nl: f32| Cycle {
            displacement_nl,
            orifice_nl: [2.0, 0.5],
            best_nl: [best_nl, 0.0],
            is_near_step: true,
            ..cycle(80.0, 92.0)
        };
        // No ratio was known: the detector has left the displacement as it is.
        assert_eq!(near_step(&near(1.5, 1.5), 1.5), (2.0, 0.25));
        // It has settled between the two.
        assert_eq!(near_step(&near(1.5, 1.9), 1.9), (1.9, 0.0));
    }

    #[test]
    fn common_inputs_add_linearly_and_random_ones_as_squares() {
        let part = Estimate { nl: 10.0, orifice_nl: 0.3, random_nl2: 0.16, ..Estimate::default() };
        let mut sum = Estimate::default();
        for _ in 0..100 {
            sum.add(&part);
        }
        // Source: JCGM 100:2008, 5.2.2 note 1: fully correlated inputs add linearly; (100 x 0.3)^2 + 100 x 0.16 = 916.
        let (low_nl, high_nl) = sum.interval_nl();
        assert!((high_nl - 1000.0 - 1.96 * 916.0_f64.sqrt()).abs() < 1e-9);
        assert!((low_nl - 1000.0 + 1.96 * 916.0_f64.sqrt()).abs() < 1e-9);
    }

    #[test]
    fn what_is_only_bounded_has_low_nothing_high_the_bound_and_the_value_midway() {
        let estimate = Estimate { bound_nl: 8.0, ..Estimate::default() };
        assert_eq!((estimate.value_nl(), estimate.interval_nl()), (4.0, (0.0, 8.0)));
        assert!(!estimate.is_resolved());
    }

    #[test]
    fn a_bound_beside_a_measured_volume_widens_its_interval_upwards() {
        let estimate = Estimate { nl: 10.0, bound_nl: 6.0, ..Estimate::default() };
        assert!(estimate.is_resolved());
        assert_eq!((estimate.value_nl(), estimate.interval_nl()), (13.0, (10.0, 16.0)));
        assert!(Estimate::default().is_resolved());
        // More bounded than measured: the measured part stays as the low end.
        let mixed = Estimate { nl: 10.0, bound_nl: 16.0, ..Estimate::default() };
        assert!(!mixed.is_resolved());
        assert_eq!(mixed.interval_nl(), (10.0, 26.0));
    }

    #[test]
    fn each_release_orifice_has_the_uncertainty_of_its_own_kind() {
        let mut site = airvalve_site::Site::parse(&airvalve_site::template(), "a.toml").unwrap();
        let by_diameter = *site.valve.release_orifices.first().unwrap();
        let flow = OrificeFlow::Conductance { sonic_conductance_dm3_s_bar: 0.6, critical_ratio: 0.5 };
        site.valve.release_orifices = vec![airvalve_site::model::ReleaseOrifice { flow, ..by_diameter }, by_diameter];
        let [small, second] = Inputs::new(&site, &site.detector(|_| true)).release_areas;
        // Limits of 5 % of the coefficient, and 1 % of the diameter counted twice.
        assert!((small - 0.05 / 3.0_f64.sqrt()).abs() < 1e-9, "{small}");
        assert!((second - 0.01 * 29.0_f64.sqrt() / 3.0_f64.sqrt()).abs() < 1e-9, "{second}");
    }

    #[test]
    fn a_zero_error_weighs_each_flow_through_the_large_orifice_at_its_own_pressure() {
        let site = airvalve_site::Site::parse(&airvalve_site::template(), "a.toml").unwrap();
        let inputs = Inputs::new(&site, &site.detector(|_| true));
        // 100 NL at 10 kPa and 10 NL at 1 kPa: d(nl)/d(kPa) is nl / 2p.
        let estimate = inputs.through_large_orifice(110.0, 100.0 / 20.0 + 10.0 / 2.0, 0.0, 0.3);
        let local_nl = 110.0 * 0.5 * inputs.p_atm_kpa / f64::from(inputs.site.p_atm_kpa);
        assert!((estimate.pressure_nl - (0.3_f64 * 10.0).hypot(local_nl)).abs() < 1e-9, "{estimate:?}");
    }
}
