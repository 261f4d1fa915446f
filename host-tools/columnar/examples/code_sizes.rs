//! Bytes a sample of recordings and of their codes as Parquet (delta binary packed, zstd level 19):
//! `cargo run --release -p airvalve-columnar --example code_sizes -- FILE…`
#![allow(clippy::unwrap_used)]

use airvalve_recording::{Recording, inspect};

fn main() {
    for file in std::env::args().skip(1) {
        let summary = inspect(&file, &Default::default()).unwrap();
        let codes = airvalve_columnar::codes_len(Recording::open(&file).unwrap()).unwrap();
        println!(
            "{file}: {} samples, recording {:.3}, codes as Parquet {:.3} bytes a sample",
            summary.samples,
            summary.bytes_per_sample.unwrap_or_default(),
            codes as f64 / summary.samples as f64
        );
    }
}
