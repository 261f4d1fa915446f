//! Air: gas law constants, flow through orifices both ways, volumes on the normal basis.

use airvalve_site::{model::OrificeFlow, sharp_edge_coefficient};

/// Gas constant of dry air, J/(kg K). Source: ISO 2533.
pub const GAS_CONSTANT_J_KG_K: f64 = 287.053;
/// Mass of a normal litre of dry air (0 degC, 101.325 kPa), kg.
pub const NORMAL_LITRE_KG: f64 = 101_325.0 / (GAS_CONSTANT_J_KG_K * 273.15) * 1e-3;
/// p2/p1 below which the flow of air no longer depends on p2. Source: NACA Report 1135, gamma 1.4.
pub const CRITICAL_RATIO: f64 = 0.528_281_787_717_174;
/// m sqrt(R T) / (A p1) of a choked flow. Source: the same.
const CHOKED_FACTOR: f64 = 0.684_731_456_378_1;
/// Reference density of ISO 6358-1 (20 degC, 100 kPa, 65 % RH), kg/m3. Source: ISO 8778.
const CONDUCTANCE_DENSITY_KG_M3: f64 = 1.185;
/// Density of water, kg/m3.
pub(crate) const WATER_KG_M3: f64 = 1000.0;

/// Isentropic mass flow of air through one square metre of ideal orifice, choked or not.
///
/// # Units
/// Absolute pressures in Pa with `upstream_pa >= downstream_pa`, temperature in K; result in kg/(s m2).
/// # Source
/// Published: White, Fluid Mechanics, chapter 9, with gamma = 1.4, for which all powers are twelfths of a seventh root.
/// # Example
/// ```
/// let flux = airvalve_simulator::air::mass_flux_kg_s_m2(1.0e6, 101_325.0, 293.15);
/// assert!((flux - 2360.447).abs() < 0.01);
/// ```
#[inline]
pub fn mass_flux_kg_s_m2(upstream_pa: f64, downstream_pa: f64, upstream_k: f64) -> f64 {
    let root = (GAS_CONSTANT_J_KG_K * upstream_k).sqrt();
    let ratio = downstream_pa / upstream_pa;
    if ratio <= CRITICAL_RATIO {
        CHOKED_FACTOR * upstream_pa / root
    } else {
        // 2g/(g-1) (r^(2/g) - r^((g+1)/g)) = 7 (y^10 - y^12) with y = r^(1/7).
        let y2 = {
            let y = seventh_root(ratio);
            y * y
        };
        let y4 = y2 * y2;
        upstream_pa * (7.0 * y4 * y4 * y2 * (1.0 - y2)).max(0.0).sqrt() / root
    }
}

/// Seventh root of a number from 0.5 to 1: a start value from the binomial series, then Newton's method.
#[inline]
fn seventh_root(r: f64) -> f64 {
    let u = 1.0 - r;
    let mut y = 1.0 - u * (1.0 / 7.0 + u * (3.0 / 49.0 + u * (13.0 / 343.0)));
    for _ in 0..3 {
        let y2 = y * y;
        let y6 = y2 * y2 * y2;
        y -= (y6 * y - r) / (7.0 * y6);
    }
    y
}

/// A way for air through a seat.
#[derive(Clone, Copy, Debug)]
pub enum Passage {
    /// Area and discharge coefficient.
    Coefficient {
        /// Effective area for air that leaves, m2.
        outward_m2: f64,
        /// Effective area for air that enters, m2.
        inward_m2: f64,
        /// How sharp the edge is: 0 the coefficient is constant, 1 it follows [`sharp_edge_coefficient`].
        edge: f64,
        /// [`sharp_edge_coefficient`] at the ratio at which the coefficient holds.
        reference: f64,
    },
    /// Sonic conductance and critical ratio of ISO 6358-1.
    Conductance {
        /// Sonic conductance, m3/(s Pa).
        conductance_m3_s_pa: f64,
        /// Critical pressure ratio.
        critical_ratio: f64,
    },
}

impl Passage {
    /// The passage of a release orifice; `working_ratio` is p2/p1 at working pressure, `edge` from 0 (rounded) to 1.
    pub fn from_flow(flow: OrificeFlow, working_ratio: f64, edge: f64) -> Passage {
        match flow {
            OrificeFlow::Coefficient { diameter_mm, discharge_coefficient, reference_ratio } => {
                let effective_m2 = discharge_coefficient * area_m2(diameter_mm);
                Passage::Coefficient {
                    outward_m2: effective_m2,
                    inward_m2: effective_m2,
                    edge,
                    reference: sharp_edge_coefficient(reference_ratio.unwrap_or(working_ratio)),
                }
            }
            OrificeFlow::Conductance { sonic_conductance_dm3_s_bar, critical_ratio } => {
                Passage::Conductance { conductance_m3_s_pa: sonic_conductance_dm3_s_bar * 1e-8, critical_ratio }
            }
        }
    }

    /// A passage of constant coefficients.
    pub fn rounded(diameter_mm: f64, outward: f64, inward: f64) -> Passage {
        Passage::Coefficient {
            outward_m2: outward * area_m2(diameter_mm),
            inward_m2: inward * area_m2(diameter_mm),
            edge: 0.0,
            reference: 1.0,
        }
    }

    /// The same passage, so many times as wide.
    pub fn scaled(self, factor: f64) -> Passage {
        match self {
            Passage::Coefficient { outward_m2, inward_m2, edge, reference } => {
                Passage::Coefficient { outward_m2: outward_m2 * factor, inward_m2: inward_m2 * factor, edge, reference }
            }
            Passage::Conductance { conductance_m3_s_pa, critical_ratio } => {
                Passage::Conductance { conductance_m3_s_pa: conductance_m3_s_pa * factor, critical_ratio }
            }
        }
    }

    /// Mass flow of air from the greater to the smaller pressure, kg/s; pressures absolute in Pa, temperature in K.
    #[inline]
    pub fn mass_flow_kg_s(self, upstream_pa: f64, downstream_pa: f64, upstream_k: f64, is_inward: bool) -> f64 {
        match self {
            Passage::Coefficient { outward_m2, inward_m2, edge, reference } => {
                let area_m2 = if is_inward { inward_m2 } else { outward_m2 };
                let shape = if edge > 0.0 {
                    let here = sharp_edge_coefficient(downstream_pa / upstream_pa);
                    1.0 + edge * (here / reference - 1.0)
                } else {
                    1.0
                };
                area_m2 * shape * mass_flux_kg_s_m2(upstream_pa, downstream_pa, upstream_k)
            }
            Passage::Conductance { conductance_m3_s_pa, critical_ratio } => {
                let ratio = downstream_pa / upstream_pa;
                let over = ((ratio - critical_ratio) / (1.0 - critical_ratio)).max(0.0);
                conductance_m3_s_pa
                    * upstream_pa
                    * CONDUCTANCE_DENSITY_KG_M3
                    * (293.15 / upstream_k * (1.0 - over * over).max(0.0)).sqrt()
            }
        }
    }

    /// Effective area for liquid that leaves, m2.
    pub fn liquid_m2(self) -> f64 {
        match self {
            Passage::Coefficient { outward_m2, .. } => outward_m2,
            // Effective area = 5.02 C (C in dm3/(s bar), area in mm2), from the two laws.
            Passage::Conductance { conductance_m3_s_pa, .. } => conductance_m3_s_pa * 1e8 * 5.02e-6,
        }
    }
}

fn area_m2(diameter_mm: f64) -> f64 {
    0.25 * core::f64::consts::PI * (diameter_mm * 1e-3) * (diameter_mm * 1e-3)
}

/// Water vapour pressure over water, Pa, -20 to 60 degC.
///
/// # Source
/// Published: Magnus form of WMO-No. 8, annex 4.B.
pub(crate) fn vapour_pressure_pa(celsius: f64) -> f64 {
    611.2 * libm::exp(17.62 * celsius / (243.12 + celsius))
}

/// Share of the dry-air law's mass flow that is dry air when the air is saturated with water.
pub(crate) fn dry_share(celsius: f64, pressure_pa: f64) -> f64 {
    let humidity = 0.622 * vapour_pressure_pa(celsius) / pressure_pa;
    (1.0 - humidity) * (1.0 - 0.304 * humidity)
}
