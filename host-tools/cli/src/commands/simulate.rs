//! `airvalve simulate`: a recording of a valve that exists only as a scenario, made by the device's own code.

use std::{
    io::{self, Write},
    path::{Path, PathBuf},
};

use airvalve_monitor::{
    Settings,
    device::{ARCHIVE_BATCH_S, Device, DeviceConfig},
};
use airvalve_recording::WholeFile;
use airvalve_simulator::Scenario;
use airvalve_site::{Site, read_text};
use airvalve_trials::{Model, Plant};
use clap::Args;

use super::{model_argument::ModelArgument, outputs::refuse_overwriting};
use crate::{Outcome, failure::Failure, progress::Progress, standard_input::refuse_second};

/// Makes a recording from a scenario
#[derive(Args)]
#[command(after_help = "Examples:
  airvalve simulate night.scenario.toml -o night.airvalve
  airvalve simulate night.scenario.toml -o night.airvalve --truth night.truth.json --seed 7
  airvalve simulate night.scenario.toml -o night.airvalve --model second

The device's own code makes the recording. The first model's sensors hang on the device's own bus
driver; the second model plays the same scenarios on other assumptions: friction, slosh, heat,
coefficients, arrivals, ways to fail. TRUTH.json says what really happened, for holding a result against it.")]
pub(crate) struct Simulate {
    /// Scenario file (TOML); it names its site file; `-` is standard input
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
    /// Which assumptions about valve, main and sensors hold
    #[arg(long, value_enum, default_value = "first")]
    model: ModelArgument,
}

impl Simulate {
    pub(crate) fn run(self) -> Result<Outcome, Failure> {
        let scenario = Scenario::parse(&read_text(&self.scenario)?, &self.scenario)?;
        let site = scenario.site_path();
        refuse_second([("SCENARIO.toml", self.scenario.as_path()), ("its site file", &site)])?;
        let outputs: Vec<&Path> =
            [Some(&self.output), self.truth.as_ref()].into_iter().flatten().map(PathBuf::as_path).collect();
        refuse_overwriting(&[&self.scenario, &site], &outputs)?;
        let site = Site::read(&site)?;
        let mut plant = Model::from(self.model).plant(&scenario, &site, self.seed)?;
        let config = device_config(&scenario, &site, plant.as_ref())?;
        // What cannot be made there is known before anything is played.
        let mut out = WholeFile::create(&self.output)?;
        let mut truth = self.truth.as_ref().map(WholeFile::create).transpose()?;
        record(plant.as_mut(), &config, &mut out).map_err(|error| out.error("written", error))?;
        if let Some(truth) = &mut truth {
            serde_json::to_writer_pretty(&mut *truth, &plant.finish())?;
            writeln!(truth).map_err(|error| truth.error("written", error))?;
        }
        out.finish()?;
        truth.map_or(Ok(()), WholeFile::finish)?;
        Ok(Outcome::Done)
    }
}

fn device_config(scenario: &Scenario, site: &Site, plant: &dyn Plant) -> Result<DeviceConfig, Failure> {
    let fitted = plant.fitted();
    let mut detector = site.detector(|channel| fitted.get(channel.index()).copied().unwrap_or(false));
    detector.sample_period_s = (1.0 / plant.sample_hz()) as f32;
    if let Some((burst_s, every_s)) = plant.burst_s() {
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
        batch_s: ARCHIVE_BATCH_S,
        contacts_fitted: plant.contacts_fitted(),
        started_us: scenario.start_us,
    })
}

/// Lets the simulation run and the device watch it; its frames are the recording.
fn record(plant: &mut dyn Plant, config: &DeviceConfig, out: &mut impl Write) -> io::Result<()> {
    const STEPS: f64 = 1000.0;
    let mut device = Device::new(config);
    let mut written = Ok(());
    let mut sink = |frame: &[u8]| {
        if written.is_ok() {
            written = out.write_all(frame);
        }
    };
    let progress = Progress::towards(STEPS as u64);
    let mut last_us = config.started_us;
    while let Some(tick) = plant.next() {
        if tick.lost {
            continue;
        }
        let sample = plant.sample(&tick);
        device.sample(&sample, &mut sink);
        if tick.repeated {
            device.sample(&sample, &mut sink);
        }
        last_us = tick.time_us;
        progress.set((STEPS * plant.progress()) as u64);
    }
    device.flush(last_us, &mut sink);
    written
}
