//! How fast the simulator is: an ordinary healthy day at 10 Hz and at 2 Hz, bus and driver included.
//!
//! `cargo run --release -p airvalve-simulator --example simulator_speed`

use std::{error::Error, path::Path, time::Instant};

use airvalve_sensors::{Channels, MISSING_CODE, bus::Converter};
use airvalve_simulator::{Scenario, Simulation};
use airvalve_site::Site;

fn main() -> Result<(), Box<dyn Error>> {
    let site = Site::parse(include_str!("valve-a.toml"), Path::new("valve-a.toml"))?;
    for hz in [10, 2] {
        let text = format!("site = \"valve-a.toml\"\nsample_hz = {hz}\nduration_h = 24\n");
        let scenario = Scenario::parse(&text, Path::new("ordinary-day.toml"))?;
        for with_bus in [true, false] {
            run(&scenario, &site, hz, with_bus)?;
        }
    }
    Ok(())
}

fn run(scenario: &Scenario, site: &Site, hz: i32, with_bus: bool) -> Result<(), Box<dyn Error>> {
    let mut simulation = Simulation::new(scenario, site, None)?;
    let fitted = simulation.fitted();
    let mut converter = Converter::first(simulation.bus(), |channel| fitted[channel.index()]);
    let mut delay = simulation.delay();
    let mut codes = Channels([MISSING_CODE; 7]);
    let mut sum = 0_i64;
    let mut samples = 0_u32;
    let begin = Instant::now();
    while simulation.next().is_some() {
        if with_bus {
            converter.read(&mut codes, &mut delay);
        } else {
            codes = simulation.codes();
        }
        sum += i64::from(codes.0[0]) + i64::from(codes.0[1]);
        samples += 1;
    }
    let seconds = begin.elapsed().as_secs_f64();
    let steps = simulation.steps_taken();
    let truth = simulation.finish();
    println!(
        "{hz} Hz, {}: {:.0} x real time, {:.2} us a sample, {steps} steps, {} cycles, checksum {sum}",
        if with_bus { "bus and driver" } else { "codes directly" },
        f64::from(samples) / f64::from(hz) / seconds,
        1e6 * seconds / f64::from(samples),
        truth.cycles.len(),
    );
    Ok(())
}
