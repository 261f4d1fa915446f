//! The orifices of a site as the detector computes with them, and what they pass at a steady pressure.

use airvalve_monitor::airflow::{CRITICAL_RATIO, NORMAL_DENSITY_KG_M3, Orifice};

use crate::model::{OrificeFlow, Site};

/// Coefficients of a sharp edge over pressure ratio p2/p1. Source: at [`sharp_edge_coefficient`].
const SHARP_EDGE: [(f64, f64); 4] = [(0.24, 0.83), (0.36, 0.80), (0.53, 0.74), (0.95, 0.61)];

/// Discharge coefficient of a sharp-edged orifice for air, by pressure ratio p2/p1: on a line between the values of the
/// table, level beyond them.
///
/// # Source
/// Published: Perry's Chemical Engineers' Handbook: 0.61 at p2/p1 = 0.95, 0.74 at 0.53, 0.80 at 0.36, 0.83 at 0.24.
///
/// # Example
/// ```
/// # use airvalve_site::sharp_edge_coefficient;
/// assert!((sharp_edge_coefficient(0.74) - 0.675).abs() < 1e-12);
/// ```
pub fn sharp_edge_coefficient(ratio: f64) -> f64 {
    let [mut before, ..] = SHARP_EDGE;
    if ratio <= before.0 {
        return before.1;
    }
    for point in SHARP_EDGE {
        if ratio <= point.0 && point.0 > before.0 {
            return before.1 + (point.1 - before.1) * (ratio - before.0) / (point.0 - before.0);
        }
        before = point;
    }
    before.1
}

/// Air that leaves a space through an orifice.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct SteadyFlow {
    /// Normal litres (0 degC, 101.325 kPa) a minute.
    pub(crate) nl_min: f64,
    /// Whether the flow is choked.
    pub(crate) is_choked: bool,
}

impl Site {
    /// A release orifice at working pressure: a coefficient given at another pressure ratio is carried over.
    pub(crate) fn release_orifice(&self, flow: &OrificeFlow) -> Orifice {
        match *flow {
            OrificeFlow::Coefficient { diameter_mm, discharge_coefficient, reference_ratio } => {
                let working_ratio = self.p_atm_kpa / (self.p_atm_kpa + self.line.working_kpa);
                let carried = reference_ratio
                    .map_or(1.0, |ratio| sharp_edge_coefficient(working_ratio) / sharp_edge_coefficient(ratio));
                round(diameter_mm, discharge_coefficient * carried)
            }
            OrificeFlow::Conductance { sonic_conductance_dm3_s_bar, critical_ratio } => Orifice::Conductance {
                sonic_conductance_dm3_s_bar: sonic_conductance_dm3_s_bar as f32,
                critical_ratio: critical_ratio as f32,
            },
        }
    }
}

/// A round orifice.
pub(crate) fn round(diameter_mm: f64, discharge_coefficient: f64) -> Orifice {
    let circle_mm2 = std::f64::consts::FRAC_PI_4 * diameter_mm * diameter_mm;
    Orifice::Area { effective_area_mm2: (discharge_coefficient * circle_mm2) as f32 }
}

/// Air that flows between two absolute pressures in kPa, the upstream air at a temperature in degC.
pub(crate) fn steady(orifice: Orifice, upstream_kpa: f64, downstream_kpa: f64, temperature_c: f64) -> SteadyFlow {
    let critical_ratio = match orifice {
        Orifice::Area { .. } => CRITICAL_RATIO,
        Orifice::Conductance { critical_ratio, .. } => critical_ratio,
    };
    let temperature_k = (temperature_c + 273.15) as f32;
    let kg_s = orifice.mass_flow_kg_s(upstream_kpa as f32, downstream_kpa as f32, temperature_k);
    SteadyFlow {
        nl_min: f64::from(kg_s / NORMAL_DENSITY_KG_M3) * 60_000.0,
        is_choked: downstream_kpa <= f64::from(critical_ratio) * upstream_kpa,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_sharp_edge_follows_its_table_and_stays_level_beyond() {
        for (ratio, coefficient) in SHARP_EDGE {
            assert!((sharp_edge_coefficient(ratio) - coefficient).abs() < 1e-12, "{ratio}");
        }
        assert!((sharp_edge_coefficient(0.74) - 0.675).abs() < 1e-12);
        assert_eq!((sharp_edge_coefficient(0.0), sharp_edge_coefficient(0.1)), (0.83, 0.83));
        assert!((sharp_edge_coefficient(1.0) - 0.61).abs() < 1e-12);
    }
}
