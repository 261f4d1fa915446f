//! Every record and number as literal bytes, which stand in `FORMAT.md`; and how records grow.
//!
//! The bytes on that page were made by another program (Python: struct, zlib.crc32), not by this crate.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, clippy::indexing_slicing)]

use airvalve_telemetry::{
    AlarmTransition, ChannelInfo, Columns, Counts, Event, FORMAT_VERSION, FrameReader, FrameWriter, Header,
    LearnedState, LiveEncoder, MAX_CHANNELS, MISSING_CODE, Record, ReleaseCycle, SampleBatch, SensorHealth,
    ServiceMark, Totals, frames, kind,
};

const FORMAT: &str = include_str!("../FORMAT.md");
const TIME_US: i64 = 1_700_000_000_000_000;

/// The bytes of a block of the format document.
fn documented(name: &str) -> Vec<u8> {
    let start = format!("```bytes {name}\n");
    let (_, after) = FORMAT.split_once(&start).unwrap_or_else(|| panic!("no block {name}"));
    let (block, _) = after.split_once("```").unwrap();
    block.split_whitespace().map(|byte| u8::from_str_radix(byte, 16).unwrap()).collect()
}

fn payload(record: &Record<'_>) -> Vec<u8> {
    let mut out = [0; 4096];
    let used = FrameWriter::new().write(record, &mut out).unwrap();
    let mut frames = frames(&out[..used]);
    let Some(Event::Frame(frame)) = frames.next() else { panic!("no frame") };
    assert_eq!(frame.kind, record.kind());
    frame.payload.to_vec()
}

/// Holds a record against the document, in both directions.
fn check(name: &str, kind: u8, record: &Record<'_>) {
    let bytes = documented(name);
    assert_eq!(record.kind(), kind);
    assert_eq!(payload(record), bytes, "{name}");
    let read = Record::from_payload(kind, &bytes).unwrap();
    // NaN is not equal to itself, but it is written alike.
    assert_eq!(format!("{read:?}"), format!("{record:?}"));
}

fn header() -> Header {
    let channel = |id, low, high| ChannelInfo { id, low, high };
    Header {
        device_id: "valve-7".try_into().unwrap(),
        format_version: FORMAT_VERSION,
        site_digest: 0x0102_0304,
        settings_digest: 0x0a0b_0c0d,
        channels: [channel(0, 0.0, 100.0), channel(1, -100.0, 1600.0)].into_iter().collect(),
        contacts_fitted: 3,
        sample_period_us: 100_000,
        anchor_us: TIME_US,
        shunt_milliohm: 100_000,
        full_scale_mv: 4096,
        burst_s: 60,
        burst_every_s: 900,
        burst_rest_ms: 500,
        burst_every_rest_ms: 0,
    }
}

fn sensor_health() -> SensorHealth {
    SensorHealth { time_us: TIME_US, channel: 2, status: 18, live_low: 0.5, live_high: 180.0, noise: 0.25 }
}

fn totals() -> Totals {
    Totals {
        time_us: TIME_US,
        released_nl: [10.0, 20.5, 0.0],
        admitted_nl: 3.25,
        cycles: 17,
        state_s: [0, 60, 3600, 300, 5],
        lost_samples: 128,
    }
}

#[test]
fn header_is_kind_1() {
    check("header", 1, &Record::Header(header()));
}

#[test]
fn samples_are_kind_2() {
    let samples = [
        (0, [4800, 9000], 0x11),
        (100_000, [4803, 9002], 0x11),
        (200_000, [4799, MISSING_CODE], 0x11),
        (300_000, [4801, 9005], 0x10),
        (400_250, [4802, 9004], 0x10),
    ];
    let mut encoder = LiveEncoder::new(2, 100_000, 10);
    for (after_us, codes, contacts) in samples {
        encoder.push(TIME_US + after_us, &codes, contacts).unwrap();
    }
    check("samples", 2, &Record::Samples(encoder.take().unwrap()));

    let bytes = documented("samples");
    let Ok(Record::Samples(batch)) = Record::from_payload(kind::SAMPLES, &bytes) else { panic!("no samples") };
    let (mut times, mut contacts, mut float, mut pressure) = ([0; 5], [0; 5], [0; 5], [0; 5]);
    let mut columns = Columns { times_us: &mut times, contacts: &mut contacts, ..Columns::default() };
    columns.codes[0] = &mut float;
    columns.codes[1] = &mut pressure;
    assert_eq!(batch.decode_into(&mut columns), Ok(5));
    assert_eq!(times.map(|time| time - TIME_US), samples.map(|sample| sample.0));
    assert_eq!(float, samples.map(|sample| sample.1[0]));
    assert_eq!(pressure, samples.map(|sample| sample.1[1]));
    assert_eq!(contacts, samples.map(|sample| sample.2));
}

#[test]
fn alarm_transition_is_kind_3() {
    let transition = AlarmTransition {
        time_us: TIME_US,
        fault: 16,
        channel: 255,
        state: 1,
        confidence_pct: 97,
        also_possible: 1 << 17 | 1 << 3,
        evidence: [3.5, -1.25, 0.0, 12.0],
    };
    check("alarm-transition", 3, &Record::AlarmTransition(transition));
}

#[test]
fn release_cycle_is_kind_4() {
    let cycle = ReleaseCycle {
        from_us: TIME_US,
        to_us: TIME_US + 42_000_000,
        orifice_nl: 1.5,
        displacement_nl: f32::NAN,
        area_ratio: 0.75,
        start_pct: 78.0,
        end_pct: 92.5,
        flags: 1,
    };
    check("release-cycle", 4, &Record::ReleaseCycle(cycle));
}

#[test]
fn totals_are_kind_5() {
    check("totals", 5, &Record::Totals(totals()));
}

#[test]
fn sensor_health_is_kind_6() {
    check("sensor-health", 6, &Record::SensorHealth(sensor_health()));
}

#[test]
fn learned_state_is_kind_7() {
    let bytes = [0, 1, 2, 250].into_iter().collect();
    let learned = LearnedState { time_us: TIME_US, evidence_digest: 0xdead_beef, bytes };
    check("learned-state", 7, &Record::LearnedState(learned));
}

#[test]
fn service_mark_is_kind_8() {
    check("service-mark", 8, &Record::ServiceMark(ServiceMark { time_us: TIME_US, work: 3, channel: 1 }));
}

#[test]
fn a_frame_is_kind_flags_sequence_payload_and_checksum() {
    let mut out = [0; 64];
    let record = Record::SensorHealth(sensor_health());
    let used = FrameWriter::starting_at(300).write(&record, &mut out).unwrap();
    assert_eq!(&out[..used], documented("frame"));

    let mut unstuffed = [0; 64];
    let len = airvalve_telemetry::unstuff(&out[..used - 1], &mut unstuffed).unwrap();
    assert_eq!(&unstuffed[..len], documented("unstuffed"));
}

#[test]
fn unknown_flag_bits_are_ignored() {
    let mut body = documented("unstuffed");
    body.truncate(body.len() - 4);
    body[1] = 0xfe;
    body.extend(airvalve_telemetry::checksum(&body.clone()).to_le_bytes());
    let mut out = [0; 64];
    let used = airvalve_telemetry::stuff(&body, &mut out).unwrap();
    let mut frames = frames(&out[..used]);
    let Some(Event::Frame(frame)) = frames.next() else { panic!("no frame") };
    assert_eq!((frame.payload.to_vec(), frame.tag), (documented("sensor-health"), None));
}

/// Every kind of record with its documented payload.
fn documented_records() -> [(u8, Vec<u8>); 8] {
    [
        (1, documented("header")),
        (2, documented("samples")),
        (3, documented("alarm-transition")),
        (4, documented("release-cycle")),
        (5, documented("totals")),
        (6, documented("sensor-health")),
        (7, documented("learned-state")),
        (8, documented("service-mark")),
    ]
}

#[test]
fn an_older_reader_leaves_appended_fields_alone() {
    for (kind, bytes) in documented_records() {
        let newer: Vec<u8> = bytes.iter().copied().chain([1, 2, 3, 0xff, 0xff]).collect();
        let (known, grown) = (Record::from_payload(kind, &bytes), Record::from_payload(kind, &newer));
        assert!(known.is_ok());
        assert_eq!(format!("{known:?}"), format!("{grown:?}"));
    }
}

#[test]
fn a_newer_reader_takes_missing_fields_as_zero() {
    // What a writer would have sent before `live_low` and all that follows it were appended.
    let whole = documented("sensor-health");
    let older = Record::from_payload(kind::SENSOR_HEALTH, &whole[..10]);
    let expected = SensorHealth { live_low: 0.0, live_high: 0.0, noise: 0.0, ..sensor_health() };
    assert_eq!(older, Ok(Record::SensorHealth(expected)));

    // What a writer sent before bursts had milliseconds.
    let whole = documented("header");
    let older = Record::from_payload(kind::HEADER, &whole[..whole.len() - 3]);
    assert_eq!(older, Ok(Record::Header(Header { burst_rest_ms: 0, ..header() })));
    assert_eq!(header().burst_us(), [60_500_000, 900_000_000]);

    // Lists and texts that are not there are empty.
    assert_eq!(Record::from_payload(kind::HEADER, &[]), Ok(Record::Header(Header::default())));
    assert_eq!(Record::from_payload(kind::SAMPLES, &[]), Ok(Record::Samples(SampleBatch::default())));
    for (kind, _) in documented_records() {
        assert!(Record::from_payload(kind, &[]).is_ok(), "kind {kind}");
    }
}

#[test]
fn a_field_cut_in_the_middle_is_damage() {
    let whole = documented("sensor-health");
    assert!(Record::from_payload(kind::SENSOR_HEALTH, &whole[..12]).is_err());
}

#[test]
fn a_joined_recording_is_read_as_one() {
    let mut reader = FrameReader::<512>::new();
    let mut bytes = Vec::new();
    for _ in 0..2 {
        let mut writer = FrameWriter::new();
        for record in [Record::Header(header()), Record::Totals(totals())] {
            let mut out = [0; 256];
            let used = writer.write(&record, &mut out).unwrap();
            bytes.extend_from_slice(&out[..used]);
        }
    }
    let mut input = &bytes[..];
    while reader.next_event(&mut input).is_some() {}
    assert_eq!(reader.counts(), Counts { frames: 4, restarts: 1, ..Counts::default() });
}

#[test]
fn most_channels_and_their_ids_are_as_documented() {
    assert_eq!(MAX_CHANNELS, 7);
    assert!(FORMAT.contains("Channel ids: 0 float position"));
    assert!(FORMAT.contains("# Telemetry format, version 1\n") && FORMAT_VERSION == 1);
}
