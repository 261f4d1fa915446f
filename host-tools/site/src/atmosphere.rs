//! Atmospheric pressure from the altitude.

/// Pressure of the standard atmosphere at a geometric altitude, kPa absolute.
///
/// # Units
/// Altitude in m above sea level, -2,000 to 11,000 (the troposphere); result in kPa.
/// # Source
/// Published: ISO 2533:1975, clause 2 (constants and formulae of the troposphere).
/// # Example
/// ```
/// let p_kpa = airvalve_site::atmosphere::pressure_from_altitude_kpa(1000.0);
/// assert!((p_kpa - 89.876).abs() < 0.001);
/// ```
pub fn pressure_from_altitude_kpa(altitude_m: f64) -> f64 {
    const EARTH_RADIUS_M: f64 = 6_356_766.0;
    const SEA_LEVEL_KPA: f64 = 101.325;
    const SEA_LEVEL_K: f64 = 288.15;
    const LAPSE_K_M: f64 = 0.0065;
    const GRAVITY_M_S2: f64 = 9.80665;
    const GAS_CONSTANT_J_KG_K: f64 = 287.05287;
    let geopotential_m = EARTH_RADIUS_M * altitude_m / (EARTH_RADIUS_M + altitude_m);
    let exponent = GRAVITY_M_S2 / (GAS_CONSTANT_J_KG_K * LAPSE_K_M);
    SEA_LEVEL_KPA * (1.0 - LAPSE_K_M * geopotential_m / SEA_LEVEL_K).powf(exponent)
}
