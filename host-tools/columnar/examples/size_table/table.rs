//! The table "Size on the demo recordings" of the telemetry's format document; its test holds the document against it.

use std::{
    collections::HashMap,
    fmt::Write as _,
    fs,
    path::{Path, PathBuf},
};

use airvalve_recording::Recording;
use airvalve_telemetry::{
    ArchiveEncoder, Columns, Event, FrameWriter, Header, MAX_BATCH_SAMPLES, MAX_CHANNELS, MAX_FRAME_LEN, MISSING_CODE,
    Pushed, Record, delta_varint_len, frames, max_frame_len,
};

/// The document, in the project's root.
pub(crate) const DOCUMENT: &str = "firmware/telemetry/FORMAT.md";
const BEGIN: &str = "<!-- sizes:begin -->\n";
const END: &str = "<!-- sizes:end -->";
const HEAD: &str = "\
| recording | samples | sample frames | entropy of their residuals | above it | delta varints | Parquet | whole file | \
sample frames of 1 s (live) |
| --- | --- | --- | --- | --- | --- | --- | --- | --- |
";

/// Bytes a sample, each way.
struct Sizes {
    samples: f64,
    framed: f64,
    file: f64,
    entropy: f64,
    delta: f64,
    parquet: f64,
    live: f64,
}

/// The table of these recordings.
pub(crate) fn table(files: &[PathBuf]) -> String {
    let mut table = HEAD.to_owned();
    for file in files {
        let sizes = measure(file);
        let name = file.file_name().unwrap().to_string_lossy();
        writeln!(
            table,
            "| {name} | {} | {:.3} | {:.3} | {:.2} % | {:.3} | {:.3} | {:.3} | {:.3} |",
            sizes.samples,
            sizes.framed,
            sizes.entropy,
            100.0 * (sizes.framed / sizes.entropy - 1.0),
            sizes.delta,
            sizes.parquet,
            sizes.file,
            sizes.live
        )
        .unwrap();
    }
    table
}

/// The document with another table.
pub(crate) fn with_table(document: &str, table: &str) -> String {
    let (before, rest) = document.split_once(BEGIN).expect("the marker of the table's begin");
    let (_, after) = rest.split_once(END).expect("the marker of the table's end");
    format!("{before}{BEGIN}\nBytes a sample.\n\n{table}\n{END}{after}")
}

/// The demo recordings of the project in this folder, by name.
pub(crate) fn demo_recordings(root: &Path) -> Vec<PathBuf> {
    let entries = fs::read_dir(root.join("recordings-demo")).expect("run in the project's root");
    let mut files: Vec<PathBuf> = entries
        .map(|entry| entry.unwrap().path())
        .filter(|path| path.extension().is_some_and(|extension| extension == "airvalve"))
        .collect();
    files.sort();
    files
}

/// Sample frames of a device that is set to batches of a second for a live link.
struct Live {
    encoder: Box<ArchiveEncoder>,
    frames: FrameWriter,
    frame: Vec<u8>,
    bytes: usize,
}

impl Live {
    fn new(header: &Header) -> Live {
        let samples = (1_000_000 / header.sample_period_us.max(1)).max(1) as usize;
        Live {
            encoder: Box::new(ArchiveEncoder::new(header.channels.len(), header.sample_period_us, samples)),
            frames: FrameWriter::new(),
            frame: vec![0; max_frame_len(MAX_FRAME_LEN)],
            bytes: 0,
        }
    }

    fn push(&mut self, time_us: i64, codes: &[i16], contacts: u8) {
        if self.encoder.push(time_us, codes, contacts).unwrap() == Pushed::Complete {
            self.write();
        }
    }

    fn write(&mut self) {
        if let Some(batch) = self.encoder.take() {
            self.bytes += self.frames.write(&Record::Samples(batch), &mut self.frame).unwrap();
        }
    }
}

fn measure(file: &Path) -> Sizes {
    let bytes = fs::read(file).unwrap();
    let mut times = vec![0; MAX_BATCH_SAMPLES];
    let mut codes: [Vec<i16>; MAX_CHANNELS] = std::array::from_fn(|_| vec![0; MAX_BATCH_SAMPLES]);
    let mut contacts = vec![0; MAX_BATCH_SAMPLES];
    let mut residuals: Vec<HashMap<i16, u64>> = vec![HashMap::new(); MAX_CHANNELS];
    let mut columns: Vec<Vec<i16>> = vec![Vec::new(); MAX_CHANNELS];
    let mut samples = 0;
    let mut reader = frames(&bytes);
    let mut framed = 0;
    let mut sample_frame_at = None;
    let mut live = Live::new(Recording::open(file).unwrap().header());
    while let Some(event) = reader.next() {
        let Event::Frame(frame) = event else { panic!("{}: damaged", file.display()) };
        framed += sample_frame_at.take().map_or(0, |at| frame.offset - at);
        let Ok(Record::Samples(batch)) = frame.record() else { continue };
        sample_frame_at = Some(frame.offset);
        let mut lent =
            Columns { times_us: &mut times, codes: codes.each_mut().map(Vec::as_mut_slice), contacts: &mut contacts };
        let count = batch
            .decode_with(&mut lent, &mut |channel, residual| *residuals[channel].entry(residual).or_default() += 1)
            .unwrap();
        for (column, codes) in columns.iter_mut().zip(&codes).take(usize::from(batch.channels)) {
            column.extend(codes.iter().take(count));
        }
        for place in 0..count {
            let sample: Vec<i16> = codes.iter().take(usize::from(batch.channels)).map(|codes| codes[place]).collect();
            live.push(times[place], &sample, contacts[place]);
        }
        samples += count;
    }
    live.write();
    framed += sample_frame_at.map_or(0, |at| bytes.len() as u64 - at);
    let per_sample = |bytes: f64| bytes / samples as f64;
    let delta: usize = columns.iter().map(|column| delta_varint_len(column.iter().copied())).sum();
    assert!(!columns[0].contains(&MISSING_CODE), "{}: missing samples would flatter the table", file.display());
    Sizes {
        samples: samples as f64,
        framed: per_sample(framed as f64),
        file: per_sample(bytes.len() as f64),
        entropy: residuals.iter().map(|counts| bits(counts) / 8.0).sum::<f64>() / samples as f64,
        delta: per_sample(delta as f64),
        parquet: per_sample(airvalve_columnar::codes_len(Recording::open(file).unwrap()).unwrap() as f64),
        live: per_sample(live.bytes as f64),
    }
}

/// Zero-order entropy of one channel's residuals, bits in all.
fn bits(counts: &HashMap<i16, u64>) -> f64 {
    let total: u64 = counts.values().sum();
    counts.values().map(|count| -(*count as f64) * (*count as f64 / total as f64).log2()).sum()
}
