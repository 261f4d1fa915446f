//! Nights that are played: a scenario on the simulated bus, read by the device's own driver and watched by its own code.

use std::{io, path::Path};

use airvalve_analysis::{Replay, ReplayError, ReplayOptions, replay};
use airvalve_monitor::{
    Settings,
    device::{ARCHIVE_BATCH_S, Device, DeviceConfig},
};
use airvalve_sensors::{CHANNELS, Channel, Channels, CodeSample, MISSING_CODE, bus::Converter};
use airvalve_simulator::{Scenario, ScenarioError, Simulation, Truth};
use airvalve_site::{FileError, Site};
use tempfile::NamedTempFile;

/// Why a night could not be played.
#[derive(Debug, thiserror::Error)]
#[allow(missing_docs)]
pub enum NightError {
    #[error(transparent)]
    Scenario(#[from] ScenarioError),
    #[error(transparent)]
    Site(#[from] FileError),
    #[error("temporary file: {0}; free some space")]
    File(#[from] io::Error),
    #[error(transparent)]
    Replay(#[from] ReplayError),
}

/// What the device sent in a night, what a replay of it says, and what really happened.
#[derive(Clone, Debug)]
pub struct Night {
    /// The device's telemetry, every byte.
    pub recording: Vec<u8>,
    /// What a replay of it says.
    pub replay: Replay,
    /// What really happened.
    pub truth: Truth,
}

impl Night {
    /// Plays a scenario on a site, both as the texts of their files, and replays what was recorded.
    ///
    /// # Errors
    /// [`NightError`] when one of the texts is refused, or the recording.
    pub fn play(scenario: &str, site: &str) -> Result<Night, NightError> {
        let site = Site::parse(site, "valve.toml")?;
        let scenario = Scenario::parse(scenario, Path::new("night.scenario.toml"))?;
        let mut simulation = Simulation::new(&scenario, &site, None)?;
        let recording = record(&mut simulation, &site, scenario.start_us);
        let file = NamedTempFile::new()?;
        std::fs::write(&file, &recording)?;
        let replay = replay(&[file.path().to_owned()], &site, &ReplayOptions::default(), &|_| {})?;
        Ok(Night { recording, replay, truth: simulation.finish() })
    }
}

/// Lets the simulation run and the device watch it; its frames are the recording.
fn record(simulation: &mut Simulation, site: &Site, started_us: i64) -> Vec<u8> {
    let fitted = simulation.fitted();
    let is_fitted = |channel: Channel| fitted.get(channel.index()).copied().unwrap_or(false);
    let mut detector = site.detector(is_fitted);
    detector.sample_period_s = (1.0 / simulation.sample_hz()) as f32;
    if let Some((burst_s, every_s)) = simulation.burst_s() {
        (detector.burst_s, detector.burst_every_s) = (burst_s as f32, every_s as f32);
    }
    let mut device = Box::new(Device::new(&DeviceConfig {
        // A valve's id is at most as long as a device's.
        device_id: site.valve_id.as_str().try_into().unwrap_or_default(),
        site: detector,
        settings: Settings::default(),
        learned: Default::default(),
        batch_s: ARCHIVE_BATCH_S,
        contacts_fitted: simulation.contacts_fitted(),
        started_us,
    }));
    let mut first = Converter::first(simulation.bus(), is_fitted);
    let mut second = Converter::second(simulation.bus(), is_fitted);
    let mut delay = simulation.delay();
    let mut recording = Vec::new();
    let mut sink = |frame: &[u8]| recording.extend_from_slice(frame);
    let mut last_us = started_us;
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
    }
    device.flush(last_us, &mut sink);
    recording
}
