//! Recordings and CSV files, as the commands read them.

use std::{
    io::{self, Read, Write},
    path::Path,
};

use airvalve_analysis::{Replay, ReplayOptions, replay};
use airvalve_recording::{
    CodeBlock, Item, QuantityBlock, Recording, RecordingError,
    csv::{ColumnMap, CsvError, CsvOptions, CsvReader, CsvReport, CsvWriter, time_zone},
    export::all_columns,
    import, inspect,
};
use airvalve_sensors::Channel;
use airvalve_telemetry::{Counts, MAX_BATCH_SAMPLES, checksum};
use tempfile::NamedTempFile;

use super::{resealed, texts::known_site};

/// Takes whatever is written, as a pipe would: no file has to be made.
const NOWHERE: &str = "/dev/null";

/// Hands out a few bytes at a time.
struct Dripping<'a> {
    rest: &'a [u8],
    step: usize,
}

impl Read for Dripping<'_> {
    fn read(&mut self, into: &mut [u8]) -> io::Result<usize> {
        let len = self.rest.len().min(self.step);
        let read = self.rest.get(..len).unwrap_or_default().read(into)?;
        self.rest = self.rest.get(read..).unwrap_or_default();
        Ok(read)
    }
}

/// A step between reads that depends on the bytes.
fn dripping(bytes: &[u8]) -> Dripping<'_> {
    Dripping { rest: bytes, step: 1 + checksum(bytes) as usize % 8191 }
}

fn in_a_file(bytes: &[u8]) -> io::Result<NamedTempFile> {
    let mut file = NamedTempFile::new()?;
    file.write_all(bytes)?;
    Ok(file)
}

/// As it stands and with good checksums: every sample, record, loss and damage is told, in chunks of any size.
pub(super) fn check_recording(bytes: &[u8]) {
    for bytes in [bytes, &resealed(bytes)] {
        let told = tell(bytes);
        assert_eq!(tell(dripping(bytes)), told, "the size of reads shows");
        if let Ok(told) = &told {
            check_told(told, bytes);
        }
        let Ok(file) = in_a_file(bytes) else { return };
        check_inspect(file.path(), told.as_ref().ok());
        check_export(bytes);
    }
}

/// What a recording told.
#[derive(Debug, Default, PartialEq)]
struct Told {
    items: Vec<String>,
    samples: u64,
    /// Frames that were passed over, damaged stretches, lost frames, restarts.
    skipped: u64,
    damaged: u64,
    lost: u64,
    restarts: u64,
    counts: Counts,
}

fn tell(source: impl Read) -> Result<Told, String> {
    let say = |error: RecordingError| error.to_string();
    let mut recording = Recording::new(source, "x.airvalve").map_err(say)?;
    let mut told = Told::default();
    while let Some(item) = recording.next_item().map_err(say)? {
        let text = match &item {
            Item::Block(block) => {
                told.samples += block.len() as u64;
                of_block(*block)
            }
            other => format!("{other:?}"),
        };
        match item {
            Item::Lost { frames, .. } => told.lost += u64::from(frames),
            Item::Restarted { .. } => told.restarts += 1,
            Item::Damaged(_) => told.damaged += 1,
            Item::Skipped { .. } => told.skipped += 1,
            _ => {}
        }
        told.items.push(text);
    }
    told.counts = recording.counts();
    Ok(told)
}

/// A block in a few words: its length and a checksum of its values.
fn of_block(block: CodeBlock<'_>) -> String {
    assert!((1..=MAX_BATCH_SAMPLES).contains(&block.len()) && block.contacts.len() == block.len());
    let mut bytes: Vec<u8> = block.times_us.iter().flat_map(|time_us| time_us.to_le_bytes()).collect();
    for channel in Channel::ALL {
        let column = block.columns.get(channel);
        assert_eq!(column.len(), block.len());
        bytes.extend(column.iter().flat_map(|code| code.to_le_bytes()));
    }
    bytes.extend(block.contacts);
    format!("{} samples {:08x}", block.len(), checksum(&bytes))
}

fn check_told(told: &Told, bytes: &[u8]) {
    let counts = told.counts;
    assert_eq!((told.damaged, told.lost, told.restarts), (counts.damaged, counts.lost, counts.restarts));
    assert!(told.skipped <= counts.frames);
    // Read to its end, a recording leaves no stretch untold.
    let stretches = bytes.split(|byte| *byte == 0).filter(|stretch| !stretch.is_empty());
    assert_eq!(counts.frames + counts.damaged, stretches.count() as u64);
}

fn check_inspect(file: &Path, told: Option<&Told>) {
    let Ok(summary) = inspect(file, &CsvOptions::default()) else { return };
    assert!(serde_json::to_string(&summary).is_ok());
    if let Some(told) = told.filter(|_| summary.kind == "recording") {
        assert_eq!(summary.samples, told.samples);
    }
}

fn check_export(bytes: &[u8]) {
    let Ok(Ok((all, _))) = Recording::new(bytes, "x.airvalve").map(|recording| all_columns(recording, &|_| {})) else {
        return;
    };
    let (Ok(mut recording), Ok(mut csv)) = (Recording::new(bytes, "x.airvalve"), CsvWriter::create(NOWHERE, &all))
    else {
        return;
    };
    while let Ok(Some(item)) = recording.next_item() {
        match item {
            Item::Header(header) => csv.set_header(header),
            Item::Block(block) => assert!(csv.write_block(block).is_ok()),
            _ => {}
        }
    }
}

/// A file of either kind through the detector: every row is used or rejected, and no bound of the air is turned round.
pub(super) fn check_replay(bytes: &[u8]) {
    let Ok(file) = in_a_file(&resealed(bytes)) else { return };
    let options = ReplayOptions::default();
    let Ok(result) = replay(&[file.path().to_owned()], &known_site(), &options, &|_| {}) else { return };
    check_result(&result);
}

fn check_result(result: &Replay) {
    let samples = result.samples;
    assert_eq!(samples.read, samples.used + samples.rejected);
    assert!(serde_json::to_string(result).is_ok());
    let air = &result.air;
    for [low, value, high] in [
        [air.released_nl_low, air.released_nl, air.released_nl_high],
        [air.admitted_nl_low, air.admitted_nl, air.admitted_nl_high],
    ] {
        assert!(0.0 <= low && low <= value && value <= high, "{low} {value} {high}");
    }
}

/// With and without what a user may say about a file: `read = used + rejected`, in chunks of any size.
pub(super) fn check_csv(bytes: &[u8]) {
    for options in options() {
        let whole = read_csv(bytes, &options);
        assert_eq!(read_csv(dripping(bytes), &options), whole, "the size of reads shows");
        let Ok((report, used)) = whole else { continue };
        assert_eq!(report.rows.read, report.rows.used + report.rows.rejected());
        assert_eq!(report.rows.used, used);
        assert!(serde_json::to_string(&report).is_ok());
    }
    let Ok(file) = in_a_file(bytes) else { return };
    check_inspect(file.path(), None);
    let _ = import(file.path(), &known_site(), &CsvOptions::default(), NOWHERE);
}

fn options() -> [CsvOptions; 3] {
    let local = CsvOptions { time_zone: time_zone("CET").ok(), decimal_comma: true, ..CsvOptions::default() };
    let columns = ColumnMap::parse("time=Zeit,float_pct=Lage").unwrap_or_default();
    [CsvOptions::default(), local, CsvOptions { columns, ..CsvOptions::default() }]
}

fn read_csv(source: impl Read, options: &CsvOptions) -> Result<(CsvReport, u64), String> {
    let say = |error: CsvError| error.to_string();
    let mut csv = CsvReader::new(source, "x.csv", options.clone()).map_err(say)?;
    let mut used = 0;
    while let Some(block) = csv.next_block().map_err(say)? {
        check_quantities(block);
        used += block.len() as u64;
    }
    Ok((csv.report(), used))
}

fn check_quantities(block: QuantityBlock<'_>) {
    assert!(!block.is_empty() && block.contacts.len() == block.len());
    for channel in Channel::ALL {
        let column = block.columns.get(channel);
        assert_eq!(column.len(), block.len());
        assert!(column.iter().all(|quantity| quantity.is_nan() || quantity.is_finite()), "an infinite reading");
    }
}
