//! The files of one valve, opened, told apart and put in order of time.

use std::path::{Path, PathBuf};

use airvalve_recording::{
    Extent, FileKind, Input, Item, Recording,
    csv::{CsvOptions, CsvReader},
};
use airvalve_sensors::Channel;
use airvalve_site::Site;
use airvalve_telemetry::{Header, LearnedState, Record};

use crate::replay::ReplayError;

/// What a single sample stands for, microseconds.
const LONE_SAMPLE_US: u32 = 100_000;

/// One file that has samples.
pub(crate) struct Source {
    pub(crate) input: Input,
    pub(crate) first_us: i64,
    /// Time between samples, microseconds.
    pub(crate) period_us: i64,
    pub(crate) channels: Vec<Channel>,
    /// Only of a recording.
    pub(crate) header: Option<Header>,
    /// What the device had learned at the start of the recording.
    pub(crate) learned: Option<LearnedState>,
    /// How far its quantities reach; only of a CSV file.
    pub(crate) extent: Option<Extent>,
}

/// A file without a sample, and why.
pub(crate) struct Empty {
    pub(crate) file: PathBuf,
    pub(crate) why: String,
}

/// Opens all files and puts them in order; files without samples are named in the second list.
pub(crate) fn open(
    files: &[PathBuf],
    site: &Site,
    options: &CsvOptions,
) -> Result<(Vec<Source>, Vec<Empty>), ReplayError> {
    let mut sources = Vec::new();
    let mut empty = Vec::new();
    for file in files {
        match probe(file, site, options)? {
            Ok(source) => sources.push(source),
            Err(why) => empty.push(Empty { file: file.clone(), why }),
        }
    }
    sources.sort_by_key(|source| source.first_us);
    refuse_another_device(&sources)?;
    Ok((sources, empty))
}

/// A file that has samples, or why it has none.
type Probed = Result<Source, String>;

fn probe(file: &Path, site: &Site, options: &CsvOptions) -> Result<Probed, ReplayError> {
    let input = Input::open(file)?;
    let pass = input.another_pass()?;
    match input.kind {
        FileKind::Recording => probe_recording(input, pass),
        FileKind::Csv => probe_csv(input, pass, site, options),
    }
}

fn probe_recording(input: Input, pass: Input) -> Result<Probed, ReplayError> {
    let mut recording = Recording::from_input(pass)?;
    let mut learned = None;
    let header = recording.header().clone();
    while let Some(item) = recording.next_item()? {
        match item {
            Item::Record(record) => {
                if let Record::LearnedState(state) = *record {
                    learned = Some(state);
                }
            }
            Item::Block(block) => {
                let Some(first_us) = block.times_us.first().copied() else { continue };
                return Ok(Ok(Source {
                    input,
                    first_us,
                    period_us: i64::from(header.sample_period_us.max(1)),
                    channels: header.channels.iter().filter_map(|info| Channel::from_id(info.id)).collect(),
                    header: Some(header),
                    learned,
                    extent: None,
                }));
            }
            _ => {}
        }
    }
    Ok(Err("the recording holds no batch of samples; see what `airvalve inspect` says of it".to_owned()))
}

/// Reads all of it: what it holds decides on the spans, as in an import.
fn probe_csv(input: Input, pass: Input, site: &Site, options: &CsvOptions) -> Result<Probed, ReplayError> {
    let mut csv = CsvReader::from_input(pass, options.clone())?.for_site(site);
    let channels = csv.channels();
    let mut extent = Extent::default();
    while let Some(block) = csv.next_block()? {
        extent.add(block);
    }
    let Some(first_us) = extent.first_us() else { return Ok(Err(csv.report().why_rejected())) };
    let period_us = i64::from(extent.step_us().unwrap_or(LONE_SAMPLE_US));
    Ok(Ok(Source { input, first_us, period_us, channels, header: None, learned: None, extent: Some(extent) }))
}

fn refuse_another_device(sources: &[Source]) -> Result<(), ReplayError> {
    let mut recordings = sources.iter().filter_map(|source| Some((source, source.header.as_ref()?)));
    let Some((first, first_header)) = recordings.next() else { return Ok(()) };
    for (source, header) in recordings {
        if header.device_id != first_header.device_id {
            return Err(ReplayError::AnotherDevice {
                file: source.input.file.clone(),
                device: header.device_id.to_string(),
                first: first.input.file.clone(),
                first_device: first_header.device_id.to_string(),
            });
        }
    }
    Ok(())
}
