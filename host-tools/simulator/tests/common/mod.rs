//! What the tests of the simulator share.
#![allow(dead_code, unreachable_pub, clippy::unwrap_used, clippy::expect_used, clippy::panic)]

use std::path::Path;

use airvalve_simulator::{Glimpse, Scenario, Simulation, Truth};
use airvalve_site::Site;

/// An invented valve: 180 kPa static, 320 kPa working, 28 L/s.
pub const SITE: &str = include_str!("../../examples/valve-a.toml");

pub fn site() -> Site {
    Site::parse(SITE, Path::new("valve-a.toml")).expect("the site of the tests is good")
}

/// A scenario on that valve, without wander and noise that would blur what a test looks for.
pub fn scenario(body: &str) -> Scenario {
    let text = format!("site = \"valve-a.toml\"\n{body}\n");
    match Scenario::parse(&text, Path::new("test.toml")) {
        Ok(scenario) => scenario,
        Err(error) => panic!("{error}"),
    }
}

pub fn simulation(body: &str) -> Simulation {
    Simulation::new(&scenario(body), &site(), None).expect("the scenario fits the site")
}

/// Plays a scenario to its end, with a look at every sample: seconds after the start, the plant.
pub fn play(body: &str, mut look: impl FnMut(f64, &Glimpse)) -> Truth {
    let mut simulation = simulation(body);
    let hz = simulation.sample_hz();
    let mut index = 0_u32;
    while simulation.next().is_some() {
        look(f64::from(index) / hz, &simulation.glimpse());
        index += 1;
    }
    simulation.finish()
}

/// Least, mean and greatest of something.
#[derive(Clone, Copy, Debug)]
pub struct Spread {
    pub least: f64,
    pub greatest: f64,
    sum: f64,
    n: f64,
}

impl Default for Spread {
    fn default() -> Spread {
        Spread { least: f64::INFINITY, greatest: f64::NEG_INFINITY, sum: 0.0, n: 0.0 }
    }
}

impl Spread {
    pub fn add(&mut self, x: f64) {
        self.least = self.least.min(x);
        self.greatest = self.greatest.max(x);
        self.sum += x;
        self.n += 1.0;
    }

    pub fn mean(&self) -> f64 {
        self.sum / self.n
    }
}
