//! Air through an orifice, dry and moist.
//!
//! The isentropic law and its coefficients are those of any handbook; what is this model's own is that the coefficient
//! of a sharp edge follows the pressure ratio, and that the vapour goes along and is not counted.

/// Ratio of the heat capacities of air.
pub(crate) const GAMMA: f64 = 1.4;
/// Gas constant of dry air, J/(kg K). Source: ISO 2533, clause 2.
pub(crate) const GAS_J_KG_K: f64 = 287.053;
/// Heat capacities of dry air at constant pressure and volume, J/(kg K).
pub(crate) const CP_J_KG_K: f64 = 3.5 * GAS_J_KG_K;
pub(crate) const CV_J_KG_K: f64 = 2.5 * GAS_J_KG_K;
/// Mass of a normal litre (0 degC, 101.325 kPa) of dry air, kg.
pub const NORMAL_LITRE_KG: f64 = 1e-3 * 101_325.0 / (GAS_J_KG_K * 273.15);
/// `m sqrt(R T) / (A p1)` of choked flow: `sqrt(g) (2/(g+1))^((g+1)/(2(g-1)))`, for 1.4 that is `sqrt(1.4) / 1.2^3`.
const CHOKED: f64 = 1.183_215_956_619_923_2 / 1.728;
/// Pressure ratio below which the flow is choked: `1.2^-3.5`.
pub(crate) const CRITICAL_RATIO: f64 = 0.528_281_787_717_17;

/// Mass flow of an ideal gas through an ideal nozzle of unit area, choked or not.
///
/// # Units
/// Absolute pressures in Pa, `upstream_pa` the greater; temperature in K; result in kg/(s m2).
/// # Source
/// Published: NACA Report 1135 (1953), the isentropic relations, gamma 1.4.
pub fn mass_flux_kg_s_m2(upstream_pa: f64, downstream_pa: f64, upstream_k: f64) -> f64 {
    let ratio = downstream_pa / upstream_pa;
    if ratio <= CRITICAL_RATIO {
        return upstream_pa * CHOKED / libm::sqrt(GAS_J_KG_K * upstream_k);
    }
    // The exponents 2/g and (g+1)/g are 10/7 and 12/7.
    let root = libm::pow(ratio.min(1.0), 1.0 / 7.0);
    let square = root * root;
    let tenth = square * square * square * square * square;
    upstream_pa * libm::sqrt(7.0 * tenth * (1.0 - square) / (GAS_J_KG_K * upstream_k))
}

/// Discharge coefficient of a sharp edge, linear between the values of the table.
///
/// # Source
/// Published: Perry's Chemical Engineers' Handbook, flow of gases through sharp-edged orifices: 0.61 at a pressure ratio
/// of 0.95, 0.74 at 0.53, 0.80 at 0.36, 0.83 at 0.24.
pub fn sharp_edge_coefficient(ratio: f64) -> f64 {
    const TABLE: [(f64, f64); 4] = [(0.24, 0.83), (0.36, 0.80), (0.53, 0.74), (0.95, 0.61)];
    let mut before = TABLE[0];
    if ratio <= before.0 {
        return before.1;
    }
    for point in TABLE {
        if ratio <= point.0 {
            return before.1 + (point.1 - before.1) * (ratio - before.0) / (point.0 - before.0);
        }
        before = point;
    }
    before.1
}

/// Saturation pressure of water, Pa, from the temperature in degC.
///
/// # Source
/// Published: the Magnus form of the World Meteorological Organization's guide (WMO-No. 8).
pub(crate) fn vapour_pressure_pa(temperature_c: f64) -> f64 {
    611.2 * libm::exp(17.62 * temperature_c / (243.12 + temperature_c))
}

/// Below this difference a flow is a straight line through zero: a square root has no slope there.
pub(crate) const STRAIGHT_BELOW_PA: f64 = 60.0;

/// What an orifice does to a flow, for its whole area.
#[derive(Clone, Copy, Debug)]
pub(crate) enum Passage {
    /// Area in m2; coefficient outwards and inwards; `sharpness` 0 for a coefficient that does not follow the pressure
    /// ratio, 1 for a sharp edge; the sharp edge's coefficient at the ratio where the given one holds.
    Edge { area_m2: f64, out: f64, into: f64, sharpness: f64, at_reference: f64 },
    /// ISO 6358-1: sonic conductance in m3/(s Pa), critical ratio; the area is what the conductance stands for.
    Conductance { c_m3_s_pa: f64, b: f64, area_m2: f64 },
}

impl Passage {
    /// Area times a coefficient for liquid, m2.
    pub(crate) fn liquid_area_m2(self) -> f64 {
        match self {
            Passage::Edge { area_m2, out, .. } => area_m2 * out,
            Passage::Conductance { area_m2, .. } => area_m2,
        }
    }

    fn kg_s(self, upstream: Gas, downstream_pa: f64, is_out: bool) -> f64 {
        let ratio = downstream_pa / upstream.pa;
        match self {
            Passage::Edge { area_m2, out, into, sharpness, at_reference } => {
                let shape = 1.0 + sharpness * (sharp_edge_coefficient(ratio) / at_reference - 1.0);
                let coefficient = if is_out { out } else { into };
                shape * coefficient * area_m2 * mass_flux_kg_s_m2(upstream.pa, downstream_pa, upstream.k)
            }
            Passage::Conductance { c_m3_s_pa, b, .. } => {
                // Source: ISO 6358-1:2013; reference 20 degC and 1.185 kg/m3.
                let share = ((ratio - b) / (1.0 - b)).max(0.0);
                let sonic = c_m3_s_pa * upstream.pa * 1.185 * libm::sqrt(293.15 / upstream.k);
                sonic * libm::sqrt((1.0 - share * share).max(0.0))
            }
        }
    }

    /// Dry air that flows out through the whole area, and how fast that rises with the chamber's pressure.
    pub(crate) fn outflow(self, chamber: Gas, outside: Gas) -> Outflow {
        let difference = chamber.pa - outside.pa;
        let is_out = difference >= 0.0;
        let (upstream, downstream) = if is_out { (chamber, outside) } else { (outside, chamber) };
        let above = difference.abs();
        let full = self.kg_s(upstream, (upstream.pa - above.max(STRAIGHT_BELOW_PA)).max(0.0), is_out);
        let full = full * upstream.dry_share();
        if above < STRAIGHT_BELOW_PA {
            let slope = full / STRAIGHT_BELOW_PA;
            return Outflow { kg_s: slope * difference, slope_kg_s_pa: slope };
        }
        // Share by which the flow rises as the difference does: a half at rest, as a square root; nothing when choked.
        let ratio = downstream.pa / upstream.pa;
        let subsonic = ((ratio - CRITICAL_RATIO) / (1.0 - CRITICAL_RATIO)).max(0.0);
        let rise = 0.5 * subsonic * (1.8 - 0.8 * subsonic) / above;
        let slope = full * if is_out { 1.0 / chamber.pa + rise * ratio } else { rise };
        Outflow { kg_s: if is_out { full } else { -full }, slope_kg_s_pa: slope }
    }
}

/// Moist air on one side of an orifice: pressure in Pa absolute, temperature in K, vapour pressure in Pa.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Gas {
    pub(crate) pa: f64,
    pub(crate) k: f64,
    pub(crate) vapour_pa: f64,
}

impl Gas {
    /// Dry air that flows for each kilogram that dry air alone would: vapour is lighter and takes up pressure.
    fn dry_share(self) -> f64 {
        let vapour = self.vapour_pa / self.pa;
        // Flow goes with 1/sqrt(R); R of the mixture is that of dry air over (1 - 0.378 e/p).
        let lighter = 1.0 - 0.378 * vapour;
        libm::sqrt(lighter) * (1.0 - vapour).max(0.0) / lighter
    }
}

/// Dry air out (in, where negative), kg/s, and its rise with the chamber's pressure, kg/(s Pa).
#[derive(Clone, Copy, Debug, Default)]
pub(crate) struct Outflow {
    pub(crate) kg_s: f64,
    pub(crate) slope_kg_s_pa: f64,
}

#[cfg(test)]
#[allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]
mod tests {
    use std::{collections::HashMap, path::Path};

    use super::*;

    type Row = HashMap<String, String>;

    fn rows(name: &str) -> Vec<Row> {
        let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("../../tests/reference");
        let mut reader = csv::Reader::from_path(folder.join(name)).expect("the reference values are there");
        reader.deserialize().map(|row| row.expect("a row of text")).collect()
    }

    fn number(row: &Row, column: &str) -> f64 {
        row[column].parse().unwrap_or_else(|_| panic!("{column} of {row:?}"))
    }

    fn assert_near(found: f64, expected: f64, relative: f64, row: &Row) {
        assert!((found - expected).abs() <= relative * expected.abs(), "{found} for {expected} in {row:?}");
    }

    fn dry(pa: f64, k: f64) -> Gas {
        Gas { pa, k, vapour_pa: 0.0 }
    }

    #[test]
    fn isentropic_flow_agrees_with_the_reference() {
        // Source: closed form (White, Fluid Mechanics, ch. 9), computed apart; tests/reference/isentropic_flow.csv.
        let rows = rows("isentropic_flow.csv");
        assert!(rows.len() > 200);
        for row in rows {
            let (p1, p2) = (1e3 * number(&row, "p1_kpa"), 1e3 * number(&row, "p2_kpa"));
            let flux = mass_flux_kg_s_m2(p1, p2, number(&row, "t1_k"));
            // The ratio of 0.999 stands in the table with fewer digits than its flow needs.
            assert_near(flux, number(&row, "mass_flux_kg_s_m2"), 2e-6, &row);
        }
    }

    #[test]
    fn orifices_let_air_out_and_in_as_the_reference_says() {
        // Source: closed form in both directions, computed apart; tests/reference/orifice_cases.csv.
        for row in rows("orifice_cases.csv") {
            let (diameter_m, coefficient) = (1e-3 * number(&row, "d_mm"), number(&row, "cd"));
            let area_m2 = 0.25 * std::f64::consts::PI * diameter_m * diameter_m;
            let (out, into) = (coefficient, coefficient);
            let passage = Passage::Edge { area_m2, out, into, sharpness: 0.0, at_reference: 1.0 };
            let (p_atm_pa, k) = (1e3 * number(&row, "p_atm_kpa"), 273.15 + number(&row, "t_c"));
            let chamber = dry(p_atm_pa + 1e3 * number(&row, "p_gauge_kpa"), k);
            let flow = passage.outflow(chamber, dry(p_atm_pa, k)).kg_s;
            assert_near(flow, number(&row, "mass_flow_kg_s_out_positive"), 1e-7, &row);
            assert_near(flow / NORMAL_LITRE_KG, number(&row, "normal_l_s"), 2e-6, &row);
        }
    }

    #[test]
    fn a_conductance_gives_the_flow_of_iso_6358() {
        // Source: ISO 6358-1:2013 with m = 0.5, computed apart; tests/reference/iso6358.csv.
        for row in rows("iso6358.csv") {
            let (c_m3_s_pa, b) = (number(&row, "c_m3_s_pa"), number(&row, "b"));
            let passage = Passage::Conductance { c_m3_s_pa, b, area_m2: 0.0 };
            let k = number(&row, "t1_k");
            let flow = passage.outflow(dry(1e3 * number(&row, "p1_kpa"), k), dry(1e3 * number(&row, "p2_kpa"), k));
            assert_near(flow.kg_s, number(&row, "iso6358_mass_flow_kg_s"), 1e-6, &row);
        }
    }

    #[test]
    fn a_sharp_edge_has_the_coefficients_of_the_handbook() {
        // Source: Perry's Chemical Engineers' Handbook, 0.61 at 0.95, 0.74 at 0.53, 0.80 at 0.36, 0.83 at 0.24.
        for (ratio, coefficient) in [(0.95, 0.61), (0.53, 0.74), (0.36, 0.80), (0.24, 0.83)] {
            assert!((sharp_edge_coefficient(ratio) - coefficient).abs() < 1e-12, "{ratio}");
        }
        let flow = |sharpness, into_pa| {
            let at_reference = sharp_edge_coefficient(0.53);
            let passage = Passage::Edge { area_m2: 5e-6, out: 0.65, into: 0.65, sharpness, at_reference };
            passage.outflow(dry(1e6, 285.0), dry(into_pa, 285.0)).kg_s
        };
        assert!((flow(1.0, 0.53e6) / flow(0.0, 0.53e6) - 1.0).abs() < 1e-9);
        assert!((flow(1.0, 0.24e6) / flow(0.0, 0.24e6) - 0.83 / 0.74).abs() < 1e-9);
    }

    #[test]
    fn moist_air_carries_as_much_less_dry_air_as_the_handbook_says() {
        // Source: psychrometrics: at 20 degC and 101.325 kPa saturated air holds 14.7 g of water a kilogram of dry air
        // (ASHRAE Fundamentals), at a vapour pressure of 2.339 kPa.
        assert!((vapour_pressure_pa(20.0) / 2339.0 - 1.0).abs() < 0.003);
        let gas = Gas { pa: 101_325.0, k: 293.15, vapour_pa: 2339.0 };
        let vapour = gas.vapour_pa / gas.pa;
        let dry_of_moist = 1.0 / 1.0147;
        let lighter = 1.0 - 0.378 * vapour;
        assert!((gas.dry_share() - dry_of_moist * lighter.sqrt()).abs() < 2e-4, "{}", gas.dry_share());
    }

    #[test]
    fn the_slope_of_the_flow_is_about_its_derivative() {
        let passage = Passage::Edge { area_m2: 5e-6, out: 0.65, into: 0.65, sharpness: 0.0, at_reference: 1.0 };
        let outside = dry(101_325.0, 285.0);
        for gauge_pa in [-40_000.0, -10_000.0, -30.0, 30.0, 2_000.0, 40_000.0, 300_000.0] {
            let at = |gauge_pa: f64| passage.outflow(dry(101_325.0 + gauge_pa, 285.0), outside);
            let difference = (at(gauge_pa + 1.0).kg_s - at(gauge_pa - 1.0).kg_s) / 2.0;
            let slope = at(gauge_pa).slope_kg_s_pa;
            assert!((slope / difference - 1.0).abs() < 0.08, "{gauge_pa}: {slope} for {difference}");
        }
    }
}
