//! What the tests of the second model share.
#![allow(dead_code, unreachable_pub, clippy::unwrap_used, clippy::expect_used, clippy::panic)]

use std::path::Path;

use airvalve_second_model::{Glimpse, Scenario, Simulation, Truth};
use airvalve_sensors::{Channel, FrontEnd};
use airvalve_site::Site;

/// The invented valve of the first simulator's examples: 180 kPa static, 320 kPa working, 28 L/s.
pub const SITE: &str = include_str!("../../../simulator/examples/valve-a.toml");

pub fn site() -> Site {
    Site::parse(SITE, Path::new("valve-a.toml")).expect("the site of the tests is good")
}

pub fn scenario(body: &str) -> Scenario {
    let text = format!("site = \"valve-a.toml\"\n{body}\n");
    Scenario::parse(&text, Path::new("test.toml")).unwrap_or_else(|error| panic!("{error}"))
}

pub fn simulation(body: &str) -> Simulation {
    Simulation::new(&scenario(body), &site(), None).expect("the scenario fits the site")
}

/// A look at every sample: hours after the start, the plant.
pub fn play(body: &str, mut look: impl FnMut(f64, &Glimpse)) -> Truth {
    let mut simulation = simulation(body);
    let hz = simulation.sample_hz();
    let mut index = 0_u32;
    while simulation.next().is_some() {
        look(f64::from(index) / hz / 3600.0, &simulation.glimpse());
        index += 1;
    }
    simulation.finish()
}

/// The codes of a channel as loop currents in mA, NaN where missing, with hours after the start.
pub fn currents(body: &str, channel: Channel) -> Vec<(f64, f64)> {
    let mut simulation = simulation(body);
    let hz = simulation.sample_hz();
    let front_end = FrontEnd::default();
    let mut all = Vec::new();
    while simulation.next().is_some() {
        let current = front_end.current_from_code(simulation.codes().get(channel));
        let ma = current.map_or(f64::NAN, |current| f64::from(current.as_milliamperes()));
        all.push((all.len() as f64 / hz / 3600.0, ma));
    }
    all
}

/// Least, mean, greatest and standard deviation of something.
#[derive(Clone, Copy, Debug)]
pub struct Spread {
    pub least: f64,
    pub greatest: f64,
    sum: f64,
    squares: f64,
    n: f64,
}

impl Default for Spread {
    fn default() -> Spread {
        Spread { least: f64::INFINITY, greatest: f64::NEG_INFINITY, sum: 0.0, squares: 0.0, n: 0.0 }
    }
}

impl Spread {
    pub fn add(&mut self, x: f64) {
        self.least = self.least.min(x);
        self.greatest = self.greatest.max(x);
        self.sum += x;
        self.squares += x * x;
        self.n += 1.0;
    }

    pub fn mean(&self) -> f64 {
        self.sum / self.n
    }

    pub fn deviation(&self) -> f64 {
        (self.squares / self.n - self.mean() * self.mean()).max(0.0).sqrt()
    }
}

/// Middle value.
pub fn median(mut values: Vec<f64>) -> f64 {
    values.sort_by(f64::total_cmp);
    values.get(values.len() / 2).copied().unwrap_or(f64::NAN)
}
