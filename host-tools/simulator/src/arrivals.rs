//! Air that arrives at the high point.

use crate::{
    air::NORMAL_LITRE_KG,
    random::Random,
    scenario::Air,
    station::day_wave,
    steps::{Relaxation, Steps},
};

/// Time constant over which a slug arrives, s.
const SLUG_S: f64 = 6.0;

#[derive(Clone, Debug)]
pub(crate) struct Arrivals {
    settings: Air,
    base_kg_s: f64,
    /// Still to come after pump starts, and of slugs, kg.
    after_start_kg: f64,
    of_slugs_kg: f64,
    start_spread: Relaxation,
    slug_spread: Relaxation,
    next_slug_s: f64,
    /// Slugs of the train behind the last pump start that are still to come, and when the next does, s.
    train: (f64, f64),
    /// Rate and end of pockets, kg/s and s.
    pockets: Vec<(f64, f64)>,
    random: Random,
}

impl Arrivals {
    pub(crate) fn new(settings: &Air, steps: &Steps, random: Random) -> Arrivals {
        let mut arrivals = Arrivals {
            settings: settings.clone(),
            base_kg_s: 0.0,
            after_start_kg: 0.0,
            of_slugs_kg: 0.0,
            start_spread: Relaxation::new(steps, settings.start_spread_s),
            slug_spread: Relaxation::new(steps, SLUG_S),
            next_slug_s: 0.0,
            train: (0.0, f64::INFINITY),
            pockets: Vec::new(),
            random,
        };
        arrivals.draw_slug();
        arrivals
    }

    fn draw_slug(&mut self) {
        let per_s = self.settings.slugs_per_day / 86_400.0;
        self.next_slug_s += if per_s > 0.0 { self.random.exponential() / per_s } else { f64::INFINITY };
    }

    pub(crate) fn every_minute(&mut self, unix_s: f64, now_s: f64) {
        let day = 1.0 + 0.01 * self.settings.day_swing_pct * day_wave(unix_s, 15.0);
        let trend = (1.0 + 0.01 * self.settings.trend_pct_d * now_s / 86_400.0).max(0.0);
        self.base_kg_s = NORMAL_LITRE_KG / 3600.0 * self.settings.base_nl_h * day * trend;
    }

    pub(crate) fn pump_started(&mut self, now_s: f64) {
        if self.settings.train_slugs >= 1.0 {
            self.train = (self.settings.train_slugs, now_s + self.settings.train_gap_s);
        }
        self.after_start_kg += NORMAL_LITRE_KG * self.settings.start_nl;
    }

    pub(crate) fn pocket(&mut self, mass_kg: f64, spread_s: f64, now_s: f64) {
        self.pockets.push((mass_kg / spread_s, now_s + spread_s));
    }

    /// The next slug of a train is here; a main that is drained loses it.
    fn take_train(&mut self, is_full: bool) {
        let (left, at_s) = self.train;
        if is_full {
            self.of_slugs_kg += NORMAL_LITRE_KG * self.settings.slug_nl * self.random.exponential();
        }
        let next_s = if left > 1.0 { at_s + self.settings.train_gap_s } else { f64::INFINITY };
        self.train = (left - 1.0, next_s);
    }

    /// Mass that arrives in a step, kg; `is_full` whether there is a flowing main at all.
    #[inline]
    pub(crate) fn mass_kg(&mut self, now_s: f64, dt: f64, level: usize, is_pumping: bool, is_full: bool) -> f64 {
        while now_s >= self.next_slug_s {
            self.of_slugs_kg += NORMAL_LITRE_KG * self.settings.slug_nl * self.random.exponential();
            self.draw_slug();
        }
        if now_s >= self.train.1 {
            self.take_train(is_full);
        }
        let mut mass_kg = 0.0;
        if !self.pockets.is_empty() {
            self.pockets.retain(|(_, until_s)| now_s < *until_s);
            mass_kg += dt * self.pockets.iter().map(|(rate, _)| rate).sum::<f64>();
        }
        if !is_full {
            return mass_kg;
        }
        let pumping_kg_s = if is_pumping { NORMAL_LITRE_KG / 3600.0 * self.settings.pumping_nl_h } else { 0.0 };
        let after_start_kg = self.after_start_kg * self.start_spread.gone[level];
        let of_slugs_kg = self.of_slugs_kg * self.slug_spread.gone[level];
        self.after_start_kg -= after_start_kg;
        self.of_slugs_kg -= of_slugs_kg;
        mass_kg + dt * (self.base_kg_s + pumping_kg_s) + after_start_kg + of_slugs_kg
    }

    /// Whether air is rushing in: a step may then be no longer than a fraction of a second.
    pub(crate) fn is_rushing(&self) -> bool {
        !self.pockets.is_empty() || self.of_slugs_kg > 0.05 * NORMAL_LITRE_KG
    }
}
