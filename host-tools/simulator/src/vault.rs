//! Hydrogen sulphide in the vault: the air around the vent outlet and the rest, and water on the floor.

/// Two well-mixed spaces that exchange air.
#[derive(Clone, Debug)]
pub(crate) struct VaultAir {
    /// Volume, m3, and concentration, ppm, of the air around the vent outlet.
    pub(crate) near_m3: f64,
    pub(crate) near_ppm: f64,
    /// Of the rest of the vault.
    pub(crate) rest_m3: f64,
    pub(crate) rest_ppm: f64,
    /// Exchange between them, m3/s.
    pub(crate) exchange_m3_s: f64,
    /// Air changes of the vault, 1/s.
    pub(crate) changes_per_s: f64,
    /// Concentration in the gas that comes out of the main, ppm.
    pub(crate) gas_ppm: f64,
    /// Litres of air that a litre of spilled sewage brings to the gas's strength.
    pub(crate) stripping: f64,
    /// Water on the floor, and what the drain takes, m3 and m3/s.
    pub(crate) water_m3: f64,
    pub(crate) drain_m3_s: f64,
}

impl VaultAir {
    /// Lets gas and sewage of `dt` seconds in, m3 each; backward Euler, which keeps a concentration between its sources.
    pub(crate) fn advance(&mut self, dt: f64, gas_m3: f64, spilled_m3: f64) {
        let exchange_m3 = dt * self.exchange_m3_s;
        let source_m3 = gas_m3 + self.stripping * spilled_m3;
        self.near_ppm = (self.near_m3 * self.near_ppm + source_m3 * self.gas_ppm + exchange_m3 * self.rest_ppm)
            / (self.near_m3 + source_m3 + exchange_m3);
        let aired_m3 = dt * self.changes_per_s * self.rest_m3;
        self.rest_ppm = (self.rest_m3 * self.rest_ppm + (exchange_m3 + gas_m3) * self.near_ppm)
            / (self.rest_m3 + exchange_m3 + gas_m3 + aired_m3);
        let drained_m3 = dt * self.drain_m3_s;
        self.water_m3 = (self.water_m3 + spilled_m3 - drained_m3).max(0.0);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn odour_decays_as_the_air_changes_say() {
        let mut air = VaultAir {
            near_m3: 0.05,
            near_ppm: 50.0,
            rest_m3: 5.0,
            rest_ppm: 50.0,
            exchange_m3_s: 0.0025,
            changes_per_s: 2.0 / 3600.0,
            gas_ppm: 250.0,
            stripping: 1.5,
            water_m3: 0.0,
            drain_m3_s: 0.0,
        };
        for _ in 0..36_000 {
            air.advance(0.1, 0.0, 0.0);
        }
        // Source: closed form of a well-mixed space, exp(-n t); the near air is a 1 % store that lags by 20 s.
        let expected = 50.0 * (-2.0_f64).exp();
        assert!((air.rest_ppm / expected - 1.0).abs() < 0.025, "{}", air.rest_ppm);
        assert!((air.near_ppm / air.rest_ppm - 1.0).abs() < 0.02);
    }

    #[test]
    fn a_spill_never_brings_more_than_the_gas_holds() {
        let mut air = VaultAir {
            near_m3: 0.05,
            near_ppm: 0.0,
            rest_m3: 5.0,
            rest_ppm: 0.0,
            exchange_m3_s: 0.0025,
            changes_per_s: 2.0 / 3600.0,
            gas_ppm: 250.0,
            stripping: 1.5,
            water_m3: 0.0,
            drain_m3_s: 0.0005,
        };
        for _ in 0..10_000 {
            air.advance(1.0, 0.0, 0.01);
        }
        assert!(air.near_ppm > 100.0 && air.near_ppm < 250.0);
        assert!(air.water_m3 > 90.0);
    }
}
