//! Plays a scenario and prints what the plant really does as CSV, the truth as JSON on standard error.
//!
//! `cargo run --release -p airvalve-second-model --example second_model_csv -- SCENARIO.toml [SECONDS_A_ROW]`

use std::{
    error::Error,
    io::{BufWriter, Write, stdout},
    path::Path,
};

use airvalve_second_model::{Scenario, Simulation};
use airvalve_site::Site;

fn main() -> Result<(), Box<dyn Error>> {
    let mut arguments = std::env::args().skip(1);
    let file = arguments.next().ok_or("name a scenario file")?;
    let every_s: f64 = arguments.next().map_or(Ok(1.0), |text| text.parse())?;
    let file = Path::new(&file);
    let scenario = Scenario::parse(&std::fs::read_to_string(file)?, file)?;
    let site = Site::read(scenario.site_path())?;
    let mut simulation = Simulation::new(&scenario, &site, None)?;
    let every = ((every_s * simulation.sample_hz()) as u64).max(1);
    let mut out = BufWriter::new(stdout().lock());
    writeln!(out, "t_s,float_pct,level_pct,offset_pct,chamber_kpa,line_kpa,odour_ppm,gas_c,riser_l_s,held_nl,pump_on")?;
    let mut index = 0_u64;
    while simulation.next().is_some() {
        if index.is_multiple_of(every) {
            let now = simulation.glimpse();
            writeln!(
                out,
                "{:.2},{:.2},{:.2},{:.2},{:.2},{:.2},{:.2},{:.2},{:.4},{:.3},{}",
                index as f64 / simulation.sample_hz(),
                now.float_pct,
                now.level_pct,
                now.liquid_offset_pct,
                now.chamber_kpa,
                now.line_kpa,
                now.odour_ppm,
                now.gas_c,
                now.riser_l_s,
                now.held_nl,
                u8::from(now.is_pumping),
            )?;
        }
        index += 1;
    }
    out.flush()?;
    eprintln!("{} steps", simulation.steps_taken());
    eprintln!("{}", serde_json::to_string_pretty(&simulation.finish())?);
    Ok(())
}
