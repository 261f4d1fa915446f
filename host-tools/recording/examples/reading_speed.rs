//! How fast files are read: `cargo run --release -p airvalve-recording --example reading_speed [-- SAMPLES [FOLDER]]`.
//!
//! Twelve hours at 10 Hz unless told otherwise, made up here; rates are the best of five, one core. The files stay in
//! FOLDER where one is named.
#![allow(clippy::unwrap_used)]

use std::{
    path::{Path, PathBuf},
    time::Instant,
};

use airvalve_recording::{
    Item, Recording, RecordingWriter,
    csv::{CsvOptions, CsvReader},
    export_csv,
};
use airvalve_sensors::{Channel, CodeSample, Contact, Contacts};
use airvalve_telemetry::{ChannelInfo, FORMAT_VERSION, Header};

fn main() {
    let mut arguments = std::env::args().skip(1);
    let samples = arguments.next().map_or(432_000, |count| count.parse().unwrap());
    let temporary = tempfile::tempdir().unwrap();
    let folder = arguments.next().map_or(temporary.path().to_owned(), PathBuf::from);
    let (recording, csv) = (folder.join("night.airvalve"), folder.join("night.csv"));
    write(&recording, samples);
    export_csv(&recording, &csv).unwrap();
    for (name, file) in [("recording", &recording), ("CSV", &csv)] {
        let bytes = std::fs::metadata(file).unwrap().len();
        println!("{name}: {samples} samples, {:.2} bytes a sample", bytes as f64 / samples as f64);
    }
    report("recording", samples, || read_recording(&recording));
    report("CSV", samples, || read_csv(&csv));
}

fn report(name: &str, samples: i64, read: impl Fn() -> usize) {
    let seconds = (0..5).map(|_| {
        let begun = Instant::now();
        assert_eq!(read() as i64, samples);
        begun.elapsed().as_secs_f64()
    });
    let best_s = seconds.fold(f64::INFINITY, f64::min);
    println!("{name}: {:.1} million samples/s", samples as f64 / best_s / 1e6);
}

fn read_recording(file: &Path) -> usize {
    let mut recording = Recording::open(file).unwrap();
    let mut samples = 0;
    while let Some(item) = recording.next_item().unwrap() {
        if let Item::Block(block) = item {
            samples += block.len();
        }
    }
    samples
}

fn read_csv(file: &Path) -> usize {
    let mut csv = CsvReader::open(file, CsvOptions::default()).unwrap();
    let mut samples = 0;
    while let Some(block) = csv.next_block().unwrap() {
        samples += block.len();
    }
    samples
}

fn write(file: &Path, samples: i64) {
    let info = |id, low, high| ChannelInfo { id, low, high };
    let header = Header {
        device_id: "example".try_into().unwrap(),
        format_version: FORMAT_VERSION,
        channels: [info(0, 0.0, 100.0), info(1, -100.0, 1600.0), info(2, 0.0, 200.0)].into_iter().collect(),
        contacts_fitted: 1,
        sample_period_us: 100_000,
        shunt_milliohm: 150_000,
        full_scale_mv: 4096,
        ..Header::default()
    };
    let mut writer = RecordingWriter::create(file, header).unwrap();
    let mut noise = 1_u32;
    for number in 0..samples {
        let mut sample = CodeSample::missing(1_772_400_000_000_000 + number * 100_000);
        for (channel, level, spread) in [
            (Channel::FloatPosition, 20_000.0, 10),
            (Channel::ChamberPressure, 9_000.0, 12),
            (Channel::Odour, 5_200.0, 8),
        ] {
            // Noise of some codes on a slow swing (an xorshift generator).
            noise ^= noise << 13;
            noise ^= noise >> 17;
            noise ^= noise << 5;
            let swing = 400.0 * (number as f64 / 3000.0).sin();
            let code = level + swing + f64::from(noise % spread) - f64::from(noise / 7 % spread);
            sample.codes.set(channel, code as i16);
        }
        sample.contacts = Contacts::default().with(Contact::PumpRunning, Some(number / 9000 % 3 == 0));
        writer.write_sample(&sample).unwrap();
    }
    writer.finish().unwrap();
}
