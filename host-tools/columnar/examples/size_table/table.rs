//! Writes the table "Size on the demo recordings" of the telemetry's format document.
//!
//! Run: `cargo run --release -p airvalve-columnar --example size_table` (in the project's root; `-- FILE…` for others,
//! which only prints)
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

use std::{collections::HashMap, fmt::Write as _, fs, path::PathBuf};

use airvalve_recording::Recording;
use airvalve_telemetry::{
    Columns, Event, MAX_BATCH_SAMPLES, MAX_CHANNELS, MISSING_CODE, Record, delta_varint_len, frames,
};

const DOCUMENT: &str = "firmware/telemetry/FORMAT.md";
const BEGIN: &str = "<!-- sizes:begin -->\n";
const END: &str = "<!-- sizes:end -->";

/// Bytes a sample, four ways.
struct Sizes {
    samples: f64,
    framed: f64,
    file: f64,
    entropy: f64,
    delta: f64,
    parquet: f64,
}

fn main() {
    let named: Vec<PathBuf> = std::env::args().skip(1).map(PathBuf::from).collect();
    let is_demo = named.is_empty();
    let files = if is_demo { demo_recordings() } else { named };
    let mut table = String::from(
        "| recording | samples | sample frames | entropy of their residuals | above it | delta varints | Parquet | whole file |\n\
         | --- | --- | --- | --- | --- | --- | --- | --- |\n",
    );
    for file in files {
        let sizes = measure(&file);
        let name = file.file_name().unwrap().to_string_lossy().into_owned();
        writeln!(
            table,
            "| {name} | {} | {:.3} | {:.3} | {:.2} % | {:.3} | {:.3} | {:.3} |",
            sizes.samples,
            sizes.framed,
            sizes.entropy,
            100.0 * (sizes.framed / sizes.entropy - 1.0),
            sizes.delta,
            sizes.parquet,
            sizes.file
        )
        .unwrap();
    }
    print!("{table}");
    if is_demo {
        let text = fs::read_to_string(DOCUMENT).expect("run in the project's root");
        let (before, rest) = text.split_once(BEGIN).expect("the marker of the table's begin");
        let (_, after) = rest.split_once(END).expect("the marker of the table's end");
        fs::write(DOCUMENT, format!("{before}{BEGIN}\nBytes a sample.\n\n{table}\n{END}{after}")).unwrap();
    }
}

fn demo_recordings() -> Vec<PathBuf> {
    let entries = fs::read_dir("recordings-demo").expect("run in the project's root");
    let mut files: Vec<PathBuf> = entries
        .map(|entry| entry.unwrap().path())
        .filter(|path| path.extension().is_some_and(|extension| extension == "airvalve"))
        .collect();
    files.sort();
    files
}

fn measure(file: &PathBuf) -> Sizes {
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
        samples += count;
    }
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
    }
}

/// Zero-order entropy of one channel's residuals, bits in all.
fn bits(counts: &HashMap<i16, u64>) -> f64 {
    let total: u64 = counts.values().sum();
    counts.values().map(|count| -(*count as f64) * (*count as f64 / total as f64).log2()).sum()
}
