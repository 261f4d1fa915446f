//! Size of the sample coding on made-up transmitter signals, against bounds that the coder has no part in.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, clippy::indexing_slicing)]

mod samples;
mod signal;

use airvalve_telemetry::{ArchiveEncoder, LiveEncoder, delta_varint_len};
use samples::{archive, residual_entropy_bytes};

const SAMPLES: usize = 216_000;

/// Seeds that were used nowhere else, least of all in the design.
const SEEDS: [u64; 3] = [20_417, 77_003, 910_551];

/// Bits of a normal distribution in steps of 1: log2(sigma sqrt(2 pi e)).
///
/// Source: Shannon, "A Mathematical Theory of Communication", 1948, section 20.
fn normal_entropy_bits(sigma: f64) -> f64 {
    (sigma * (2.0 * std::f64::consts::PI * std::f64::consts::E).sqrt()).log2()
}

fn noisy_recordings() -> impl Iterator<Item = (f64, [Vec<i16>; 3])> {
    let cases = [0.05, 0.1, 0.3].into_iter().flat_map(|pct| SEEDS.map(|seed| (pct, seed)));
    cases.map(|(pct, seed)| (pct, signal::transmitters(seed, SAMPLES, pct)))
}

#[test]
fn frames_take_at_most_4_percent_more_than_the_entropy_of_the_residuals() {
    for (noise_pct, columns) in noisy_recordings() {
        let recording = archive(&columns);
        let over = recording.len() as f64 / residual_entropy_bytes(&recording) - 1.0;
        assert!(over < 0.04, "{:.2} % over at {noise_pct} % noise", over * 100.0);
    }
}

#[test]
fn frames_take_at_most_6_percent_more_than_the_noise_itself() {
    // No coder can do better than the noise; ramps, strokes and steps come on top.
    for (noise_pct, columns) in noisy_recordings() {
        let noise_bytes = 3.0 / 8.0 * normal_entropy_bits(noise_pct / 100.0 * signal::SPAN) * SAMPLES as f64;
        let over = archive(&columns).len() as f64 / noise_bytes - 1.0;
        assert!((0.0..0.06).contains(&over), "{:.2} % over at {noise_pct} % noise", over * 100.0);
    }
}

#[test]
fn frames_are_much_smaller_than_delta_varints() {
    for (noise_pct, columns) in noisy_recordings() {
        let varints: usize = columns.iter().map(|column| delta_varint_len(column.iter().copied())).sum();
        let saved = 1.0 - archive(&columns).len() as f64 / varints as f64;
        assert!(saved > 0.15, "{:.1} % saved at {noise_pct} % noise", saved * 100.0);
    }
}

#[test]
fn a_recording_that_stands_still_takes_next_to_nothing() {
    let recording = archive(&std::array::from_fn(|_| vec![12_000; SAMPLES]));
    assert!(recording.len() * 8 < SAMPLES, "{} bytes", recording.len());
}

#[test]
fn encoders_of_a_device_fit_12_kib_with_their_frame_buffer() {
    let frame = airvalve_telemetry::max_frame_len(3584 + 32);
    assert!(size_of::<ArchiveEncoder>() + size_of::<LiveEncoder>() + frame < 12 * 1024);
}

#[test]
fn delta_varints_are_counted_as_postcard_writes_them() {
    // Source: postcard wire format, varint and zigzag: 0, 63, 64 and -8192 from code to code take 1, 1, 2 and 2 bytes.
    assert_eq!(delta_varint_len([0, 63, 127, -8065]), 6);
}
