//! What an orifice passes at a steady pressure, for the explanation of a site.

use crate::model::OrificeFlow;

const GAMMA: f64 = 1.4;
/// Gas constant of dry air, J/(kg K). Source: ISO 2533, clause 2.
const GAS_CONSTANT: f64 = 287.05287;
/// Density of dry air at 0 degC and 101.325 kPa, kg/m3, from the ideal gas law.
const NORMAL_DENSITY: f64 = 101_325.0 / (GAS_CONSTANT * 273.15);

/// Air that leaves a space through an orifice.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct SteadyFlow {
    /// Normal litres (0 degC, 101.325 kPa) a minute.
    pub nl_min: f64,
    /// Whether the flow is choked.
    pub is_choked: bool,
}

impl OrificeFlow {
    /// Air that flows from `upstream` to `downstream`, the coefficient taken as it is given.
    ///
    /// # Units
    /// Absolute pressures in kPa, upstream temperature in degC; zero when `upstream` is not the higher.
    /// # Source
    /// Published: isentropic flow of an ideal gas (NACA Report 1135); ISO 6358-1:2013 with exponent 0.5.
    pub fn steady(&self, upstream_kpa: f64, downstream_kpa: f64, temperature_c: f64) -> SteadyFlow {
        let ratio = downstream_kpa / upstream_kpa;
        if !(0.0..1.0).contains(&ratio) {
            return SteadyFlow { nl_min: 0.0, is_choked: false };
        }
        let (kg_s, critical_ratio) = match *self {
            OrificeFlow::Coefficient { diameter_mm, discharge_coefficient, .. } => {
                let area_m2 = std::f64::consts::PI / 4.0 * (diameter_mm / 1000.0).powi(2);
                let kg_s_m2 = isentropic_kg_s_m2(upstream_kpa * 1000.0, ratio, temperature_c);
                (discharge_coefficient * area_m2 * kg_s_m2, critical_ratio())
            }
            OrificeFlow::Conductance { sonic_conductance_dm3_s_bar, critical_ratio } => {
                let choked = sonic_conductance_dm3_s_bar / 1000.0 * upstream_kpa / 100.0
                    * 1.185
                    * (293.15 / (temperature_c + 273.15)).sqrt();
                let above = ((ratio - critical_ratio) / (1.0 - critical_ratio)).max(0.0);
                (choked * (1.0 - above * above).sqrt(), critical_ratio)
            }
        };
        SteadyFlow { nl_min: kg_s / NORMAL_DENSITY * 60_000.0, is_choked: ratio <= critical_ratio }
    }
}

fn critical_ratio() -> f64 {
    (2.0 / (GAMMA + 1.0_f64)).powf(GAMMA / (GAMMA - 1.0))
}

fn isentropic_kg_s_m2(upstream_pa: f64, ratio: f64, temperature_c: f64) -> f64 {
    let ratio = ratio.max(critical_ratio());
    let factor = ratio.powf(2.0 / GAMMA) - ratio.powf((GAMMA + 1.0) / GAMMA);
    let rt = GAS_CONSTANT * (temperature_c + 273.15);
    upstream_pa * (2.0 * GAMMA / ((GAMMA - 1.0) * rt) * factor).sqrt()
}
