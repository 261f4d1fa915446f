//! Work on the valve while the data ran: a replay obeys it at its time, whoever tells of it.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

use std::{
    fmt::Write as _,
    fs,
    path::{Path, PathBuf},
};

use airvalve_analysis::{Replay, ReplayError, ReplayOptions, Time, replay};
use airvalve_recording::{Item, Recording, RecordingWriter, import};
use airvalve_site::Site;
use airvalve_telemetry::{Record, ServiceMark};

/// 2031-03-01T18:00:00Z.
const START_S: i64 = 1_930_154_400;
/// 2031-03-01T18:50:00Z, in the middle of the data.
const NOON: &str = "2031-03-01T18:50:00Z";
const NOON_S: i64 = START_S + 3000;

fn site() -> Site {
    Site::parse(&airvalve_site::template(), Path::new("valve-a.toml")).unwrap()
}

/// A hundred minutes, a row a second: sealed and calm under pressure, which teaches the usual pressure.
fn csv(folder: &Path) -> PathBuf {
    let mut text = String::from("time,float_pct,pressure_kpa,odour_ppm\n");
    for second in 0..6000 {
        let noise = 0.1 * f64::from((second % 7) as i32);
        writeln!(text, "{},{},{},1", START_S + second, 90.0 + noise, 180.0 + noise).unwrap();
    }
    let file = folder.join("night.csv");
    fs::write(&file, text).unwrap();
    file
}

/// The same as a recording of a device that was told of work; all marks stand before the samples.
fn recording(folder: &Path, marks: &[ServiceMark]) -> PathBuf {
    let (plain, told) = (folder.join("plain.airvalve"), folder.join("told.airvalve"));
    import(csv(folder), &site(), &Default::default(), &plain).unwrap();
    let mut recording = Recording::open(&plain).unwrap();
    let mut writer = RecordingWriter::create(&told, recording.header().clone()).unwrap();
    marks.iter().for_each(|mark| writer.write_record(&Record::ServiceMark(*mark)).unwrap());
    while let Some(item) = recording.next_item().unwrap() {
        if let Item::Block(block) = item {
            block.samples().for_each(|sample| writer.write_sample(&sample).unwrap());
        }
    }
    writer.finish().unwrap();
    told
}

fn played(file: PathBuf, services: &[&str]) -> Result<Replay, ReplayError> {
    let services = services.iter().map(|text| text.parse().unwrap()).collect();
    replay(&[file], &site(), &ReplayOptions { services, ..ReplayOptions::default() }, &|_| {})
}

/// Sealed minutes from which the usual pressure was learned.
fn learned_min(result: &Replay) -> f64 {
    let quantities = &result.learned.quantities;
    quantities.iter().find(|quantity| quantity.name == "stopped_kpa").and_then(|quantity| quantity.from).unwrap()
}

#[test]
fn what_is_told_by_a_recording_and_what_is_named_begin_the_same_baseline() {
    let folder = tempfile::tempdir().unwrap();
    let untold = played(csv(folder.path()), &[]).unwrap();
    assert!(learned_min(&untold) > 95.0 && untold.services.is_empty(), "{}", learned_min(&untold));

    let what = format!("{NOON}=sensor-replaced:pressure_kpa");
    let named = played(csv(folder.path()), &[&what]).unwrap();
    let [service] = named.services.as_slice() else { panic!("{:?}", named.services) };
    assert_eq!((service.at, service.work), (Time(NOON_S * 1_000_000), "sensor-replaced"));
    assert_eq!((service.channel, service.told_by), (Some("pressure_kpa"), "argument"));
    assert!((45.0..50.5).contains(&learned_min(&named)), "{}", learned_min(&named));

    let mark = ServiceMark { time_us: NOON_S * 1_000_000, work: 3, channel: 1 };
    let told = played(recording(folder.path(), &[mark]), &[]).unwrap();
    assert_eq!(told.services[0].told_by, "recording");
    assert_eq!(learned_min(&told), learned_min(&named));
    // Other work leaves the usual pressure alone, and both may be told.
    let other = played(recording(folder.path(), &[mark]), &[&format!("{NOON}=cleaned")]).unwrap();
    assert_eq!((other.services.len(), learned_min(&other)), (2, learned_min(&named)));
    let cleaned = played(csv(folder.path()), &[&format!("{NOON}=cleaned")]).unwrap();
    assert!(learned_min(&cleaned) > 93.0, "{}", learned_min(&cleaned));
}

#[test]
fn work_of_a_later_format_is_left_alone_and_said() {
    let folder = tempfile::tempdir().unwrap();
    let mark = ServiceMark { time_us: NOON_S * 1_000_000, work: 9, channel: 255 };
    let result = played(recording(folder.path(), &[mark]), &[]).unwrap();
    assert!(result.services.is_empty());
    let said = "the device was told at 2031-03-01T18:50:00.000Z of work that is not known here (number 9, channel 255)";
    assert!(result.warnings.iter().any(|warning| warning.starts_with(said)), "{:?}", result.warnings);
}

#[test]
fn work_that_the_data_cannot_show_is_refused() {
    let folder = tempfile::tempdir().unwrap();
    for (what, said) in [
        ("2031-03-01T17:59:59Z=cleaned", "work at 2031-03-01T17:59:59.000Z lies before the data begin (2031-03-01T18:"),
        ("2031-03-01T19:40:00Z=cleaned", "lies behind the end of the data (2031-03-01T19:39:59.000Z); name a time"),
        ("2031-03-01T18:50:00Z=sensor-replaced:line_pressure_kpa", "no sensor for line_pressure_kpa in the data"),
    ] {
        let error = played(csv(folder.path()), &[what]).unwrap_err().to_string();
        assert!(error.contains(said), "{error}");
    }
    // Both ends count.
    for what in ["2031-03-01T18:00:00Z=cleaned", "2031-03-01T20:39:59+01:00=cleaned"] {
        assert_eq!(played(csv(folder.path()), &[what]).unwrap().services.len(), 1);
    }
}
