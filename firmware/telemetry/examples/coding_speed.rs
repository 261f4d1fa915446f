//! Size and speed of the sample coding on made-up transmitter signals.
//!
//! `cargo run --release -p airvalve-telemetry --example coding_speed`

use std::collections::HashMap;
use std::time::Instant;

use airvalve_telemetry::{
    ArchiveEncoder, Columns, Event, FrameWriter, MAX_BATCH_SAMPLES, MAX_CHANNELS, Pushed, Record,
    delta_varint_len, frames,
};

#[path = "../tests/signal/mod.rs"]
mod signal;

const SAMPLES: usize = 432_000;
const PERIOD_US: u32 = 100_000;

fn main() -> Result<(), Box<dyn std::error::Error>> {
    println!(
        "{SAMPLES} samples of 3 channels, bytes a sample; speeds in million samples/s on one core"
    );
    println!("noise, % of span   framed   entropy   over   delta varint   encode   decode");
    for noise_pct in [0.05, 0.1, 0.2, 0.3] {
        let columns = signal::transmitters(11, SAMPLES, noise_pct);
        let started = Instant::now();
        let recording = encode(&columns)?;
        let encode_s = started.elapsed().as_secs_f64();
        let entropy = entropy_bytes(&recording);
        let decode_s = (0..5)
            .map(|_| decode_s(&recording))
            .fold(f64::INFINITY, f64::min);
        let varint: usize = columns
            .iter()
            .map(|column| delta_varint_len(column.iter().copied()))
            .sum();
        let per_sample = |bytes: f64| bytes / SAMPLES as f64;
        println!(
            "{noise_pct:>16} {:>8.3} {:>9.3} {:>5.2}% {:>14.3} {:>8.1} {:>8.1}",
            per_sample(recording.len() as f64),
            per_sample(entropy),
            (recording.len() as f64 / entropy - 1.0) * 100.0,
            per_sample(varint as f64),
            SAMPLES as f64 / encode_s / 1e6,
            SAMPLES as f64 / decode_s / 1e6,
        );
    }
    println!(
        "memory of the archive encoder: {} bytes",
        size_of::<ArchiveEncoder>()
    );
    Ok(())
}

fn encode(columns: &[Vec<i16>; 3]) -> Result<Vec<u8>, Box<dyn std::error::Error>> {
    let mut encoder = ArchiveEncoder::new(3, PERIOD_US, MAX_BATCH_SAMPLES);
    let mut writer = FrameWriter::new();
    let mut frame = [0; 4096];
    let mut recording = Vec::new();
    let [a, b, c] = columns;
    for (n, ((&a, &b), &c)) in a.iter().zip(b).zip(c).enumerate() {
        if encoder.push(n as i64 * i64::from(PERIOD_US), &[a, b, c], 0x31)? == Pushed::Complete
            && let Some(batch) = encoder.take()
        {
            let used = writer.write(&Record::Samples(batch), &mut frame)?;
            recording.extend_from_slice(frame.get(..used).unwrap_or_default());
        }
    }
    while let Some(batch) = encoder.take() {
        let used = writer.write(&Record::Samples(batch), &mut frame)?;
        recording.extend_from_slice(frame.get(..used).unwrap_or_default());
    }
    Ok(recording)
}

fn decode_all(recording: &[u8], mut on_residual: impl FnMut(usize, i16)) -> (usize, i64) {
    let mut times = vec![0; MAX_BATCH_SAMPLES];
    let mut codes = vec![[0; MAX_BATCH_SAMPLES]; MAX_CHANNELS];
    let mut contacts = vec![0; MAX_BATCH_SAMPLES];
    let (mut samples, mut sum) = (0, 0);
    let mut frames = frames(recording);
    while let Some(event) = frames.next() {
        let Event::Frame(frame) = event else { continue };
        let Ok(Record::Samples(batch)) = frame.record() else {
            continue;
        };
        let mut slots = codes.iter_mut();
        let mut columns = Columns {
            times_us: &mut times,
            codes: std::array::from_fn(|_| {
                slots.next().map_or(&mut [][..], |column| &mut column[..])
            }),
            contacts: &mut contacts,
        };
        let count = batch
            .decode_with(&mut columns, &mut on_residual)
            .unwrap_or(0);
        samples += count;
        sum += columns
            .codes
            .iter()
            .filter_map(|column| column.get(count.wrapping_sub(1)))
            .map(|&c| i64::from(c))
            .sum::<i64>();
    }
    (samples, sum)
}

fn decode_s(recording: &[u8]) -> f64 {
    let started = Instant::now();
    let (samples, sum) = decode_all(recording, |_, _| {});
    assert!(
        samples == SAMPLES,
        "decoded {samples} samples, check sum {sum}"
    );
    started.elapsed().as_secs_f64()
}

/// Zero-order entropy of the residuals, by channel over the whole recording, bytes.
fn entropy_bytes(recording: &[u8]) -> f64 {
    let mut counts: [HashMap<i16, u32>; 3] = Default::default();
    decode_all(recording, |channel, residual| {
        if let Some(channel) = counts.get_mut(channel) {
            *channel.entry(residual).or_default() += 1;
        }
    });
    let bits = |channel: &HashMap<i16, u32>| {
        let total: f64 = channel.values().map(|&n| f64::from(n)).sum();
        channel
            .values()
            .map(|&n| -f64::from(n) * (f64::from(n) / total).log2())
            .sum::<f64>()
    };
    counts.iter().map(bits).sum::<f64>() / 8.0
}
