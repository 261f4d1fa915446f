//! The files of one valve, opened, told apart and put in order of time.

use std::path::{Path, PathBuf};

use airvalve_recording::{
    Block, Extent, FileKind, Input, Item, Recording,
    csv::{CsvOptions, CsvReader},
};
use airvalve_sensors::Channel;
use airvalve_site::Site;
use airvalve_telemetry::{Header, LearnedState, Record};

use crate::replay::ReplayError;

/// What a single sample stands for, microseconds.
const LONE_SAMPLE_US: u32 = 100_000;

/// A step forward by more than this, near the beginning, is that of a clock that was set at last.
const SETTING_US: i64 = 365 * 86_400_000_000;
/// So many samples are near the beginning: more of them, left out, would be missed.
const MOST_UNSET: usize = 600;

/// The first samples of a file, taken before its clock was set.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Unset {
    pub(crate) samples: usize,
    pub(crate) first_us: i64,
    /// Time of the first sample after them.
    pub(crate) until_us: i64,
}

/// Looks for a clock that is set near the beginning of a file.
#[derive(Clone, Copy, Debug, Default)]
struct Beginning {
    samples: usize,
    first_us: Option<i64>,
    last_us: Option<i64>,
    unset: Option<Unset>,
}

impl Beginning {
    /// Takes the times of the next samples.
    fn add(&mut self, times_us: &[i64]) {
        for time_us in times_us.iter().copied().take((MOST_UNSET + 1).saturating_sub(self.samples)) {
            let first_us = *self.first_us.get_or_insert(time_us);
            let step_us = self.last_us.map_or(0, |last_us| time_us.saturating_sub(last_us));
            if step_us > SETTING_US && self.unset.is_none() {
                self.unset = Some(Unset { samples: self.samples, first_us, until_us: time_us });
            }
            // A time that stands alone is wild: no clock was set.
            if step_us < -SETTING_US {
                self.unset = None;
            }
            self.last_us = Some(time_us);
            self.samples += 1;
        }
    }

    fn is_known(&self) -> bool {
        self.samples > MOST_UNSET
    }

    /// Time of the first sample that is played.
    fn first_us(&self) -> Option<i64> {
        self.unset.map_or(self.first_us, |unset| Some(unset.until_us))
    }
}

/// Leaves out so many samples at the beginning of what comes, a block at a time.
pub(crate) fn without_first<'a, T: Copy>(block: Block<'a, T>, samples: &mut usize) -> Block<'a, T> {
    let count = block.len().min(*samples);
    *samples -= count;
    let mut rest = block;
    rest.times_us = rest.times_us.get(count..).unwrap_or_default();
    rest.columns.0 = rest.columns.0.map(|column| column.get(count..).unwrap_or_default());
    rest.contacts = rest.contacts.get(count..).unwrap_or_default();
    rest
}

/// One file that has samples.
pub(crate) struct Source {
    pub(crate) input: Input,
    pub(crate) first_us: i64,
    /// Samples before that one, which are left out.
    pub(crate) unset: Option<Unset>,
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
    let mut beginning = Beginning::default();
    while let Some(item) = recording.next_item()? {
        match item {
            Item::Record(record) => {
                if let Record::LearnedState(state) = *record
                    && beginning.samples == 0
                {
                    learned = Some(state);
                }
            }
            Item::Block(block) => beginning.add(block.times_us),
            _ => {}
        }
        if beginning.is_known() {
            break;
        }
    }
    let Some(first_us) = beginning.first_us() else {
        return Ok(Err("the recording holds no batch of samples; see what `airvalve inspect` says of it".to_owned()));
    };
    Ok(Ok(Source {
        input,
        first_us,
        unset: beginning.unset,
        period_us: i64::from(header.sample_period_us.max(1)),
        channels: header.channels.iter().filter_map(|info| Channel::from_id(info.id)).collect(),
        header: Some(header),
        learned,
        extent: None,
    }))
}

/// Reads all of it: what it holds decides on the spans, as in an import.
fn probe_csv(input: Input, pass: Input, site: &Site, options: &CsvOptions) -> Result<Probed, ReplayError> {
    let mut csv = CsvReader::from_input(pass, options.clone())?.for_site(site);
    let channels = csv.channels();
    let (mut extent, mut beginning) = (Extent::default(), Beginning::default());
    while let Some(block) = csv.next_block()? {
        extent.add(block);
        beginning.add(block.times_us);
    }
    let Some(first_us) = beginning.first_us() else { return Ok(Err(csv.report().why_rejected())) };
    let period_us = i64::from(extent.step_us().unwrap_or(LONE_SAMPLE_US));
    let unset = beginning.unset;
    Ok(Ok(Source { input, first_us, unset, period_us, channels, header: None, learned: None, extent: Some(extent) }))
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

#[cfg(test)]
mod tests {
    use super::*;

    const YEAR_US: i64 = 366 * 86_400_000_000;

    fn unset(times_us: &[i64]) -> Option<usize> {
        let mut beginning = Beginning::default();
        // Whatever the length of the blocks.
        times_us.chunks(7).for_each(|block| beginning.add(block));
        beginning.unset.map(|unset| unset.samples)
    }

    #[test]
    fn only_a_step_of_years_near_the_beginning_is_a_clock_that_was_set() {
        let after = |samples: i64, step_us: i64| -> Vec<i64> {
            (0..2000).map(|sample| sample * 1_000_000 + if sample < samples { 0 } else { step_us }).collect()
        };
        assert_eq!(unset(&after(1, 61 * YEAR_US)), Some(1));
        assert_eq!(unset(&after(600, YEAR_US)), Some(600));
        assert_eq!(unset(&after(601, YEAR_US)), None);
        assert_eq!(unset(&after(1, 30 * 86_400_000_000)), None);
        let mut wild = after(1, 0);
        wild[20] += 61 * YEAR_US;
        assert_eq!(unset(&wild), None);
    }
}
