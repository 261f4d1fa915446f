//! What is in a file: header, counts, losses, damage, size.

use std::{collections::BTreeMap, path::Path};

use airvalve_sensors::Channel;
use airvalve_telemetry::{Cadence, Damage, GapFinder, Header, Record};
use jiff::Timestamp;
use serde::Serialize;

use crate::{
    admission::Admission,
    csv::{CONTACTS, CsvError, CsvOptions, CsvReader, CsvReport, contact_column},
    input::{FileKind, Input},
    period::usual_step_us,
    recording::{Item, Recording, RecordingError},
};

/// So many places of one sort are listed; all are counted.
const LISTED: usize = 100;

/// Why a file could not be inspected.
#[derive(Debug, thiserror::Error)]
#[allow(missing_docs)]
pub enum InspectError {
    #[error(transparent)]
    Recording(#[from] RecordingError),
    #[error(transparent)]
    Csv(#[from] CsvError),
}

/// What is in a file.
#[derive(Clone, Debug, PartialEq, Serialize)]
#[allow(missing_docs)] // the names carry the units
pub struct Summary {
    pub file: String,
    /// `recording` or `csv`.
    pub kind: &'static str,
    pub bytes: u64,
    pub samples: u64,
    /// Bytes of the whole file a sample; none without samples.
    pub bytes_per_sample: Option<f64>,
    /// First and last sample; none without samples.
    pub from: Option<Timestamp>,
    pub to: Option<Timestamp>,
    /// More than three sample periods and one second without a sample; burst pauses are none.
    pub gaps: Places<Stretch>,
    /// Samples earlier than the one before.
    pub backward_steps: u64,
    #[serde(flatten)]
    pub content: Content,
}

/// What only a recording or only a CSV file has.
#[derive(Clone, Debug, PartialEq, Serialize)]
#[serde(untagged)]
pub enum Content {
    /// A recording.
    Recording(Box<RecordingContent>),
    /// A CSV file.
    Csv(Box<CsvReport>),
}

/// What a recording has.
#[derive(Clone, Debug, Default, PartialEq, Serialize)]
#[allow(missing_docs)]
pub struct RecordingContent {
    pub header: HeaderSummary,
    /// Times that the header said something new.
    pub header_changes: u64,
    pub frames: u64,
    /// Records by kind, headers left out.
    pub records: BTreeMap<&'static str, u64>,
    pub lost_frames: u64,
    pub losses: Places<Loss>,
    pub restarts: u64,
    pub damaged: Places<DamagedPlace>,
    /// Frames of kinds that are not known here, or with a broken layout.
    pub skipped_frames: u64,
    /// The file ends inside a frame.
    pub is_truncated: bool,
}

/// The header, readable.
#[derive(Clone, Debug, Default, PartialEq, Serialize)]
#[allow(missing_docs)]
pub struct HeaderSummary {
    pub device_id: String,
    pub format_version: u8,
    pub sample_period_s: f64,
    pub channels: Vec<ChannelSummary>,
    pub contacts: Vec<&'static str>,
    pub burst_s: f64,
    pub burst_every_s: f64,
    pub started: Option<Timestamp>,
    pub site_digest: String,
    pub settings_digest: String,
}

/// A channel of the header.
#[derive(Clone, Debug, PartialEq, Serialize)]
#[allow(missing_docs)]
pub struct ChannelSummary {
    pub column: &'static str,
    pub low: f32,
    pub high: f32,
    pub unit: &'static str,
}

/// Places of one sort: all are counted, the first are listed.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Places<T> {
    /// How many there are.
    pub count: u64,
    /// The first of them.
    pub first: Vec<T>,
}

impl<T> Default for Places<T> {
    fn default() -> Self {
        Places { count: 0, first: Vec::new() }
    }
}

impl<T> Places<T> {
    fn add(&mut self, place: T) {
        self.count += 1;
        if self.first.len() < LISTED {
            self.first.push(place);
        }
    }
}

/// A stretch of time.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
#[allow(missing_docs)]
pub struct Stretch {
    pub from: Timestamp,
    pub to: Timestamp,
}

/// Frames that are missing.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
#[allow(missing_docs)]
pub struct Loss {
    pub offset: u64,
    pub frames: u32,
}

/// A damaged stretch.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
#[allow(missing_docs)]
pub struct DamagedPlace {
    pub offset: u64,
    pub bytes: u64,
    pub reason: &'static str,
}

/// Looks through a whole file; `-` is standard input.
///
/// # Errors
/// [`InspectError`] when it cannot be read or is of no known kind.
pub fn inspect(file: impl AsRef<Path>, options: &CsvOptions) -> Result<Summary, InspectError> {
    inspect_with(file, options, &|_| {})
}

/// The same as [`inspect`]; `progress` hears the number of samples so far, now and then.
///
/// # Errors
/// As [`inspect`].
pub fn inspect_with(
    file: impl AsRef<Path>,
    options: &CsvOptions,
    progress: &dyn Fn(u64),
) -> Result<Summary, InspectError> {
    let input = Input::open(file).map_err(RecordingError::from)?;
    let bytes = input.size_bytes().map_err(RecordingError::from)?;
    let name = input.file.display().to_string();
    let mut times = Times::default();
    let (kind, content) = match input.kind {
        FileKind::Recording => {
            let content = recording(Recording::from_input(input)?, &mut times, progress)?;
            ("recording", Content::Recording(Box::new(content)))
        }
        FileKind::Csv => {
            let mut csv = CsvReader::from_input(input, options.clone())?;
            while let Some(block) = csv.next_block()? {
                times.add(block.times_us);
                progress(times.samples);
            }
            ("csv", Content::Csv(Box::new(csv.report())))
        }
    };
    times.settle();
    Ok(Summary {
        file: name,
        kind,
        bytes,
        samples: times.samples,
        bytes_per_sample: (times.samples > 0).then(|| bytes as f64 / times.samples as f64),
        from: times.range_us.and_then(|(from_us, _)| instant(from_us)),
        to: times.range_us.and_then(|(_, to_us)| instant(to_us)),
        gaps: times.gaps,
        backward_steps: times.backward_steps,
        content,
    })
}

fn instant(time_us: i64) -> Option<Timestamp> {
    Timestamp::from_microsecond(time_us).ok()
}

/// What the times of samples say.
#[derive(Default)]
struct Times {
    samples: u64,
    /// As a replay sees them: one wild time makes no gap of years.
    admission: Admission<i64>,
    range_us: Option<(i64, i64)>,
    last_us: Option<i64>,
    finder: Option<GapFinder>,
    gaps: Places<Stretch>,
    backward_steps: u64,
}

impl Times {
    fn add(&mut self, times_us: &[i64]) {
        // A CSV file does not say its period: its first rows must do.
        self.finder.get_or_insert_with(|| {
            let period_us = usual_step_us(times_us).unwrap_or_default();
            GapFinder::new(Cadence::all_the_time(i64::from(period_us)))
        });
        for time_us in times_us {
            self.samples += 1;
            self.admission.take(Some(*time_us), self.samples, *time_us);
            self.add_used();
        }
    }

    /// Nothing follows, or another header.
    fn settle(&mut self) {
        self.admission.settle();
        self.add_used();
    }

    fn change(&mut self, cadence: Cadence) {
        self.settle();
        self.finder.get_or_insert_with(|| GapFinder::new(cadence)).change(cadence);
    }

    fn add_used(&mut self) {
        let Some(finder) = &mut self.finder else { return };
        while let Some(time_us) = self.admission.next_used() {
            if let Some(gap) = finder.step(time_us).and_then(|interruption| interruption.gap)
                && let (Some(from), Some(to)) = (instant(gap.from_us), instant(gap.to_us))
            {
                self.gaps.add(Stretch { from, to });
            }
            self.backward_steps += u64::from(self.last_us.is_some_and(|last_us| time_us < last_us));
            self.last_us = Some(time_us);
            let (from_us, to_us) = self.range_us.unwrap_or((time_us, time_us));
            self.range_us = Some((from_us.min(time_us), to_us.max(time_us)));
        }
    }
}

fn recording<R: std::io::Read>(
    mut recording: Recording<R>,
    times: &mut Times,
    progress: &dyn Fn(u64),
) -> Result<RecordingContent, RecordingError> {
    let mut content = RecordingContent::default();
    let mut headers = 0_u64;
    while let Some(item) = recording.next_item()? {
        match item {
            Item::Header(header) => {
                headers += 1;
                times.change(header.cadence());
                content.header = HeaderSummary::of(header);
            }
            Item::Block(block) => {
                times.add(block.times_us);
                progress(times.samples);
                content.count("samples");
            }
            Item::Record(record) => content.count(record_name(&record)),
            Item::Lost { frames, offset } => content.losses.add(Loss { offset, frames }),
            Item::Restarted { .. } => {}
            Item::Damaged(damaged) => {
                content.is_truncated |= damaged.reason == Damage::CutShort;
                content.damaged.add(DamagedPlace {
                    offset: damaged.offset,
                    bytes: damaged.length,
                    reason: reason(damaged.reason),
                });
            }
            Item::Skipped { .. } => content.skipped_frames += 1,
        }
    }
    let counts = recording.counts();
    content.frames = counts.frames;
    content.lost_frames = counts.lost;
    content.restarts = counts.restarts;
    content.header_changes = headers.saturating_sub(1);
    Ok(content)
}

impl RecordingContent {
    fn count(&mut self, name: &'static str) {
        *self.records.entry(name).or_default() += 1;
    }
}

impl HeaderSummary {
    fn of(header: &Header) -> HeaderSummary {
        let channels = header.channels.iter().map(|info| {
            let channel = Channel::from_id(info.id);
            ChannelSummary {
                column: channel.map_or("unknown", Channel::column),
                low: info.low,
                high: info.high,
                unit: channel.map_or("", Channel::unit),
            }
        });
        let fitted = |bit: u8| header.contacts_fitted & (1 << bit) != 0;
        let contacts = CONTACTS.into_iter().filter(|contact| fitted(*contact as u8));
        let [burst_s, burst_every_s] = header.burst_us().map(|us| us as f64 / 1e6);
        HeaderSummary {
            device_id: header.device_id.to_string(),
            format_version: header.format_version,
            sample_period_s: f64::from(header.sample_period_us) / 1e6,
            channels: channels.collect(),
            contacts: contacts.map(contact_column).collect(),
            burst_s,
            burst_every_s,
            started: instant(header.anchor_us),
            site_digest: format!("{:08x}", header.site_digest),
            settings_digest: format!("{:08x}", header.settings_digest),
        }
    }
}

fn record_name(record: &Record<'_>) -> &'static str {
    match record {
        Record::Header(_) => "headers",
        Record::Samples(_) => "samples",
        Record::AlarmTransition(_) => "alarm_transitions",
        Record::ReleaseCycle(_) => "release_cycles",
        Record::Totals(_) => "totals",
        Record::SensorHealth(_) => "sensor_health",
        Record::LearnedState(_) => "learned_state",
        Record::ServiceMark(_) => "service_marks",
    }
}

pub(crate) fn reason(damage: Damage) -> &'static str {
    match damage {
        Damage::Stuffing => "stuffing",
        Damage::TooShort => "too short",
        Damage::TooLong => "too long",
        Damage::Checksum => "checksum",
        Damage::CutShort => "cut short",
    }
}
