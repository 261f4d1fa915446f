//! Air that arrives at the high point: a seeping stream, the cloud behind each pump start, slugs, and pockets.

use airvalve_simulator::scenario::Air;

use crate::{day, gas::NORMAL_LITRE_KG, random::Random};

/// A pocket on its way: mass left, and the rate at which it comes, kg and kg/s.
#[derive(Clone, Copy, Debug)]
struct Pocket {
    left_kg: f64,
    kg_s: f64,
}

/// Air on its way.
#[derive(Clone, Debug)]
pub(crate) struct Arrivals {
    random: Random,
    air: Air,
    /// Base stream whatever the flow, and a stream at full flow, kg/s.
    still_kg_s: f64,
    flowing_kg_s: f64,
    by_hour: f64,
    /// Cloud behind a pump start: two stages, so that it swells before it fades, kg.
    cloud_kg: [f64; 2],
    /// Slugs that are coming up, kg.
    slug_kg: f64,
    next_slug_s: f64,
    /// Slugs behind the last pump start that are still to come, and when the next does, s.
    train: (f64, f64),
    pockets: Vec<Pocket>,
}

/// Half of the base comes whatever the flow; the other half with the flow, as an average over the day.
const BASE_WITH_FLOW: f64 = 0.5;
/// Slugs come up over about this time, s.
const SLUG_S: f64 = 1.5;
/// Spread of slugs and of clouds: standard deviation of the logarithm.
const SLUG_SIGMA: f64 = 0.8;
const CLOUD_SIGMA: f64 = 0.3;

impl Arrivals {
    /// `duty` is the share of time that the pump runs in the mean.
    pub(crate) fn new(air: &Air, duty: f64, seed: u64) -> Arrivals {
        let per_hour = NORMAL_LITRE_KG / 3600.0;
        let mut random = Random::new(seed, 3);
        let with_flow = if duty > 0.05 { BASE_WITH_FLOW } else { 0.0 };
        let next_slug_s = gap_s(air, &mut random);
        Arrivals {
            still_kg_s: per_hour * (1.0 - with_flow) * air.base_nl_h,
            flowing_kg_s: per_hour * (air.pumping_nl_h + with_flow * air.base_nl_h / duty.clamp(0.05, 1.0)),
            by_hour: 1.0,
            cloud_kg: [0.0; 2],
            slug_kg: 0.0,
            next_slug_s,
            train: (0.0, f64::INFINITY),
            pockets: Vec::new(),
            air: air.clone(),
            random,
        }
    }

    pub(crate) fn set_hour(&mut self, hour: f64, now_s: f64) {
        let trend = (1.0 + 0.01 * self.air.trend_pct_d * now_s / 86_400.0).max(0.0);
        self.by_hour = trend * (1.0 + 0.01 * self.air.day_swing_pct * day::swing(hour, 15.0, 0.0));
    }

    pub(crate) fn pump_starts(&mut self, now_s: f64) {
        if self.air.train_slugs >= 1.0 {
            self.train = (self.air.train_slugs, now_s + self.gap_of_train_s());
        }
        if self.air.start_nl > 0.0 {
            self.cloud_kg[0] += self.random.log_normal(NORMAL_LITRE_KG * self.air.start_nl, CLOUD_SIGMA);
        }
    }

    pub(crate) fn pocket(&mut self, kg: f64, spread_s: f64) {
        self.pockets.push(Pocket { left_kg: kg, kg_s: kg / spread_s });
    }

    /// When the next slug comes, s after the start.
    pub(crate) fn next_slug_s(&self) -> f64 {
        self.next_slug_s.min(self.train.1)
    }

    /// No two slugs of a train come as far apart.
    fn gap_of_train_s(&mut self) -> f64 {
        self.air.train_gap_s * (0.5 + self.random.unit())
    }

    /// Slugs that are due are on their way from now on.
    pub(crate) fn take_slugs(&mut self, now_s: f64) {
        while now_s >= self.train.1 {
            self.slug_kg += self.random.log_normal(NORMAL_LITRE_KG * self.air.slug_nl, SLUG_SIGMA);
            let (left, at_s) = self.train;
            let next_s = if left > 1.0 { at_s + self.gap_of_train_s() } else { f64::INFINITY };
            self.train = (left - 1.0, next_s);
        }
        while now_s >= self.next_slug_s {
            self.slug_kg += self.random.log_normal(NORMAL_LITRE_KG * self.air.slug_nl, SLUG_SIGMA);
            self.next_slug_s += gap_s(&self.air, &mut self.random);
        }
    }

    /// Mean rate over the next `dt_s`, kg/s, and whether it is uneven.
    #[inline]
    pub(crate) fn rate_kg_s(&self, flow_share: f64, dt_s: f64) -> f64 {
        let stream = (self.still_kg_s + self.flowing_kg_s * flow_share) * self.by_hour;
        let cloud = self.cloud_kg[1] / (0.5 * self.air.start_spread_s + dt_s);
        let slug = if self.slug_kg > 0.0 { self.slug_kg / (SLUG_S + dt_s) } else { 0.0 };
        let pockets: f64 = self.pockets.iter().map(|pocket| pocket.kg_s.min(pocket.left_kg / dt_s)).sum();
        stream + cloud + slug + pockets
    }

    /// Takes from what is on its way what came in a step at [`Arrivals::rate_kg_s`].
    #[inline]
    pub(crate) fn take(&mut self, dt_s: f64) {
        let stage_s = 0.5 * self.air.start_spread_s;
        let [first, second] = self.cloud_kg;
        if first + second > 0.0 {
            let moved = first * dt_s / (stage_s + dt_s);
            self.cloud_kg = [first - moved, second + moved - second * dt_s / (stage_s + dt_s)];
            if self.cloud_kg[0] + self.cloud_kg[1] < 1e-9 {
                self.cloud_kg = [0.0; 2];
            }
        }
        if self.slug_kg > 0.0 {
            self.slug_kg -= self.slug_kg * dt_s / (SLUG_S + dt_s);
            if self.slug_kg < 1e-9 {
                self.slug_kg = 0.0;
            }
        }
        if !self.pockets.is_empty() {
            for pocket in &mut self.pockets {
                pocket.left_kg -= pocket.kg_s.min(pocket.left_kg / dt_s) * dt_s;
            }
            self.pockets.retain(|pocket| pocket.left_kg > 1e-9);
        }
    }
}

fn gap_s(air: &Air, random: &mut Random) -> f64 {
    if air.slugs_per_day > 0.0 { random.exponential(86_400.0 / air.slugs_per_day) } else { f64::INFINITY }
}

#[cfg(test)]
#[allow(clippy::expect_used)]
mod tests {
    use std::path::Path;

    use airvalve_simulator::Scenario;

    use super::*;

    /// Source: the scenario's own figures: 10 + 15 x duty NL/h, 0.6 NL a start, 12 slugs of 1.5 NL a day.
    #[test]
    fn air_comes_in_the_amounts_the_scenario_names_whatever_the_step() {
        let scenario = Scenario::parse("site = \"a.toml\"\n", Path::new("x.toml")).expect("it is good");
        for dt_s in [0.05, 0.5] {
            let mut arrivals = Arrivals::new(&scenario.air, 0.3, 5);
            let (mut came_kg, mut t_s, days) = (0.0, 0.0, 20.0);
            let mut is_running = false;
            while t_s < days * 86_400.0 {
                // 200 s on in 667 s.
                let runs = libm::fmod(t_s, 200.0 / 0.3) < 200.0;
                if runs && !is_running {
                    arrivals.pump_starts(t_s);
                }
                is_running = runs;
                arrivals.take_slugs(t_s);
                came_kg += dt_s * arrivals.rate_kg_s(if runs { 1.0 } else { 0.0 }, dt_s);
                arrivals.take(dt_s);
                t_s += dt_s;
            }
            let starts = 86_400.0 * 0.3 / 200.0;
            let expected_nl = 24.0 * (10.0 + 15.0 * 0.3) + 0.6 * starts + 12.0 * 1.5;
            let a_day_nl = came_kg / NORMAL_LITRE_KG / days;
            assert!((a_day_nl / expected_nl - 1.0).abs() < 0.03, "{a_day_nl} NL for {expected_nl}");
        }
    }
}
