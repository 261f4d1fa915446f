//! Size and speed of the sample coding on made-up transmitter signals.
//!
//! `cargo run --release -p airvalve-telemetry --example coding_speed`

use std::time::Instant;

use airvalve_telemetry::{ArchiveEncoder, delta_varint_len};

#[path = "../tests/samples/mod.rs"]
mod samples;
#[path = "../tests/signal/mod.rs"]
mod signal;

const SAMPLES: usize = 432_000;

fn main() {
    println!("{SAMPLES} samples of 3 channels, bytes a sample; speeds in million samples/s on one core");
    println!("noise, % of span   framed   entropy   over   delta varint   encode   decode");
    for noise_pct in [0.05, 0.1, 0.2, 0.3] {
        let columns = signal::transmitters(11, SAMPLES, noise_pct);
        let mut recording = Vec::new();
        let encode_s = least_seconds(|| recording = samples::archive(&columns));
        let decode_s = least_seconds(|| decode(&recording));
        let entropy = samples::residual_entropy_bytes(&recording);
        let varint: usize = columns.iter().map(|column| delta_varint_len(column.iter().copied())).sum();
        println!(
            "{noise_pct:>16} {:>8.3} {:>9.3} {:>5.2}% {:>14.3} {:>8.1} {:>8.1}",
            recording.len() as f64 / SAMPLES as f64,
            entropy / SAMPLES as f64,
            (recording.len() as f64 / entropy - 1.0) * 100.0,
            varint as f64 / SAMPLES as f64,
            SAMPLES as f64 / encode_s / 1e6,
            SAMPLES as f64 / decode_s / 1e6,
        );
    }
    println!("memory of the archive encoder: {} bytes", size_of::<ArchiveEncoder>());
}

fn decode(recording: &[u8]) {
    let mut samples = 0;
    samples::for_each_batch(
        recording,
        |_, _| {},
        |columns, _, count| {
            std::hint::black_box(columns);
            samples += count;
        },
    );
    assert!(samples == SAMPLES, "decoded {samples} samples");
}

fn least_seconds(mut work: impl FnMut()) -> f64 {
    let mut timed = || {
        let started = Instant::now();
        work();
        started.elapsed().as_secs_f64()
    };
    (0..5).map(|_| timed()).fold(f64::INFINITY, f64::min)
}
