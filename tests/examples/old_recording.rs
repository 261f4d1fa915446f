//! Keeps a recording of the present format version, with the facts that a replay must give for ever.
//!
//! `cargo run -p airvalve-tests --example old_recording`

use std::{error::Error, fs, path::Path};

use airvalve_telemetry::FORMAT_VERSION;
use airvalve_tests::{night::Night, old_recordings::Facts};

/// A night short enough to keep: a drain in the first hour, a float caught low in the second, lost samples between.
const SCENARIO: &str = r#"
site = "valve.toml"
start = 2031-03-01T18:00:00Z
duration_h = 2
sample_hz = 2
seed = 107
channels = ["line_pressure_kpa"]
contacts = ["pump_on", "cover_open"]

[inflow]
mean_l_s = 12

[[event]]
kind = "drain-down"
at = 0.3
refill_after_h = 0.2

[[fault]]
kind = "jammed-low"
position_pct = 40
onset = 1.4

[[gap]]
from = 0.8
to = 0.85
"#;

fn main() -> Result<(), Box<dyn Error>> {
    let site = include_str!("../../recordings-demo/ferrow-hill.site.toml");
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join(format!("old-recordings/v{FORMAT_VERSION}"));
    if folder.exists() {
        return Err(format!("{}: is there already; it must not change", folder.display()).into());
    }
    let night = Night::play(SCENARIO, site)?;
    fs::create_dir_all(&folder)?;
    fs::write(folder.join("night.airvalve"), &night.recording)?;
    fs::write(folder.join("valve.toml"), site)?;
    fs::write(folder.join("facts.toml"), Facts::of(&folder)?.to_toml())?;
    Ok(())
}
