//! What an orifice passes at a steady pressure, for the explanation of a site.

use airvalve_monitor::airflow::{CRITICAL_RATIO, Orifice};

use crate::model::OrificeFlow;

/// Air that leaves a space through an orifice.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct SteadyFlow {
    /// Normal litres (0 degC, 101.325 kPa) a minute.
    pub(crate) nl_min: f64,
    /// Whether the flow is choked.
    pub(crate) is_choked: bool,
}

impl OrificeFlow {
    /// The orifice as the detector computes with it, the coefficient taken as it is given.
    pub(crate) fn orifice(&self) -> Orifice {
        match *self {
            OrificeFlow::Coefficient { diameter_mm, discharge_coefficient, .. } => {
                Orifice::Area { effective_area_mm2: (discharge_coefficient * circle_mm2(diameter_mm)) as f32 }
            }
            OrificeFlow::Conductance { sonic_conductance_dm3_s_bar, critical_ratio } => Orifice::Conductance {
                sonic_conductance_dm3_s_bar: sonic_conductance_dm3_s_bar as f32,
                critical_ratio: critical_ratio as f32,
            },
        }
    }

    /// Air that flows between two absolute pressures in kPa, the upstream air at a temperature in degC.
    pub(crate) fn steady(&self, upstream_kpa: f64, downstream_kpa: f64, temperature_c: f64) -> SteadyFlow {
        let orifice = self.orifice();
        let critical_ratio = match orifice {
            Orifice::Area { .. } => CRITICAL_RATIO,
            Orifice::Conductance { critical_ratio, .. } => critical_ratio,
        };
        let temperature_k = (temperature_c + 273.15) as f32;
        let kg_s = orifice.mass_flow_kg_s(upstream_kpa as f32, downstream_kpa as f32, temperature_k);
        SteadyFlow {
            nl_min: f64::from(kg_s / airvalve_monitor::airflow::NORMAL_DENSITY_KG_M3) * 60_000.0,
            is_choked: downstream_kpa <= f64::from(critical_ratio) * upstream_kpa,
        }
    }
}

/// Area of a circle, mm2.
pub(crate) fn circle_mm2(diameter_mm: f64) -> f64 {
    std::f64::consts::FRAC_PI_4 * diameter_mm * diameter_mm
}
