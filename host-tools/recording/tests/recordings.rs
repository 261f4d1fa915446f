//! Recordings: written, read back, damaged, truncated, of another version.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

use std::io::Read;

use airvalve_recording::{Item, Recording, RecordingError, RecordingWriter, inspect, inspect::Content};
use airvalve_sensors::{Channel, Channels, CodeSample, Contact, Contacts, MISSING_CODE};
use airvalve_telemetry::{ChannelInfo, Event, FORMAT_VERSION, FrameWriter, Header, Record, SensorHealth, frames, kind};
use proptest::prelude::*;

const START_US: i64 = 1_772_400_000_000_000;

fn header() -> Header {
    let info = |id, low, high| ChannelInfo { id, low, high };
    Header {
        device_id: "valve-a".try_into().unwrap(),
        format_version: FORMAT_VERSION,
        channels: [info(0, 0.0, 100.0), info(1, -100.0, 1600.0), info(4, -20.0, 60.0)].into_iter().collect(),
        contacts_fitted: 1,
        sample_period_us: 100_000,
        anchor_us: START_US,
        shunt_milliohm: 150_000,
        full_scale_mv: 4096,
        ..Header::default()
    }
}

fn sample(number: i64) -> CodeSample {
    let mut sample = CodeSample::missing(START_US + number * 100_000);
    sample.codes.set(Channel::FloatPosition, 20_000 + (number % 7) as i16);
    sample.codes.set(Channel::ChamberPressure, 9_000 + (number * 13 % 31) as i16);
    let temperature = if number % 11 == 0 { MISSING_CODE } else { 12_000 };
    sample.codes.set(Channel::AirTemperature, temperature);
    sample.contacts = Contacts::default().with(Contact::PumpRunning, Some(number / 500 % 2 == 0));
    sample
}

/// A recording of so many samples, as bytes.
fn recorded(samples: i64) -> Vec<u8> {
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("a.airvalve");
    let mut writer = RecordingWriter::create(&file, header()).unwrap();
    writer.write_record(&Record::SensorHealth(SensorHealth { channel: 1, ..SensorHealth::default() })).unwrap();
    for number in 0..samples {
        writer.write_sample(&sample(number)).unwrap();
    }
    writer.finish().unwrap();
    assert_eq!(std::fs::read_dir(folder.path()).unwrap().count(), 1);
    std::fs::read(file).unwrap()
}

#[derive(Debug, Default, PartialEq)]
struct Found {
    samples: Vec<CodeSample>,
    records: usize,
    headers: usize,
    damaged: Vec<(u64, u64)>,
    lost: Vec<(u64, u32)>,
    restarts: usize,
    skipped: usize,
}

fn read(source: impl Read) -> Result<Found, RecordingError> {
    let mut recording = Recording::new(source, "x.airvalve")?;
    let mut found = Found::default();
    while let Some(item) = recording.next_item()? {
        match item {
            Item::Header(_) => found.headers += 1,
            Item::Block(block) => found.samples.extend(block.samples()),
            Item::Record(_) => found.records += 1,
            Item::Lost { frames, offset } => found.lost.push((offset, frames)),
            Item::Restarted { .. } => found.restarts += 1,
            Item::Damaged(damaged) => found.damaged.push((damaged.offset, damaged.length)),
            Item::Skipped { .. } => found.skipped += 1,
        }
    }
    Ok(found)
}

/// Where frames end.
fn ends(bytes: &[u8]) -> Vec<usize> {
    bytes.iter().enumerate().filter(|(_, byte)| **byte == 0).map(|(at, _)| at + 1).collect()
}

#[test]
fn samples_come_back_as_they_were_written() {
    let found = read(recorded(10_000).as_slice()).unwrap();
    let expected: Vec<CodeSample> = (0..10_000).map(sample).collect();
    assert_eq!(found.samples, expected);
    assert_eq!((found.records, found.headers, found.damaged.len(), found.lost.len()), (1, 1, 0, 0));
}

#[test]
fn flipped_bits_cost_one_frame_and_are_located() {
    let mut bytes = recorded(20_000);
    let ends = ends(&bytes);
    let (from, to) = (ends[4], ends[5]);
    bytes[(from + to) / 2] ^= 0x10;
    let found = read(bytes.as_slice()).unwrap();
    assert_eq!(found.damaged, [(from as u64, (to - from) as u64)]);
    assert_eq!(found.lost, [(to as u64, 1)]);
    assert!(found.samples.len() > 13_000 && found.samples.len() < 20_000);
    assert_eq!(found.samples.last(), Some(&sample(19_999)));
}

#[test]
fn a_capture_may_begin_anywhere() {
    let bytes = recorded(400_000);
    let headers = read(bytes.as_slice()).unwrap();
    let middle = bytes.len() / 3;
    let found = read(&bytes[middle..]).unwrap();
    assert!(found.samples.len() > 250_000, "{}", found.samples.len());
    assert_eq!(found.samples.last(), headers.samples.last());
}

#[test]
fn a_capture_without_a_header_is_refused() {
    let bytes = recorded(3_000);
    let Err(error) = read(&bytes[ends(&bytes)[0]..]) else { panic!() };
    assert!(error.to_string().contains("no header in the first"), "{error}");
}

#[test]
fn another_version_is_said() {
    let later = Header { format_version: 9, ..header() };
    let mut bytes = vec![0; 512];
    let len = FrameWriter::new().write(&Record::Header(later), &mut bytes).unwrap();
    let Err(error) = read(&bytes[..len]) else { panic!() };
    assert_eq!(
        error.to_string(),
        "x.airvalve: format version 9 at byte 0 (this program reads 1); use the program that fits"
    );
}

#[test]
fn two_devices_in_one_file_are_refused() {
    let mut bytes = recorded(100);
    let at = bytes.len();
    let other = Header { device_id: "valve-b".try_into().unwrap(), ..header() };
    let mut frame = vec![0; 512];
    let len = FrameWriter::new().write(&Record::Header(other), &mut frame).unwrap();
    bytes.extend(&frame[..len]);
    let error = read(bytes.as_slice()).unwrap_err().to_string();
    assert!(error.contains(&format!("device `valve-b` at byte {at} in a recording of `valve-a`")), "{error}");
}

#[test]
fn a_new_header_holds_for_what_follows() {
    let fewer = Header { channels: [ChannelInfo { id: 2, low: 0.0, high: 50.0 }].into_iter().collect(), ..header() };
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("b");
    let mut writer = RecordingWriter::create(&file, fewer).unwrap();
    writer.write_sample(&CodeSample { codes: Channels([7; 7]), ..sample(5_000) }).unwrap();
    writer.finish().unwrap();
    let mut bytes = recorded(100);
    bytes.extend(std::fs::read(file).unwrap());
    let found = read(bytes.as_slice()).unwrap();
    assert_eq!((found.headers, found.restarts), (2, 1));
    let last = found.samples.last().unwrap().codes;
    assert_eq!((last.get(Channel::Odour), last.get(Channel::FloatPosition)), (7, MISSING_CODE));
}

/// Where the headers begin.
fn header_places(bytes: &[u8]) -> Vec<usize> {
    let mut places = Vec::new();
    let mut events = frames(bytes);
    while let Some(event) = events.next() {
        if let Event::Frame(frame) = event
            && frame.kind == kind::HEADER
        {
            places.push(frame.offset as usize);
        }
    }
    places
}

#[test]
fn samples_after_a_restart_without_a_header_are_skipped_until_one_comes() {
    let night = recorded(20_000);
    let [_, second, ..] = header_places(&night)[..] else { panic!("one header") };
    let after_second = read(&night[second..]).unwrap().samples.len();
    // The device was started again, and its first header is damaged: only the next one says what its samples are.
    let joined = [&night[..], &night[ends(&night)[0]..]].concat();
    let found = read(joined.as_slice()).unwrap();
    assert_eq!((found.restarts, found.skipped, found.samples.len()), (1, 4, 20_000 + after_second));
    // A capture that begins in one run of the device and has its first header in the next.
    let joined = [&night[ends(&night)[3]..ends(&night)[4]], &night[..]].concat();
    let found = read(joined.as_slice()).unwrap();
    assert_eq!((found.restarts, found.skipped, found.samples.len()), (1, 1, 20_000));
}

#[test]
fn a_frame_of_a_later_kind_is_skipped() {
    let mut bytes = recorded(100);
    let mut frame = vec![0; 64];
    let len = FrameWriter::new().write_payload(77, b"later", None, &mut frame).unwrap();
    bytes.extend(&frame[..len]);
    let found = read(bytes.as_slice()).unwrap();
    assert_eq!((found.skipped, found.samples.len()), (1, 100));
}

#[test]
fn a_truncated_recording_is_inspected_as_such() {
    let bytes = recorded(5_000);
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("cut");
    std::fs::write(&file, &bytes[..bytes.len() - 100]).unwrap();
    let summary = inspect(&file, &Default::default()).unwrap();
    let Content::Recording(content) = &summary.content else { panic!() };
    assert!(content.is_truncated && content.damaged.count == 1);
    assert!(summary.to_string().contains("ends inside a frame"), "{summary}");
    assert!(summary.samples > 2_000 && summary.gaps.count == 0);
    let json = serde_json::to_value(&summary).unwrap();
    assert_eq!(json["header"]["device_id"], "valve-a");
    assert_eq!(json["from"], "2026-03-01T21:20:00Z");
}

#[test]
fn inspection_finds_gaps() {
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("gap");
    let mut writer = RecordingWriter::create(&file, header()).unwrap();
    for number in (0..100).chain(200..300) {
        writer.write_sample(&sample(number)).unwrap();
    }
    writer.finish().unwrap();
    let summary = inspect(&file, &Default::default()).unwrap();
    assert_eq!((summary.gaps.count, summary.samples), (1, 200));
    assert_eq!(summary.gaps.first[0].from.as_microsecond(), START_US + 9_900_000);
}

/// Hands out `step` bytes at a time.
struct Dripping<'a>(&'a [u8], usize);

impl Read for Dripping<'_> {
    fn read(&mut self, into: &mut [u8]) -> std::io::Result<usize> {
        let len = self.1.min(self.0.len()).min(into.len());
        let (now, later) = self.0.split_at(len);
        into[..len].copy_from_slice(now);
        self.0 = later;
        Ok(len)
    }
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(64))]

    #[test]
    fn chunking_of_reads_does_not_matter(step in 1..5000_usize, flipped in 0..4000_usize) {
        let mut bytes = recorded(3_000);
        let at = 200 + flipped % (bytes.len() - 200);
        bytes[at] ^= 1;
        let whole = read(bytes.as_slice()).unwrap();
        prop_assert_eq!(read(Dripping(&bytes, step)).unwrap(), whole);
    }

    #[test]
    fn truncation_keeps_what_was_before(share in 0.0..1.0_f64) {
        let bytes = recorded(6_000);
        let ends = ends(&bytes);
        let len = ends[0] + ((bytes.len() - ends[0]) as f64 * share) as usize;
        let whole_to = *ends.iter().rev().find(|end| **end <= len).unwrap();
        let cut = read(&bytes[..len]).unwrap();
        let kept = read(&bytes[..whole_to]).unwrap();
        prop_assert_eq!(&cut.samples, &kept.samples);
        prop_assert_eq!(cut.damaged.len(), usize::from(whole_to != len));
        prop_assert!(cut.samples.iter().zip(0..).all(|(found, number)| *found == sample(number)));
    }

    #[test]
    fn damage_anywhere_never_panics_and_never_invents(at in 0..100_000_usize, with in any::<[u8; 3]>()) {
        let mut bytes = recorded(6_000);
        let at = at % bytes.len();
        for (place, byte) in bytes.iter_mut().skip(at).zip(with) {
            *place = byte;
        }
        if let Ok(found) = read(bytes.as_slice()) {
            let good = |found: &CodeSample| *found == sample((found.time_us - START_US) / 100_000);
            prop_assert!(found.samples.iter().all(good));
        }
    }

    #[test]
    fn no_bytes_make_the_reader_panic(bytes in prop::collection::vec(any::<u8>(), 0..500)) {
        let _ = read(bytes.as_slice());
    }
}
