//! A device's telemetry, captured from anywhere on.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

use airvalve_monitor::{
    Settings,
    device::{ARCHIVE_BATCH_S, Device, DeviceConfig},
};
use airvalve_recording::{Item, Recording};
use airvalve_sensors::{Channel, CodeSample};
use airvalve_site::Site;
use airvalve_telemetry::{Event, Record, frames};

const START_US: i64 = 1_900_000_000_000_000;
const HZ: i64 = 2;
/// Ten hours.
const SAMPLES: i64 = 10 * 3600 * HZ;

fn sample(number: i64) -> CodeSample {
    let mut sample = CodeSample::missing(START_US + number * 1_000_000 / HZ);
    // Steady, with some bits of noise.
    let noise = ((number * 2_654_435_761) >> 16 & 15) as i16;
    sample.codes.set(Channel::FloatPosition, 22_000 + noise);
    sample.codes.set(Channel::ChamberPressure, 9_000 - noise);
    sample.codes.set(Channel::Odour, 4_900 + noise / 2);
    sample
}

fn telemetry() -> Vec<u8> {
    let site = Site::parse(&airvalve_site::template(), "valve-a.toml").unwrap();
    let mut site = site.detector(|channel| channel.index() < 3);
    site.sample_period_s = 1.0 / HZ as f32;
    let mut device = Device::new(&DeviceConfig {
        device_id: "valve-a".try_into().unwrap(),
        site,
        settings: Settings::default(),
        learned: Default::default(),
        batch_s: ARCHIVE_BATCH_S,
        contacts_fitted: 0,
        started_us: START_US,
    });
    let mut bytes = Vec::new();
    (0..SAMPLES).for_each(|number| device.sample(&sample(number), &mut |frame| bytes.extend_from_slice(frame)));
    device.flush(sample(SAMPLES - 1).time_us, &mut |frame| bytes.extend_from_slice(frame));
    bytes
}

/// Where the frames begin, which of them are headers, and the samples in each.
fn layout(bytes: &[u8]) -> Vec<(u64, bool, i64)> {
    let mut layout = Vec::new();
    let mut events = frames(bytes);
    while let Some(event) = events.next() {
        let Event::Frame(frame) = event else { panic!("not whole") };
        let samples = match frame.record() {
            Ok(Record::Samples(batch)) => i64::from(batch.samples),
            _ => 0,
        };
        layout.push((frame.offset, matches!(frame.record(), Ok(Record::Header(_))), samples));
    }
    layout
}

#[test]
fn a_capture_may_begin_anywhere() {
    let bytes = telemetry();
    let layout = layout(&bytes);
    let last_header = layout.iter().rev().find(|(_, is_header, _)| *is_header).unwrap().0;
    for step in 0..200 {
        let cut = 1 + last_header * step / 200;
        let mut recording = Recording::new(&bytes[cut as usize..], "cut.airvalve").unwrap();
        let (mut times_us, mut damaged) = (Vec::new(), Vec::new());
        while let Some(item) = recording.next_item().unwrap() {
            match item {
                Item::Block(block) => times_us.extend_from_slice(block.times_us),
                Item::Damaged(place) => damaged.push((place.offset, place.length)),
                Item::Header(_) | Item::Record(_) => {}
                other => panic!("cut at {cut}: {other:?}"),
            }
        }
        // All whole frames are used, from the cut on; the rest of the frame that was cut is located and counted.
        let (whole_from, ..) = *layout.iter().find(|(offset, ..)| *offset >= cut).unwrap();
        let expected: i64 = layout.iter().filter(|(offset, ..)| *offset >= cut).map(|(.., samples)| samples).sum();
        // One byte is the mark between two frames, and no part of either.
        let rest = (whole_from > cut + 1).then_some((0, whole_from - cut));
        assert_eq!(damaged, rest.into_iter().collect::<Vec<_>>(), "cut at {cut}");
        assert_eq!(times_us, (SAMPLES - expected..SAMPLES).map(|n| sample(n).time_us).collect::<Vec<_>>());
    }
}
