//! Parquet files, read back by the library's own reader.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

use std::{fs::File, path::Path};

use airvalve_columnar::{codes_len, write_parquet};
use airvalve_recording::{Recording, RecordingWriter};
use airvalve_sensors::{Channel, CodeSample, Contact, Contacts, MISSING_CODE};
use airvalve_telemetry::{ChannelInfo, FORMAT_VERSION, Header};
use parquet::{
    file::reader::{FileReader, SerializedFileReader},
    record::{Field, Row},
};

const START_US: i64 = 1_772_400_000_000_000;

fn record(file: &Path, samples: i64) {
    let info = |id, low, high| ChannelInfo { id, low, high };
    let header = Header {
        device_id: "valve-a".try_into().unwrap(),
        format_version: FORMAT_VERSION,
        channels: [info(0, 0.0, 100.0), info(1, -100.0, 1600.0)].into_iter().collect(),
        contacts_fitted: 1,
        sample_period_us: 100_000,
        shunt_milliohm: 150_000,
        full_scale_mv: 4096,
        ..Header::default()
    };
    let mut writer = RecordingWriter::create(file, header).unwrap();
    for number in 0..samples {
        let mut sample = CodeSample::missing(START_US + number * 100_000);
        sample.codes.set(Channel::FloatPosition, 14_400 + (number % 100) as i16);
        let is_missing = number % 10 == 0;
        sample.codes.set(Channel::ChamberPressure, if is_missing { MISSING_CODE } else { 4_800 });
        sample.contacts = Contacts::default().with(Contact::PumpRunning, Some(number % 2 == 1));
        writer.write_sample(&sample).unwrap();
    }
    writer.finish().unwrap();
}

fn field<'a>(row: &'a Row, name: &str) -> &'a Field {
    row.get_column_iter().find(|(column, _)| *column == name).unwrap().1
}

#[test]
fn quantities_and_codes_are_read_back() {
    let folder = tempfile::tempdir().unwrap();
    let (recording, file) = (folder.path().join("a"), folder.path().join("a.parquet"));
    record(&recording, 300_000);
    assert_eq!(write_parquet(&recording, &file).unwrap().samples, 300_000);
    let reader = SerializedFileReader::new(File::open(&file).unwrap()).unwrap();
    assert_eq!(reader.metadata().num_row_groups(), 2);
    let rows: Vec<Row> = reader.get_row_iter(None).unwrap().map(Result::unwrap).collect();
    assert_eq!(rows.len(), 300_000);
    let row = &rows[11];
    assert_eq!(*field(row, "time"), Field::TimestampMicros(START_US + 1_100_000));
    assert_eq!(*field(row, "float_pct_code"), Field::Short(14_411));
    // 12 mA is half the span: Source: definition of the 4-20 mA loop; 11 codes of 100 % / 19,200 above it.
    let Field::Float(float_pct) = field(row, "float_pct") else { panic!() };
    assert!((float_pct - (50.0 + 11.0 / 192.0)).abs() < 1e-3, "{float_pct}");
    assert_eq!(*field(row, "pressure_kpa"), Field::Float(-100.0));
    assert_eq!(*field(row, "pump_on"), Field::Bool(true));
    assert_eq!(*field(&rows[20], "pressure_kpa"), Field::Null);
    assert_eq!(*field(&rows[20], "pressure_kpa_code"), Field::Null);
}

#[test]
fn a_full_disk_is_said() {
    if !Path::new("/dev/full").exists() {
        return;
    }
    let folder = tempfile::tempdir().unwrap();
    let recording = folder.path().join("a");
    record(&recording, 1_000);
    let error = write_parquet(&recording, "/dev/full").unwrap_err().to_string();
    assert!(error.contains("free some space"), "{error}");
}

#[test]
fn the_size_of_the_codes_is_that_of_a_file_without_times() {
    let folder = tempfile::tempdir().unwrap();
    let (recording, file) = (folder.path().join("a"), folder.path().join("a.parquet"));
    record(&recording, 20_000);
    write_parquet(&recording, &file).unwrap();
    let codes = codes_len(Recording::open(&recording).unwrap()).unwrap();
    assert!(codes > 100 && codes < std::fs::metadata(&file).unwrap().len(), "{codes}");
}
