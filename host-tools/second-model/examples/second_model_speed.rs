//! How fast the second model is: healthy days at 10 Hz and at 2 Hz, codes included.
//!
//! `cargo run --release -p airvalve-second-model --example second_model_speed -- [DAYS]`

use std::{error::Error, path::Path, time::Instant};

use airvalve_second_model::{Scenario, Simulation};
use airvalve_site::Site;

fn main() -> Result<(), Box<dyn Error>> {
    let days: f64 = std::env::args().nth(1).map_or(Ok(10.0), |text| text.parse())?;
    let site = Site::parse(include_str!("../../simulator/examples/valve-a.toml"), Path::new("valve-a.toml"))?;
    for hz in [10.0, 2.0] {
        let text = format!("site = \"valve-a.toml\"\nsample_hz = {hz}\nduration_h = {}\n", 24.0 * days);
        let scenario = Scenario::parse(&text, Path::new("healthy-days.toml"))?;
        let mut simulation = Simulation::new(&scenario, &site, None)?;
        let mut sum = 0_i64;
        let begin = Instant::now();
        while simulation.next().is_some() {
            sum += i64::from(simulation.codes().0[0]) + i64::from(simulation.codes().0[1]);
        }
        let seconds = begin.elapsed().as_secs_f64();
        let steps = simulation.steps_taken();
        let truth = simulation.finish();
        println!(
            "{hz} Hz: {:.2} us a sample, {:.0} steps a day, {:.1} s a year, {:.1} cycles a day, checksum {sum}",
            1e6 * seconds / (hz * 86_400.0 * days),
            steps as f64 / days,
            seconds * 365.0 / days,
            truth.cycles.len() as f64 / days,
        );
    }
    Ok(())
}
