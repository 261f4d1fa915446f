//! The vault: hydrogen sulphide in two zones, its air's temperature, water on its floor.

use airvalve_simulator::scenario::Vault as VaultKeys;
use airvalve_site::Site;

use crate::{
    day,
    random::{Random, Wander},
};

/// The vault; goes on once a sample.
#[derive(Clone, Debug)]
pub(crate) struct Vault {
    random: Random,
    /// Strength of the gas over its mean, and of the draught; as logarithms they wander.
    strength: Wander,
    draught: Wander,
    gas_ppm: f64,
    strength_now: f64,
    draught_now: f64,
    near_m3: f64,
    far_m3: f64,
    exchange_m3_s: f64,
    ventilation_m3_s: f64,
    stripping: f64,
    drain_m3_s: f64,
    water_c: f64,
    swing_c: f64,
    pub(crate) air_c: f64,
    pub(crate) near_ppm: f64,
    far_ppm: f64,
    pub(crate) water_m3: f64,
    pub(crate) is_cover_open: bool,
    pub(crate) is_flooded: bool,
}

impl Vault {
    /// What the wanders move on by, s.
    pub(crate) const MINUTE_S: f64 = 60.0;

    pub(crate) fn new(keys: &VaultKeys, site: &Site, seed: u64) -> Vault {
        let mut random = Random::new(seed, 8);
        let near_m3 = (1e-3 * keys.near_volume_l).min(0.5 * site.vault.volume_m3);
        Vault {
            strength: Wander::new(3600.0, Self::MINUTE_S, &mut random),
            draught: Wander::new(900.0, Self::MINUTE_S, &mut random),
            gas_ppm: keys.gas_h2s_ppm.unwrap_or(if site.water.is_sewage { 250.0 } else { 0.0 }),
            strength_now: 1.0,
            draught_now: 1.0,
            near_m3,
            far_m3: site.vault.volume_m3 - near_m3,
            exchange_m3_s: 1e-3 * keys.near_exchange_l_s,
            ventilation_m3_s: site.vault.volume_m3 * site.vault.air_changes_per_h / 3600.0,
            stripping: keys.stripping,
            drain_m3_s: 1e-3 * keys.drain_l_s,
            water_c: site.water.temperature_c,
            swing_c: keys.temperature_swing_c,
            air_c: site.water.temperature_c,
            near_ppm: 0.0,
            far_ppm: 0.0,
            water_m3: 0.0,
            is_cover_open: false,
            is_flooded: false,
            random,
        }
    }

    /// About once a minute: the hour, the strength of the gas and the draught move on.
    pub(crate) fn set_hour(&mut self, hour: f64) {
        const STRENGTH_SIGMA: f64 = 0.2;
        const DRAUGHT_SIGMA: f64 = 0.3;
        self.air_c = self.water_c + self.swing_c * day::swing(hour, 15.0, 0.0);
        self.strength_now = libm::exp(STRENGTH_SIGMA * self.strength.go_on(&mut self.random));
        self.draught_now = libm::exp(DRAUGHT_SIGMA * self.draught.go_on(&mut self.random));
    }

    /// One sample goes by, in which gas and liquid came out: m3 at the vault's pressure, m3.
    pub(crate) fn go_on(&mut self, gas_m3: f64, liquid_m3: f64, period_s: f64) {
        const OPEN_COVER_1_S: f64 = 20.0 / 3600.0;
        self.water_m3 = (self.water_m3 + liquid_m3 - self.drain_m3_s * period_s).clamp(0.0, self.near_m3 + self.far_m3);
        let opened = if self.is_cover_open { OPEN_COVER_1_S * (self.near_m3 + self.far_m3) } else { 0.0 };
        let ventilation = self.ventilation_m3_s * self.draught_now + opened;
        let exchange = self.exchange_m3_s * self.draught_now;
        let gas_m3_s = gas_m3 / period_s;
        // Spilled liquid brings air to the gas's strength, and no further.
        let stripped_m3_s = self.stripping * liquid_m3 / period_s;
        let gain = self.gas_ppm * self.strength_now * (gas_m3_s + stripped_m3_s);
        // Implicit, so that any period will do: near first, with the far zone as it was.
        let near = period_s / self.near_m3;
        let far = period_s / self.far_m3;
        self.near_ppm = (self.near_ppm + near * (gain + exchange * self.far_ppm))
            / (1.0 + near * (exchange + gas_m3_s + stripped_m3_s));
        let arriving = (exchange + gas_m3_s) * self.near_ppm;
        self.far_ppm = (self.far_ppm + far * arriving) / (1.0 + far * (exchange + ventilation + gas_m3_s));
    }

    /// Whether water stands over the contact on the floor.
    pub(crate) fn is_wet(&self) -> bool {
        const CONTACT_SHARE: f64 = 0.02;
        self.is_flooded || self.water_m3 > CONTACT_SHARE * (self.near_m3 + self.far_m3)
    }
}

#[cfg(test)]
#[allow(clippy::expect_used)]
mod tests {
    use std::path::Path;

    use airvalve_simulator::Scenario;

    use super::*;

    fn vault() -> Vault {
        let text = include_str!("../../simulator/examples/valve-a.toml");
        let site = Site::parse(text, Path::new("valve-a.toml")).expect("the example is good");
        let scenario = Scenario::parse("site = \"valve-a.toml\"\n", Path::new("x.toml")).expect("it is good");
        Vault::new(&scenario.vault, &site, 1)
    }

    /// Source: balance of a steady stream: what comes in leaves with the ventilation and with the displaced air.
    #[test]
    fn a_steady_release_settles_where_the_balance_says() {
        let (gas_m3_s, ventilation, exchange, strength_ppm) = (5e-4, 5.0 * 2.0 / 3600.0, 2.5e-3, 250.0);
        for period_s in [0.1, 1.0] {
            let mut vault = vault();
            for _ in 0..(20_000.0 / period_s) as u32 {
                vault.go_on(gas_m3_s * period_s, 0.0, period_s);
            }
            let far_ppm = gas_m3_s * strength_ppm / (ventilation + gas_m3_s);
            let near_ppm = (gas_m3_s * strength_ppm + exchange * far_ppm) / (exchange + gas_m3_s);
            assert!((vault.near_ppm / near_ppm - 1.0).abs() < 0.002, "{} for {near_ppm}", vault.near_ppm);
        }
    }

    #[test]
    fn spilled_sewage_never_makes_more_than_the_gas_has() {
        let mut vault = vault();
        for _ in 0..20_000 {
            vault.go_on(0.0, 0.05, 1.0);
        }
        assert!((200.0..=250.0).contains(&vault.near_ppm), "{}", vault.near_ppm);
        assert!(vault.is_wet());
    }
}
