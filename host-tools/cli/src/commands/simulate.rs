//! `airvalve simulate`: a recording of a valve that exists only as a scenario, made by the device's own code.

use std::{
    io::{self, Write},
    path::{Path, PathBuf},
};

use airvalve_monitor::{
    Settings,
    device::{Device, DeviceConfig},
};
use airvalve_recording::WholeFile;
use airvalve_sensors::{CHANNELS, Channels, CodeSample, MISSING_CODE, bus::Converter};
use airvalve_simulator::{Scenario, Simulation};
use airvalve_site::Site;
use clap::Args;

use super::outputs::refuse_overwriting;
use crate::{Outcome, failure::Failure, progress::Progress};

/// Makes a recording from a scenario
#[derive(Args)]
#[command(after_help = "Examples:
  airvalve simulate night.scenario.toml -o night.airvalve
  airvalve simulate night.scenario.toml -o night.airvalve --truth night.truth.json --seed 7

The simulated sensors hang on the device's own bus driver, and the device's own code makes the
recording. TRUTH.json says what really happened, for holding a result against it.")]
pub(crate) struct Simulate {
    /// Scenario file (TOML); it names its site file
    #[arg(value_name = "SCENARIO.toml")]
    scenario: PathBuf,
    /// Recording to make; `-` is standard output
    #[arg(short, long, value_name = "OUT")]
    output: PathBuf,
    /// Writes what really happened
    #[arg(long, value_name = "TRUTH.json")]
    truth: Option<PathBuf>,
    /// Seed of all random numbers, instead of the scenario's own
    #[arg(long, value_name = "N")]
    seed: Option<u64>,
}

impl Simulate {
    pub(crate) fn run(self) -> Result<Outcome, Failure> {
        let text = airvalve_site::read_text(&self.scenario)?;
        let scenario = Scenario::parse(&text, &self.scenario)?;
        let outputs: Vec<&Path> =
            [Some(&self.output), self.truth.as_ref()].into_iter().flatten().map(PathBuf::as_path).collect();
        let site_file = scenario.site_path().to_owned();
        refuse_overwriting(&[&self.scenario, &site_file], &outputs)?;
        let site = Site::read(&site_file)?;
        let mut simulation = Simulation::new(&scenario, &site, self.seed)?;
        let config = device_config(&scenario, &site, &simulation)?;
        let mut out = WholeFile::create(&self.output)?;
        record(&mut simulation, &config, &mut out).map_err(|error| out.error("written", error))?;
        out.finish()?;
        if let Some(file) = &self.truth {
            let mut out = WholeFile::create(file)?;
            serde_json::to_writer_pretty(&mut out, &simulation.finish())?;
            writeln!(out).map_err(|error| out.error("written", error))?;
            out.finish()?;
        }
        Ok(Outcome::Done)
    }
}

fn device_config(scenario: &Scenario, site: &Site, simulation: &Simulation) -> Result<DeviceConfig, Failure> {
    let fitted = simulation.fitted();
    let mut detector = site.detector(|channel| fitted.get(channel.index()).copied().unwrap_or(false));
    detector.sample_period_s = (1.0 / simulation.sample_hz()) as f32;
    if let Some((burst_s, every_s)) = simulation.burst_s() {
        (detector.burst_s, detector.burst_every_s) = (burst_s as f32, every_s as f32);
    }
    let device_id = site.valve_id.as_str().try_into().map_err(|_| {
        Failure::arguments(format!("valve id `{}`: too long (at most 32 bytes); shorten it", site.valve_id))
    })?;
    Ok(DeviceConfig {
        device_id,
        site: detector,
        settings: Settings::default(),
        learned: Default::default(),
        contacts_fitted: simulation.contacts_fitted(),
        started_us: scenario.start_us,
    })
}

/// Lets the simulation run and the device watch it; its frames are the recording.
fn record(simulation: &mut Simulation, config: &DeviceConfig, out: &mut impl Write) -> io::Result<()> {
    const STEPS: f64 = 1000.0;
    let fitted = simulation.fitted();
    let is_fitted = |channel: airvalve_sensors::Channel| fitted.get(channel.index()).copied().unwrap_or(false);
    let mut first = Converter::first(simulation.bus(), is_fitted);
    let mut second = Converter::second(simulation.bus(), is_fitted);
    let mut delay = simulation.delay();
    let mut device = Device::new(config);
    let mut written = Ok(());
    let mut sink = |frame: &[u8]| {
        if written.is_ok() {
            written = out.write_all(frame);
        }
    };
    let progress = Progress::towards(STEPS as u64);
    let mut last_us = config.started_us;
    while let Some(tick) = simulation.next() {
        if tick.lost {
            continue;
        }
        let mut codes = Channels([MISSING_CODE; CHANNELS]);
        first.read(&mut codes, &mut delay);
        if second.is_used() {
            second.read(&mut codes, &mut delay);
        }
        device.sample(&CodeSample { time_us: tick.time_us, codes, contacts: tick.contacts }, &mut sink);
        last_us = tick.time_us;
        progress.set((STEPS * simulation.progress()) as u64);
    }
    device.flush(last_us, &mut sink);
    written
}
