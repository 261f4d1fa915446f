//! How many samples a second the detector takes on one core, and how much state it keeps.
//!
//! Run: `cargo run --release -p airvalve-monitor --example detector_speed`
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

#[path = "../tests/common/mod.rs"]
mod common;

use std::time::Instant;

use airvalve_monitor::Monitor;
use airvalve_sensors::{Channels, CodeSample, QuantitySample};

fn main() {
    let mut plant = common::Plant::new(10.0);
    let night: Vec<QuantitySample> = (0..432_000).map(|_| plant.next()).collect();
    let mut site = common::site();
    site.sample_period_s = 0.1;
    let codes: Vec<CodeSample> = night.iter().map(|sample| coded(sample, &site)).collect();
    println!("state of one detector: {} bytes (limit 8192)", size_of::<Monitor>());
    for _ in 0..3 {
        let mut monitor = common::monitor_for(&plant);
        let start = Instant::now();
        let changes: usize = codes.iter().map(|sample| monitor.step_codes(sample).len()).sum();
        let seconds = start.elapsed().as_secs_f64();
        println!("{:.1} million samples a second ({changes} changes)", codes.len() as f64 / seconds * 1e-6);
    }
}

fn coded(sample: &QuantitySample, site: &airvalve_monitor::SiteData) -> CodeSample {
    let mut coded = CodeSample::missing(sample.time_us);
    coded.contacts = sample.contacts;
    coded.codes = Channels(std::array::from_fn(|i| {
        site.spans.0[i]
            .map_or(airvalve_sensors::MISSING_CODE, |span| site.front_end.scale(span).code(sample.quantities.0[i]))
    }));
    coded
}
