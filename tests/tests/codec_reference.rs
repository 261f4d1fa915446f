//! Checksum, byte stuffing, varints, zigzag and postcard against values made by other programs.
//!
//! Source: `reference/README.md`, section e, names the published source of every row.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

use airvalve_monitor::{alarm::AlarmState, fault::Fault};
use airvalve_telemetry::{
    DecodeError, Event, FrameWriter, Record, SensorHealth, checksum, frames, kind, stuff, unstuff,
};
use serde::de::DeserializeOwned;

/// The rows of a table in `reference/`, cells in the order of the columns.
fn rows(table: &str) -> Vec<Vec<String>> {
    let mut reader = csv::ReaderBuilder::new().flexible(true).from_reader(table.as_bytes());
    reader.records().map(|row| row.unwrap().iter().map(String::from).collect()).collect()
}

fn bytes(hex: &str) -> Vec<u8> {
    let digits: Vec<char> = hex.chars().collect();
    let pair = |pair: &[char]| u8::from_str_radix(&pair.iter().collect::<String>(), 16).unwrap();
    digits.chunks(2).map(pair).collect()
}

fn hex_number(text: &str) -> u32 {
    u32::from_str_radix(text.trim_start_matches("0x"), 16).unwrap()
}

#[test]
fn checksum_is_crc_32_iso_hdlc() {
    // Source: CRC RevEng catalogue (check value); zlib and crcmod (the other messages).
    let rows = rows(include_str!("../reference/crc.csv"));
    let row = rows.iter().find(|row| row.first().is_some_and(|name| name == "CRC-32/ISO-HDLC")).unwrap();
    let up: Vec<u8> = (0..=0x1f).collect();
    let messages: [Vec<u8>; 9] = [
        b"123456789".to_vec(),
        vec![],
        vec![0],
        vec![0xff; 4],
        (0..=0xff).collect(),
        vec![0; 32],
        vec![0xff; 32],
        up.clone(),
        up.into_iter().rev().collect(),
    ];
    let values = row.get(6..).unwrap();
    assert_eq!(values.len(), messages.len());
    for (message, value) in messages.iter().zip(values) {
        assert_eq!(checksum(message), hex_number(value), "{message:02x?}");
    }
}

#[test]
fn stuffing_is_cobs_in_both_directions() {
    // Source: Cheshire and Baker 1999; python cobs 1.2.2; crate cobs 0.5.1.
    let (mut good, mut bad) = (0, 0);
    for row in rows(include_str!("../reference/cobs.csv")) {
        let [message, encoded, _, _, result, ..] = row.as_slice() else { panic!("{row:?}") };
        let (message, encoded) = (bytes(message), bytes(encoded));
        let mut out = vec![0; 2048];
        let unstuffed = unstuff(&encoded, &mut out).map(|len| out.get(..len).unwrap().to_vec());
        if result == "ok" {
            good += 1;
            assert_eq!(unstuffed, Some(message.clone()));
            let len = stuff(&message, &mut out).unwrap();
            assert_eq!(out.get(..len).unwrap(), [&encoded[..], &[0]].concat());
        } else {
            bad += 1;
            assert_eq!(unstuffed, None, "{encoded:02x?}");
        }
    }
    assert!(good >= 15 && bad >= 4, "{good} {bad}");
}

#[test]
fn sequence_numbers_are_varints() {
    // Source: postcard wire format; protobuf encoding (150 -> 96 01).
    let mut checked = 0;
    for row in rows(include_str!("../reference/varint.csv")) {
        let [kind, value, _, encoded] = row.as_slice() else { panic!("{row:?}") };
        let ("unsigned", Ok(value)) = (kind.as_str(), value.parse::<u32>()) else { continue };
        let (mut frame, mut body) = ([0; 32], [0; 32]);
        let used = FrameWriter::starting_at(value).write_payload(9, &[], None, &mut frame).unwrap();
        let len = unstuff(frame.get(..used - 1).unwrap(), &mut body).unwrap();
        assert_eq!(body.get(2..len - 4).unwrap(), bytes(encoded), "{value}");
        let mut events = frames(frame.get(..used).unwrap());
        assert!(matches!(events.next(), Some(Event::Frame(frame)) if frame.seq == value));
        checked += 1;
    }
    assert!(checked >= 15, "{checked}");
}

#[test]
fn times_are_zigzag_varints() {
    // Source: postcard wire format; protobuf encoding of sint64.
    let mut checked = 0;
    for row in rows(include_str!("../reference/varint.csv")) {
        let [kind, value, _, encoded] = row.as_slice() else { panic!("{row:?}") };
        let ("zigzag", Ok(time_us)) = (kind.as_str(), value.parse::<i64>()) else { continue };
        let health = Record::SensorHealth(SensorHealth { time_us, ..SensorHealth::default() });
        assert_eq!(Record::from_payload(kind::SENSOR_HEALTH, &bytes(encoded)), Ok(health));
        checked += 1;
    }
    assert!(checked >= 14, "{checked}");
}

#[test]
fn over_long_varints_are_taken_or_refused_as_postcard_says() {
    // Source: postcard wire format, Canonicalization. `samples` of a batch is a u16 after a time and a period.
    let mut checked = 0;
    for row in rows(include_str!("../reference/varint.csv")) {
        let [kind, rule, _, encoded] = row.as_slice() else { panic!("{row:?}") };
        if kind != "postcard u16 decode" || rule.starts_with("cut short") {
            continue;
        }
        let payload = [&[0, 0][..], &bytes(encoded)].concat();
        let read = Record::from_payload(kind::SAMPLES, &payload);
        if rule.ends_with("accept") {
            assert!(matches!(read, Ok(Record::Samples(batch)) if batch.samples == 0), "{rule}");
        } else {
            assert_eq!(read, Err(DecodeError::Malformed(kind::SAMPLES)), "{rule}");
        }
        checked += 1;
    }
    assert_eq!(checked, 5);
}

#[test]
fn the_postcard_in_use_writes_and_reads_the_published_bytes() {
    // Source: postcard wire format; crate postcard 1.2.0 for the rows that it does not print.
    fn same<T: serde::Serialize + DeserializeOwned + PartialEq + std::fmt::Debug>(row: &str, value: T) {
        let rows = rows(include_str!("../reference/postcard.csv"));
        let row = rows.iter().find(|cells| cells.first().is_some_and(|name| name == row)).expect(row);
        let expected = bytes(row.get(1).unwrap());
        let mut out = [0; 64];
        assert_eq!(postcard::to_slice(&value, &mut out).unwrap(), expected);
        assert_eq!(postcard::from_bytes::<T>(&expected).unwrap(), value);
    }
    same("u16 127", 127_u16);
    same("u16 128", 128_u16);
    same("u16 16384", 16_384_u16);
    same("u16 65535", u16::MAX);
    same("i16 -65", -65_i16);
    same("i16 32767", i16::MAX);
    same("i16 -32768", i16::MIN);
    same("u32 300", 300_u32);
    same("u32 4294967295", u32::MAX);
    same("u64 18446744073709551615", u64::MAX);
    same("i32 -2147483648", i32::MIN);
    same("u8 255", u8::MAX);
    same("i8 -1", -1_i8);
    same("bool true", true);
    same("f32 -32.005859375", -32.005_86_f32);
    same("Option<u8> None", None::<u8>);
    same("Option<u8> Some(7)", Some(7_u8));
    same("(u8 1, u16 300)", (1_u8, 300_u16));
}

#[test]
fn the_format_document_names_the_monitors_numbers() {
    let document = include_str!("../../firmware/telemetry/FORMAT.md").replace('\n', " ");
    for fault in Fault::VALVE.into_iter().chain(Fault::SENSOR) {
        assert!(document.contains(&format!(" {} {}", fault.id(), fault.name())), "{fault:?}");
    }
    let names = [
        "normal",
        "unacknowledged",
        "acknowledged",
        "returned to normal unacknowledged",
        "latched unacknowledged",
        "latched acknowledged",
        "shelved",
        "suppressed by design",
        "out of service",
    ];
    for (state, name) in AlarmState::ALL.into_iter().zip(names) {
        assert!(document.contains(&format!(" {} {name}", state as u8)), "{state:?}");
    }
}
