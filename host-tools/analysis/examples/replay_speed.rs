//! How fast a replay is: `cargo run --release -p airvalve-analysis --example replay_speed -- FILE SITE.toml`.
//!
//! FILE is a recording of half a day or more; its CSV form is made beside. Rates are the best of five, one core.
#![allow(clippy::unwrap_used)]

use std::{
    path::{Path, PathBuf},
    time::Instant,
};

use airvalve_analysis::{ReplayOptions, replay};
use airvalve_recording::{
    Item, Recording,
    csv::{CsvOptions, CsvReader},
    export_csv,
};
use airvalve_site::Site;

fn main() {
    let mut arguments = std::env::args().skip(1).map(PathBuf::from);
    let (Some(recording), Some(site)) = (arguments.next(), arguments.next()) else {
        eprintln!("replay_speed: name a recording and its site file");
        return;
    };
    let site = Site::read(site).unwrap();
    let folder = tempfile::tempdir().unwrap();
    let csv = folder.path().join("night.csv");
    let samples = export_csv(&recording, &csv).unwrap().samples;
    println!("{samples} samples");
    rate("recording, decoded only", samples, || decode(&recording));
    rate("recording, whole replay", samples, || whole(&recording, &site));
    rate("CSV, read only", samples, || read(&csv));
    rate("CSV, whole replay", samples, || whole(&csv, &site));
}

fn rate(name: &str, samples: u64, work: impl Fn() -> u64) {
    let seconds = (0..5).map(|_| {
        let begun = Instant::now();
        assert_eq!(work(), samples);
        begun.elapsed().as_secs_f64()
    });
    let best_s = seconds.fold(f64::INFINITY, f64::min);
    println!("{name}: {:.1} million samples/s", samples as f64 / best_s / 1e6);
}

fn decode(file: &Path) -> u64 {
    let mut recording = Recording::open(file).unwrap();
    let mut samples = 0;
    while let Some(item) = recording.next_item().unwrap() {
        if let Item::Block(block) = item {
            samples += block.len() as u64;
        }
    }
    samples
}

fn read(file: &Path) -> u64 {
    let mut csv = CsvReader::open(file, CsvOptions::default()).unwrap();
    let mut samples = 0;
    while let Some(block) = csv.next_block().unwrap() {
        samples += block.len() as u64;
    }
    samples
}

fn whole(file: &Path, site: &Site) -> u64 {
    let files = [file.to_owned()];
    replay(&files, site, &ReplayOptions::default(), &|_| {}).unwrap().samples.used
}
