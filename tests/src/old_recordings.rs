//! What is known of a recording that is kept.

use std::{collections::BTreeMap, path::Path};

use airvalve_analysis::{ReplayError, ReplayOptions, replay};
use airvalve_recording::{Item, Recording, RecordingError};
use airvalve_site::{FileError, Site};
use airvalve_telemetry::{Record, checksum};

/// Why the facts of a recording could not be told.
#[derive(Debug, thiserror::Error)]
#[allow(missing_docs)]
pub enum FactsError {
    #[error(transparent)]
    Site(#[from] FileError),
    #[error(transparent)]
    Recording(#[from] RecordingError),
    #[error(transparent)]
    Replay(#[from] ReplayError),
}

/// Facts of a recording, as they stand in `facts.toml`.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Facts {
    /// What is read from it.
    read: BTreeMap<&'static str, u64>,
    /// Alarms that a replay finds: kind and fault, in order.
    alarms: Vec<String>,
    /// Release cycles that a replay finds.
    cycles: usize,
}

impl Facts {
    /// The facts of the recording in a folder.
    ///
    /// # Errors
    /// [`FactsError`] when one of its files is not read any more.
    pub fn of(folder: &Path) -> Result<Facts, FactsError> {
        let file = folder.join("night.airvalve");
        let site = Site::read(folder.join("valve.toml"))?;
        let result = replay(std::slice::from_ref(&file), &site, &ReplayOptions::default(), &|_| {})?;
        let alarms = result.alarms.iter().map(|alarm| format!("{}: {}", alarm.kind, alarm.fault));
        Ok(Facts { read: read(&file)?, alarms: alarms.collect(), cycles: result.cycles.len() })
    }

    /// The text of `facts.toml`.
    pub fn to_toml(&self) -> String {
        let read = self.read.iter().map(|(name, value)| format!("{name} = {value}\n"));
        let read = read.collect::<String>();
        format!("[read]\n{read}\n[replay]\nalarms = {:?}\ncycles = {}\n", self.alarms, self.cycles)
    }
}

fn read(file: &Path) -> Result<BTreeMap<&'static str, u64>, RecordingError> {
    let mut facts = BTreeMap::new();
    let mut sum = 0_u64;
    let mut recording = Recording::open(file)?;
    while let Some(item) = recording.next_item()? {
        let (name, count) = match item {
            Item::Header(_) => ("headers_that_say_something_new", 1),
            Item::Block(block) => {
                for sample in block.samples() {
                    let codes = sample.codes.0.iter().flat_map(|code| code.to_le_bytes());
                    let bytes: Vec<u8> = sample.time_us.to_le_bytes().into_iter().chain(codes).collect();
                    sum = sum.rotate_left(1) ^ u64::from(checksum(&bytes)) ^ u64::from(sample.contacts.0);
                }
                ("samples", block.len() as u64)
            }
            Item::Record(record) => match *record {
                Record::AlarmTransition(_) => ("alarm_transitions", 1),
                Record::ReleaseCycle(_) => ("release_cycles", 1),
                Record::Totals(_) => ("totals", 1),
                Record::SensorHealth(_) => ("sensor_health", 1),
                Record::LearnedState(_) => ("learned_states", 1),
                Record::ServiceMark(_) => ("service_marks", 1),
                Record::Header(_) | Record::Samples(_) => continue,
            },
            Item::Lost { .. } | Item::Restarted { .. } | Item::Damaged(_) | Item::Skipped { .. } => ("not_whole", 1),
        };
        *facts.entry(name).or_default() += count;
    }
    facts.insert("frames", recording.counts().frames);
    // TOML has no unsigned numbers.
    facts.insert("sum_of_samples", sum >> 1);
    Ok(facts)
}
