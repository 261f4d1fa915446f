//! Air through an orifice, both ways, choked or not.
//!
//! Everything that does not change with pressure is worked out when the orifice is built, so that a choked flow costs
//! one multiplication and only the unchoked one needs powers.

use serde::{Deserialize, Serialize};

/// Ratio of specific heats of air. Source: ISO 2533.
pub const GAMMA: f32 = 1.4;
/// Specific gas constant of dry air, J/(kg K). Source: ISO 2533 (287.05287), rounded as ISO 6358 users do.
pub const R_AIR_J_KG_K: f32 = 287.053;
/// p2/p1 at and below which the flow is choked, (2/(gamma+1))^(gamma/(gamma-1)).
pub const CRITICAL_RATIO: f32 = 0.528_281_8;
/// sqrt(gamma) (2/(gamma+1))^((gamma+1)/(2(gamma-1))): the choked mass flow is this times A p1 / sqrt(R T1).
const CHOKED_FACTOR: f32 = 0.684_731_5;
/// Normal density of dry air (0 degC, 101.325 kPa), kg/m3.
pub const NORMAL_DENSITY_KG_M3: f32 = 1.292_270_2;
/// Normal litres in one litre at 1 kPa absolute, times kelvin: 273.15 / 101.325.
pub const NORMAL_LITRE_KELVIN_PER_KPA_L: f32 = 2.695_781;
/// Reference density of ISO 6358 / ISO 8778 (20 degC, 100 kPa, 65 % relative humidity), kg/m3.
pub const ISO6358_DENSITY_KG_M3: f32 = 1.185;
/// Reference temperature of ISO 6358, K.
pub const ISO6358_TEMPERATURE_K: f32 = 293.15;

/// How much air an orifice passes.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub enum Orifice {
    /// Isentropic flow through an area with a discharge coefficient.
    Area {
        /// Discharge coefficient times area, mm2.
        effective_area_mm2: f32,
    },
    /// ISO 6358-1: a device with a tested conductance.
    Conductance {
        /// Sonic conductance C, dm3/(s bar) on the standard's own reference conditions.
        sonic_conductance_dm3_s_bar: f32,
        /// Critical ratio b.
        critical_ratio: f32,
    },
}

impl Orifice {
    /// Mass flow from `upstream` to `downstream`; zero when there is no fall.
    ///
    /// One law for both directions: swap the pressures for air drawn in.
    ///
    /// # Units
    /// Absolute pressures in kPa, upstream temperature in K; result in kg/s.
    /// # Source
    /// Isentropic: White, Fluid Mechanics, chapter 9. Conductance: ISO 6358-1 with exponent 0.5 and no cracking
    /// pressure (from memory).
    pub fn mass_flow_kg_s(self, upstream_kpa_abs: f32, downstream_kpa_abs: f32, temperature_k: f32) -> f32 {
        if upstream_kpa_abs.is_nan()
            || downstream_kpa_abs.is_nan()
            || downstream_kpa_abs >= upstream_kpa_abs
            || temperature_k <= 0.0
        {
            return 0.0;
        }
        let ratio = (downstream_kpa_abs / upstream_kpa_abs).max(0.0);
        match self {
            Orifice::Area { effective_area_mm2 } => {
                // mm2 * kPa = 1e-6 m2 * 1e3 Pa = 1e-3 N.
                let choked = CHOKED_FACTOR * 1e-3 * effective_area_mm2 * upstream_kpa_abs
                    / libm::sqrtf(R_AIR_J_KG_K * temperature_k);
                choked * isentropic_share(ratio)
            }
            Orifice::Conductance { sonic_conductance_dm3_s_bar, critical_ratio } => {
                // dm3/(s bar) * kPa = 1e-3 m3/s * 1e-2.
                let choked = 1e-5
                    * sonic_conductance_dm3_s_bar
                    * upstream_kpa_abs
                    * ISO6358_DENSITY_KG_M3
                    * libm::sqrtf(ISO6358_TEMPERATURE_K / temperature_k);
                choked * elliptic_share(ratio, critical_ratio)
            }
        }
    }

    /// Volume flow in normal litres a second out of a chamber at `gauge_kpa`; negative when air is drawn in.
    ///
    /// The upstream air is taken to have `temperature_k` either way.
    // Not inlined: it stands in many places, and a device's flash is small.
    #[inline(never)]
    pub fn normal_flow_nl_s(self, gauge_kpa: f32, p_atm_kpa: f32, temperature_k: f32) -> f32 {
        let chamber_kpa = (gauge_kpa + p_atm_kpa).max(0.0);
        let mass_flow_kg_s = if gauge_kpa >= 0.0 {
            self.mass_flow_kg_s(chamber_kpa, p_atm_kpa, temperature_k)
        } else {
            -self.mass_flow_kg_s(p_atm_kpa, chamber_kpa, temperature_k)
        };
        mass_flow_kg_s * (1000.0 / NORMAL_DENSITY_KG_M3)
    }
}

/// Share of the choked flow that passes at a pressure ratio, isentropic.
fn isentropic_share(ratio: f32) -> f32 {
    if ratio <= CRITICAL_RATIO {
        return 1.0;
    }
    // r^(2/g) - r^((g+1)/g) with g = 7/5 is s^10 - s^12 with s = r^(1/7).
    let s = libm::expf(libm::logf(ratio) * (1.0 / 7.0));
    let s2 = s * s;
    let s10 = s2 * s2 * s2 * s2 * s2;
    let fall = s10 * (1.0 - s2).max(0.0);
    // sqrt(2 g/(g-1)) / CHOKED_FACTOR
    3.863_925_5 * libm::sqrtf(fall)
}

/// Share of the choked flow that passes at a pressure ratio, ellipse of ISO 6358-1.
fn elliptic_share(ratio: f32, critical_ratio: f32) -> f32 {
    if ratio <= critical_ratio || critical_ratio >= 1.0 {
        return 1.0;
    }
    let beyond = (ratio - critical_ratio) / (1.0 - critical_ratio);
    libm::sqrtf((1.0 - beyond * beyond).max(0.0))
}

/// Normal litres of air held by a volume at a pressure and temperature.
///
/// # Units
/// Absolute pressure in kPa, volume in litres, temperature in K.
#[inline(always)]
pub fn normal_litres(pressure_kpa_abs: f32, volume_l: f32, temperature_k: f32) -> f32 {
    pressure_kpa_abs * volume_l * (NORMAL_LITRE_KELVIN_PER_KPA_L / temperature_k)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn unchoked_flow_joins_choked_flow() {
        assert!((isentropic_share(CRITICAL_RATIO + 1e-4) - 1.0).abs() < 1e-5);
        assert!((elliptic_share(0.3, 0.3) - 1.0).abs() < 1e-6);
        assert!(isentropic_share(1.0) == 0.0);
    }

    #[test]
    fn no_fall_of_pressure_no_flow() {
        let orifice = Orifice::Area { effective_area_mm2: 3.0 };
        assert_eq!(orifice.mass_flow_kg_s(100.0, 100.0, 288.15), 0.0);
        assert_eq!(orifice.mass_flow_kg_s(100.0, 200.0, 288.15), 0.0);
        assert_eq!(orifice.mass_flow_kg_s(f32::NAN, 100.0, 288.15), 0.0);
    }
}
