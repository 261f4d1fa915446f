//! Replays of small files: the shape of the result, and what is refused.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

use std::{
    fmt::Write as _,
    fs,
    path::{Path, PathBuf},
};

use airvalve_analysis::{Replay, ReplayError, ReplayOptions, replay};
use airvalve_monitor::{
    Learned, Settings, SiteData,
    device::{Conditions, Kept, digest},
};
use airvalve_recording::{Item, Recording, RecordingWriter, export_csv, import};
use airvalve_sensors::{Channel, CodeSample};
use airvalve_site::Site;
use airvalve_telemetry::{Header, LearnedState, Record};
use serde_json::Value;

/// 2031-03-01T18:00:00Z.
const START_S: i64 = 1_930_154_400;

fn site() -> Site {
    Site::parse(&airvalve_site::template(), Path::new("valve-a.toml")).unwrap()
}

/// One row a second: quiet under pressure, but low in vacuum from `vacuum` on for ten seconds.
fn rows(seconds: impl Iterator<Item = i64>, vacuum: i64) -> String {
    let mut text = String::from("time,float_pct,pressure_kpa,odour_ppm\n");
    for second in seconds {
        let noise = 0.1 * f64::from((second % 7) as i32);
        let (float_pct, pressure_kpa) =
            if (vacuum..vacuum + 10).contains(&second) { (5.0, -40.0) } else { (90.0, 180.0) };
        writeln!(text, "{},{},{},{}", START_S + second, float_pct + noise, pressure_kpa + noise, 1.0 + noise).unwrap();
    }
    text
}

fn file(folder: &Path, name: &str, text: &str) -> PathBuf {
    let file = folder.join(name);
    fs::write(&file, text).unwrap();
    file
}

fn run(files: &[PathBuf]) -> Result<Replay, ReplayError> {
    replay(files, &site(), &ReplayOptions::default(), &|_| {})
}

fn recording(folder: &Path, name: &str, csv: &Path, valve_id: &str) -> PathBuf {
    let mut site = site();
    site.valve_id = valve_id.to_owned();
    let out = folder.join(name);
    import(csv, &site, &Default::default(), &out).unwrap();
    out
}

fn keys(value: &Value) -> Vec<&str> {
    value.as_object().expect("an object").keys().map(String::as_str).collect()
}

#[test]
fn the_result_has_the_fields_that_scripts_rely_on() {
    let folder = tempfile::tempdir().unwrap();
    let csv = file(folder.path(), "night.csv", &rows((0..4000).filter(|second| !(100..200).contains(second)), 3000));
    let json = serde_json::to_value(run(&[csv]).unwrap()).unwrap();
    // The fields that scripts rely on: more may come, these stay.
    for field in ["valve_id", "recording", "samples", "alarms", "findings", "air", "cycles"] {
        assert!(keys(&json).contains(&field), "{field}");
    }
    assert_eq!(json["recording"]["from"], "2031-03-01T18:00:00.000Z");
    assert_eq!(json["recording"]["to"], "2031-03-01T19:06:39.000Z");
    let gap = &json["recording"]["gaps"][0];
    assert_eq!((&gap["from"], &gap["to"]), (&"2031-03-01T18:01:39.000Z".into(), &"2031-03-01T18:03:20.000Z".into()));
    assert_eq!(json["samples"]["read"], 3900);
    let six =
        ["released_nl", "released_nl_low", "released_nl_high", "admitted_nl", "admitted_nl_low", "admitted_nl_high"];
    for field in six {
        assert!(json["air"][field].is_number(), "{field}");
        assert!(json["air"]["by_hour"][0][field].is_number(), "{field}");
    }
    assert!(json["air"]["released_by_orifice"].is_array());
    let hours: Vec<_> = json["air"]["by_hour"].as_array().unwrap().iter().map(|hour| hour["from"].clone()).collect();
    assert_eq!(hours, ["2031-03-01T18:00:00.000Z", "2031-03-01T19:00:00.000Z"]);
    let vacuum = json["findings"].as_array().unwrap().iter().find(|finding| finding["kind"] == "vacuum").unwrap();
    assert_eq!(
        (&vacuum["from"], &vacuum["to"]),
        (&"2031-03-01T18:50:00.000Z".into(), &"2031-03-01T18:50:09.000Z".into())
    );
}

#[test]
fn an_alarm_has_the_fields_that_scripts_rely_on() {
    let folder = tempfile::tempdir().unwrap();
    let mut text = rows(0..1800, 9_999_999);
    // A broken loop reads below the span. Source: NAMUR NE 43; 0 mA of a span from 0 to 100 % is -25 %.
    for second in 1800..2000 {
        writeln!(text, "{},-25.0,180.{},1.0", START_S + second, second % 7).unwrap();
    }
    let csv = file(folder.path(), "night.csv", &text);
    let result = run(&[csv]).unwrap();
    assert!(result.alarms.iter().all(|alarm| !alarm.is_of_valve()));
    let json = serde_json::to_value(&result).unwrap();
    let alarm = &json["alarms"][0];
    let fields = [
        "kind",
        "fault",
        "channel",
        "raised_at",
        "cleared_at",
        "evidence",
        "first_check",
        "disproved_by",
        "confidence",
        "also_possible",
    ];
    for field in fields {
        assert!(keys(alarm).contains(&field), "{field}");
    }
    assert_eq!((&alarm["kind"], &alarm["fault"]), (&"sensor-fault".into(), &"wire-break".into()));
    assert_eq!(alarm["channel"], "float_pct");
    assert_eq!(alarm["cleared_at"], Value::Null);
}

#[test]
fn files_are_joined_in_order_of_time() {
    let folder = tempfile::tempdir().unwrap();
    let late = file(folder.path(), "a.csv", &rows(1000..2000, 9_999_999));
    let early = file(folder.path(), "b.csv", &rows(0..1000, 9_999_999));
    let result = run(&[late.clone(), early.clone()]).unwrap();
    assert_eq!(result.samples.used, 2000);
    assert!(result.recording.gaps.is_empty());
    let one = file(folder.path(), "c.csv", &rows(0..2000, 9_999_999));
    let whole = run(&[one]).unwrap();
    assert_eq!((whole.air, whole.state_hours), (result.air, result.state_hours));
}

#[test]
fn a_recording_and_the_csv_file_it_was_made_of_give_the_same_findings() {
    let folder = tempfile::tempdir().unwrap();
    let csv = file(folder.path(), "night.csv", &rows(0..4000, 3000));
    let made = recording(folder.path(), "night.airvalve", &csv, "valve-a");
    let again = folder.path().join("again.csv");
    export_csv(&made, &again).unwrap();
    let findings = |file: &PathBuf| {
        let result = run(std::slice::from_ref(file)).unwrap();
        result.findings.iter().map(|finding| (finding.kind, finding.from, finding.to)).collect::<Vec<_>>()
    };
    assert_eq!(findings(&made), findings(&csv));
    assert_eq!(findings(&again), findings(&csv));
    assert_eq!(findings(&csv).len(), 1);
}

#[test]
fn an_overlap_is_refused() {
    let folder = tempfile::tempdir().unwrap();
    let first = file(folder.path(), "a.csv", &rows(0..1000, 9_999_999));
    let second = file(folder.path(), "b.csv", &rows(999..2000, 9_999_999));
    let error = run(&[first, second]).unwrap_err();
    assert!(matches!(error, ReplayError::Overlap { .. }), "{error}");
}

#[test]
fn another_devices_recording_is_refused() {
    let folder = tempfile::tempdir().unwrap();
    let csv = file(folder.path(), "a.csv", &rows(0..100, 9_999_999));
    let later = file(folder.path(), "b.csv", &rows(200..300, 9_999_999));
    let first = recording(folder.path(), "a.airvalve", &csv, "valve-a");
    let second = recording(folder.path(), "b.airvalve", &later, "valve-b");
    let error = run(&[first, second]).unwrap_err();
    assert!(matches!(error, ReplayError::AnotherDevice { .. }), "{error}");
}

#[test]
fn another_valves_recording_is_refused_where_the_site_file_names_its_valve() {
    let folder = tempfile::tempdir().unwrap();
    let csv = file(folder.path(), "a.csv", &rows(0..100, 9_999_999));
    let made = recording(folder.path(), "a.airvalve", &csv, "valve-b");
    let named = airvalve_site::template().replacen("[line]", "valve_id = \"valve-a\"\n[line]", 1);
    let named = Site::parse(&named, Path::new("valve-b.toml")).unwrap();
    let error = replay(std::slice::from_ref(&made), &named, &ReplayOptions::default(), &|_| {}).unwrap_err();
    assert!(matches!(error, ReplayError::AnotherValve { .. }), "{error}");
    assert!(error.to_string().contains("by device `valve-b`, but the site file is of valve `valve-a`"), "{error}");
    // An id that is only the file's name need not be the device's.
    let warnings = run(&[made]).unwrap().warnings;
    assert!(warnings.iter().any(|warning| warning.contains("check that they belong together")), "{warnings:?}");
}

#[test]
fn a_recording_made_on_another_site_file_is_said() {
    let folder = tempfile::tempdir().unwrap();
    let csv = file(folder.path(), "a.csv", &rows(0..20, 9_999_999));
    let header = import(&csv, &site(), &Default::default(), folder.path().join("a.airvalve")).unwrap().header;
    let warnings = |made_on: &Site, sample_hz: f64| {
        let name = folder.path().join("made.airvalve");
        let fitted = |channel| header.channels.iter().any(|info| info.id == channel as u8);
        let mut detector = made_on.detector(fitted);
        detector.sample_period_s = (1.0 / sample_hz) as f32;
        let sample_period_us = (1e6 * detector.sample_period_s) as u32;
        let header = Header { site_digest: digest(&detector), sample_period_us, ..header.clone() };
        let mut writer = RecordingWriter::create(&name, header.clone()).unwrap();
        writer.write_sample(&CodeSample::missing(header.anchor_us)).unwrap();
        writer.finish().unwrap();
        let warnings = run(&[name]).unwrap().warnings.into_iter();
        warnings.filter(|warning| !warning.contains("too short to judge")).collect::<Vec<_>>()
    };
    for sample_hz in [1.0, 2.5, 3.0, 7.0, 10.0, 25.0, 50.0] {
        assert_eq!(warnings(&site(), sample_hz), Vec::<String>::new(), "{sample_hz}");
    }
    let mut other = site();
    other.line.static_kpa += 1.0;
    let warnings = warnings(&other, 10.0);
    assert!(warnings[0].starts_with("the device ran on another site file (digest "), "{warnings:?}");
}

#[test]
fn rejected_rows_and_a_clock_that_is_set_back_are_counted_and_located() {
    let folder = tempfile::tempdir().unwrap();
    let mut text = rows(0..100, 9_999_999);
    text += "noon,90,180,1\n";
    text += rows(50..150, 9_999_999).split_once('\n').unwrap().1;
    let csv = file(folder.path(), "night.csv", &text);
    let result = run(&[csv]).unwrap();
    assert_eq!((result.samples.read, result.samples.used, result.samples.rejected), (201, 200, 1));
    assert_eq!(result.quality.clock_steps, 1);
    assert!(
        result.warnings.iter().any(|warning| warning.contains("night.csv:102: 1 row rejected")),
        "{:?}",
        result.warnings
    );
    // Two hundred rows a second apart: times go on as if the clock had not been set back by 50 s.
    assert_eq!(result.recording.to.to_string(), "2031-03-01T18:03:19.000Z");
}

#[test]
fn one_row_stamped_years_ahead_changes_nothing_but_its_own_count() {
    let folder = tempfile::tempdir().unwrap();
    let good = rows(0..4000, 3000);
    // Two years ahead, between the 2000th row and the next.
    let (before, after) = good.split_at(good.match_indices('\n').nth(2000).unwrap().0 + 1);
    let bad = format!("{before}{},90,180,1\n{after}", START_S + 63_000_000);
    let good = run(&[file(folder.path(), "good.csv", &good)]).unwrap();
    let bad = run(&[file(folder.path(), "bad.csv", &bad)]).unwrap();
    assert_eq!((bad.samples.read, bad.samples.used, bad.samples.rejected), (4001, 4000, 1));
    assert!(bad.warnings[0].contains("bad.csv:2002: 1 row rejected, out of order"), "{:?}", bad.warnings);
    assert_eq!((&bad.air, &bad.recording, &bad.findings), (&good.air, &good.recording, &good.findings));
    assert_eq!(bad.quality.clock_steps, 0);
}

/// The recording of some rows, with the times of its samples changed.
fn restamped(folder: &Path, rows: &str, change: impl Fn(usize, i64) -> i64) -> PathBuf {
    let made = recording(folder, "made.airvalve", &file(folder, "made.csv", rows), "valve-a");
    let out = folder.join("restamped.airvalve");
    let mut recording = Recording::open(&made).unwrap();
    let mut writer = RecordingWriter::create(&out, recording.header().clone()).unwrap();
    let mut place = 0;
    while let Some(item) = recording.next_item().unwrap() {
        let Item::Block(block) = item else { continue };
        for sample in block.samples() {
            writer.write_sample(&CodeSample { time_us: change(place, sample.time_us), ..sample }).unwrap();
            place += 1;
        }
    }
    writer.finish().unwrap();
    out
}

#[test]
fn a_few_samples_of_a_recording_stamped_years_ahead_change_nothing_but_their_own_count() {
    let folder = tempfile::tempdir().unwrap();
    let times = rows(0..4000, 3000);
    let good = run(&[restamped(folder.path(), &times, |_, time_us| time_us)]).unwrap();
    assert_eq!((good.samples.used, good.samples.rejected, good.quality.clock_steps), (4000, 0, 0));
    for wild in [1, 9] {
        let ahead_us = |place: usize| if (2000..2000 + wild).contains(&place) { 63_000_000_000_000 } else { 0 };
        let bad = restamped(folder.path(), &times, |place, time_us| time_us + ahead_us(place));
        let inspected = airvalve_recording::inspect(&bad, &Default::default()).unwrap();
        let bad = run(&[bad]).unwrap();
        assert_eq!((bad.samples.read, bad.samples.rejected, bad.quality.clock_steps), (4000, wild as u64, 0));
        assert_eq!((bad.recording.from, bad.recording.to), (good.recording.from, good.recording.to));
        assert_eq!((bad.air.by_hour.len(), &bad.findings), (good.air.by_hour.len(), &good.findings));
        assert_eq!((inspected.gaps.count, inspected.backward_steps), (bad.recording.gaps.len() as u64, 0));
        let said = |warning: &String| warning.contains("rejected, out of order, the first at sample 2001");
        assert!(bad.warnings.iter().any(said), "{:?}", bad.warnings);
    }
}

#[test]
fn ten_rising_samples_of_a_recording_behind_the_others_are_a_clock_that_was_set_back_and_nine_are_not() {
    let folder = tempfile::tempdir().unwrap();
    for (behind, steps) in [(9, 0), (10, 1)] {
        let back_us = |place: usize| if place >= 100 { 1_800_000_000 } else { 0 };
        let back = restamped(folder.path(), &rows(0..100 + behind, -1), |place, time_us| time_us - back_us(place));
        let result = run(&[back]).unwrap();
        assert_eq!(result.quality.clock_steps, steps, "{behind}");
        assert_eq!(result.samples.used, if steps == 1 { 110 } else { 100 });
    }
}

#[test]
fn a_reading_that_no_transmitter_can_give_is_missing_and_said() {
    let folder = tempfile::tempdir().unwrap();
    let text = rows(0..200, 9_999_999) + &format!("{},90,180,1e30\n", START_S + 200);
    let result = run(&[file(folder.path(), "night.csv", &text)]).unwrap();
    assert_eq!(result.samples.used, 201);
    assert!(result.findings.is_empty(), "{:?}", result.findings);
    let said = "night.csv:202: 1 cell of `odour_ppm` taken as missing, `1e30` is no reading";
    assert!(result.warnings.iter().any(|warning| warning.ends_with(said)), "{:?}", result.warnings);
}

#[test]
fn a_damaged_recording_is_replayed_as_far_as_it_goes() {
    let folder = tempfile::tempdir().unwrap();
    let csv = file(folder.path(), "night.csv", &rows(0..40_000, 9_999_999));
    let made = recording(folder.path(), "night.airvalve", &csv, "valve-a");
    let mut bytes = fs::read(&made).unwrap();
    let middle = bytes.len() / 2;
    bytes[middle] ^= 0x55;
    bytes.truncate(bytes.len() - 3);
    fs::write(&made, bytes).unwrap();
    let result = run(&[made]).unwrap();
    assert!(result.samples.used > 0 && result.samples.used < 40_000);
    assert!(result.quality.damaged_places > 0);
    assert!(!result.warnings.is_empty());
}

#[test]
fn a_replay_begins_with_what_was_learned_only_where_something_was() {
    let folder = tempfile::tempdir().unwrap();
    let csv = file(folder.path(), "a.csv", &rows(0..20, 9_999_999));
    let header = import(&csv, &site(), &Default::default(), folder.path().join("a.airvalve")).unwrap().header;
    let begin = |state: LearnedState| {
        let name = folder.path().join("learned.airvalve");
        let mut writer = RecordingWriter::create(&name, header.clone()).unwrap();
        writer.write_record(&Record::LearnedState(state)).unwrap();
        writer.write_sample(&CodeSample::missing(header.anchor_us)).unwrap();
        writer.finish().unwrap();
        let result = run(&[name]).unwrap();
        let said = result.warnings.into_iter().find(|warning| warning.contains("had learned at its start is not used"));
        (result.begins_from, said.unwrap_or_default())
    };
    let detector = site().detector(|channel| header.channels.iter().any(|info| info.id == channel as u8));
    let bare = Learned::from_data_sheet(&detector);
    let conditions = Conditions {
        site_digest: digest(&site_at(1.0, &detector)),
        evidence_digest: digest(&Settings::default().evidence),
    };
    let learned = Kept { conditions, learned: Learned { zero_kpa: 1.5, ..bare } };
    assert_eq!(begin(Kept { learned: bare, ..learned }.record(0)), ("data-sheet", String::new()));
    assert_eq!(begin(learned.record(0)), ("recording", String::new()));

    // What was learned on another site, under other thresholds, by another version, or is no number, is not used.
    let elsewhere = Conditions { site_digest: 7, ..conditions };
    let otherwise = Conditions { evidence_digest: 7, ..conditions };
    let no_number = Learned { zero_kpa: f32::NAN, ..bare };
    let mut older = learned.record(0);
    older.bytes[0] -= 1;
    let mut cut = learned.record(0);
    cut.bytes.truncate(60);
    for (state, reason) in [
        (Kept { conditions: elsewhere, ..learned }.record(0), "another site file (digest 00000007)"),
        (Kept { conditions: otherwise, ..learned }.record(0), "other evidence settings (digest 00000007, "),
        (LearnedState { evidence_digest: 7, ..learned.record(0) }, "other evidence settings (digest 00000007, "),
        (Kept { learned: no_number, ..learned }.record(0), "a number in it is none"),
        (older, "of version 2 of"),
        (cut, "break their layout"),
    ] {
        let (begins_from, said) = begin(state);
        assert_eq!(begins_from, "data-sheet", "{reason}");
        assert!(said.contains(reason) && said.contains("learned.airvalve: "), "{said}");
    }
}

/// The site of a device that samples so often.
fn site_at(sample_hz: f32, detector: &SiteData) -> SiteData {
    SiteData { sample_period_s: 1.0 / sample_hz, ..*detector }
}

#[test]
fn the_gap_at_a_restart_is_the_same_in_a_replay_and_in_an_inspection() {
    let folder = tempfile::tempdir().unwrap();
    for (burst, gaps) in [("", 1), ("\n[sampling]\nmode = \"burst\"\nburst_s = 60\nevery_s = 300\n", 0)] {
        let site = Site::parse(&(airvalve_site::template() + burst), Path::new("valve-a.toml")).unwrap();
        let part = |name: &str, seconds: std::ops::Range<i64>| {
            let csv = file(folder.path(), "part.csv", &rows(seconds, 9_999_999));
            let out = folder.path().join(name);
            import(&csv, &site, &Default::default(), &out).unwrap();
            fs::read(out).unwrap()
        };
        // The device is started again after a minute, and samples four minutes later.
        let joined = [part("before", 0..60), part("after", 300..360)].concat();
        let night = folder.path().join("night.airvalve");
        fs::write(&night, joined).unwrap();
        let inspected = airvalve_recording::inspect(&night, &Default::default()).unwrap().gaps;
        let replayed = replay(&[night], &site, &ReplayOptions::default(), &|_| {}).unwrap().recording.gaps;
        assert_eq!((inspected.count, replayed.len()), (gaps, gaps as usize), "{burst}");
        for (one, other) in inspected.first.iter().zip(&replayed) {
            assert_eq!((one.from.as_microsecond(), one.to.as_microsecond()), (other.from.0, other.to.0));
        }
    }
}

#[test]
fn a_recording_without_samples_is_refused() {
    let folder = tempfile::tempdir().unwrap();
    let csv = file(folder.path(), "a.csv", &rows(0..20, 9_999_999));
    let header = import(&csv, &site(), &Default::default(), folder.path().join("a.airvalve")).unwrap().header;
    let empty = folder.path().join("empty.airvalve");
    RecordingWriter::create(&empty, header).unwrap().finish().unwrap();
    let error = run(&[empty]).unwrap_err();
    assert!(matches!(error, ReplayError::NoSamples { .. }), "{error}");
    assert!(matches!(run(&[]).unwrap_err(), ReplayError::NoFiles));
}

#[test]
fn years_between_rows_do_not_fill_the_result_with_empty_hours() {
    let folder = tempfile::tempdir().unwrap();
    let years = file(folder.path(), "years.csv", &rows((0..80).map(|year| year * 360 * 86_400), 9_999_999));
    let air = run(&[years]).unwrap().air;
    // A year of empty hours is kept; 80 hours have a row.
    assert!(air.by_hour.len() <= 366 * 24 + 80, "{}", air.by_hour.len());
    assert!(air.released_nl_high >= air.by_hour.iter().map(|hour| hour.released_nl_high).fold(0.0, f64::max));
}

#[test]
fn more_hours_and_gaps_than_are_told_one_by_one_are_counted_and_said() {
    let folder = tempfile::tempdir().unwrap();
    let hours = 110_000;
    let result = run(&[file(folder.path(), "seldom.csv", &rows((0..hours).map(|hour| hour * 3600), -1))]).unwrap();
    assert_eq!((result.air.by_hour.len(), result.recording.gaps.len()), (5 * 24 * 366, 100_000));
    assert_eq!(result.quality.gap_hours, (hours - 1) as f64);
    let Some((last, others)) = result.air.by_hour.split_last() else { panic!() };
    let merged_h = hours as f64 - others.len() as f64;
    let usual_nl = others.get(1).map_or(0.0, |hour| hour.released_nl_high);
    assert!((last.released_nl_high / usual_nl - merged_h).abs() < 0.01 * merged_h, "{last:?} {usual_nl}");
    for said in ["more hours than five years have: the air from 2036-03-", "9999 more gaps than are listed"] {
        assert!(result.warnings.iter().any(|warning| warning.contains(said)), "{said}: {:?}", result.warnings);
    }
}

#[test]
fn a_gap_as_wide_as_the_number_range_overflows_nothing() {
    let folder = tempfile::tempdir().unwrap();
    let csv = file(folder.path(), "a.csv", &rows(0..20, 9_999_999));
    let header = import(&csv, &site(), &Default::default(), folder.path().join("a.airvalve")).unwrap().header;
    let wide = folder.path().join("wide.airvalve");
    let mut writer = RecordingWriter::create(&wide, header).unwrap();
    // Fewer samples before it would be those of a clock that is not set yet.
    for time_us in (0..1000).map(|second| i64::MIN + 1_000_000 * second).chain([i64::MAX]) {
        writer.write_sample(&airvalve_sensors::CodeSample::missing(time_us)).unwrap();
    }
    writer.finish().unwrap();
    assert_eq!(run(&[wide]).unwrap().recording.gaps.len(), 1);
}

#[test]
fn no_high_reading_of_a_csv_file_is_taken_for_a_failed_loop() {
    let folder = tempfile::tempdir().unwrap();
    let site = site();
    // Source: NAMUR NE 43: saturated above 20.5 mA, failure information from 21 mA on.
    for ma in [20.4_f32, 20.6, 21.0, 22.0, 24.0] {
        for (place, channel) in
            [Channel::FloatPosition, Channel::ChamberPressure, Channel::Odour].into_iter().enumerate()
        {
            let span = site.sensors.channels.get(channel).span;
            let high = span.low + (ma - 4.0) / 16.0 * span.width();
            let mut text = rows(0..1200, 9_999_999);
            for second in 1200..2400 {
                let mut cells = [90.0 + 0.1 * (second % 7) as f32, 180.0 + 0.3 * (second % 5) as f32, 1.0];
                cells[place] = high - 0.001 * span.width() * (second % 3) as f32;
                writeln!(text, "{},{},{},{}", START_S + second, cells[0], cells[1], cells[2]).unwrap();
            }
            let csv = file(folder.path(), "night.csv", &text);
            let made = recording(folder.path(), "night.airvalve", &csv, "valve-a");
            let [from_csv, from_recording] = [csv, made].map(|input| run(&[input]).unwrap());
            for result in [&from_csv, &from_recording] {
                let failed = result.alarms.iter().find(|alarm| ["short", "saturated"].contains(&alarm.fault));
                assert!(failed.is_none(), "{channel:?} at {ma} mA: {failed:?}");
                let is_found = result.findings.iter().any(|finding| finding.kind.name() == "high-odour");
                assert_eq!(is_found, channel == Channel::Odour, "{channel:?} at {ma} mA");
            }
            let widened = from_csv.warnings.iter().filter(|warning| warning.contains("widened")).count();
            assert_eq!(widened, usize::from(ma > 20.5), "{:?}", from_csv.warnings);
            let said =
                |result: &Replay| result.alarms.iter().map(|alarm| (alarm.fault, alarm.raised_at)).collect::<Vec<_>>();
            assert_eq!(said(&from_csv), said(&from_recording), "{channel:?} at {ma} mA");
        }
    }
}

/// Rows of which the cells of float or pressure are put through `change` from `from` on.
fn changed(rows: &str, from: i64, change: impl Fn(&mut [String])) -> String {
    let lines = rows.lines().enumerate().map(|(place, line)| {
        let mut cells: Vec<String> = line.split(',').map(str::to_owned).collect();
        if place as i64 > from {
            change(&mut cells);
        }
        cells.join(",")
    });
    lines.collect::<Vec<_>>().join("\n") + "\n"
}

#[test]
fn while_float_or_pressure_give_nothing_the_air_is_bounded_as_in_a_gap_and_no_state_is_told() {
    let folder = tempfile::tempdir().unwrap();
    let whole = rows(0..7200, 9_999_999);
    let healthy = run(&[file(folder.path(), "whole.csv", &whole)]).unwrap();
    assert_eq!((healthy.air.released_nl_high, healthy.air.admitted_nl_high), (0.0, 0.0));
    assert_eq!(healthy.state_hours.not_judged, 0.0);
    let nothing = |column: usize, value: &'static str| move |cells: &mut [String]| cells[column] = value.to_owned();
    // Missing, a broken loop, cells that cannot be read.
    for (column, value) in [(1, ""), (1, "-25"), (1, "?"), (2, ""), (2, "-524"), (2, "?")] {
        for from in [0, 3600] {
            let text = changed(&whole, from, nothing(column, value));
            let result = run(&[file(folder.path(), "dead.csv", &text)]).unwrap();
            let (air, hours) = (&result.air, &result.state_hours);
            let dead_h = (7200 - from) as f64 / 3600.0;
            assert!((hours.not_judged - dead_h).abs() < 0.01, "{column} {value} {from}: {hours:?}");
            assert_eq!(hours.empty, 0.0);
            // The small orifice passes 2 NL/s and more.
            assert_eq!((air.released_nl_low, air.released_resolved), (0.0, false));
            assert!(air.released_nl_high > 2.0 * 3600.0 * dead_h, "{column} {value} {from}: {air:?}");
            let jointly = air.released_by_orifice.iter().map(|part| part.released_nl).sum::<f64>();
            assert!((jointly - air.released_nl).abs() < 0.01);
            // The one that is left says that the large orifice was shut; unreadable both, nothing would.
            assert!(air.admitted_nl_high < 1000.0, "{column} {value} {from}: {air:?}");
        }
    }
    let both = changed(&whole, 3600, |cells| cells[1..3].fill(String::new()));
    let blind = run(&[file(folder.path(), "blind.csv", &both)]).unwrap();
    // 26.5 NL/s are pumped; a main under pressure before drains at three times that.
    assert!(blind.air.admitted_nl_high > 26.0 * 3600.0 && !blind.air.admitted_resolved, "{:?}", blind.air);
}

#[test]
fn a_gap_is_bounded_by_what_may_have_drained_and_filled_within_it() {
    let folder = tempfile::tempdir().unwrap();
    let text = rows((0..10_000).filter(|second| !(2000..5600).contains(second)), 9_999_999);
    let air = run(&[file(folder.path(), "gap.csv", &text)]).unwrap().air;
    // 26.5 NL/s pumped, in and out again within the hour.
    assert!((26.0 * 3600.0..27.5 * 3600.0).contains(&air.admitted_nl_high), "{air:?}");
    assert_eq!((air.admitted_nl_low, air.admitted_resolved, air.released_resolved), (0.0, false, false));
    assert!((air.admitted_nl - 0.5 * air.admitted_nl_high).abs() < 0.001);
}

#[test]
fn rows_that_come_too_seldom_give_bounds_and_no_measurement() {
    let folder = tempfile::tempdir().unwrap();
    for step in [2, 600] {
        let text = rows((0..40_000).step_by(step), 9_999_999);
        let result = run(&[file(folder.path(), "seldom.csv", &text)]).unwrap();
        let air = &result.air;
        assert!(!air.released_resolved && air.released_nl_high > 10_000.0, "{step}: {air:?}");
        assert_eq!(air.released_nl_low, 0.0);
        assert!((result.state_hours.not_judged - 40_000.0 / 3600.0).abs() < 0.2, "{:?}", result.state_hours);
        assert!(result.warnings.iter().any(|warning| warning.contains("made for 1 to 50")), "{:?}", result.warnings);
    }
    // Said once, in however many files they come.
    let part = |name, from| file(folder.path(), name, &rows((from..from + 4000).step_by(2), 9_999_999));
    let result = run(&[part("one.csv", 0), part("two.csv", 4000)]).unwrap();
    assert_eq!(result.first_of_all.len(), 1, "{:?}", result.first_of_all);
}

#[test]
fn after_a_clock_is_set_back_no_time_of_the_result_goes_back() {
    let folder = tempfile::tempdir().unwrap();
    // A vacuum that stands while the clock is set back by half an hour, and another one after it.
    let after = rows((1805..5400).map(|second| second - 1800), 2000);
    let text = rows(0..1805, 1800) + after.split_once('\n').unwrap().1;
    let result = run(&[file(folder.path(), "back.csv", &text)]).unwrap();
    assert_eq!(result.quality.clock_steps, 1);
    assert!(result.recording.from < result.recording.to);
    assert_eq!(result.recording.to.0 - result.recording.from.0, 5_399_000_000);
    assert!(result.findings.iter().all(|finding| finding.from <= finding.to), "{:?}", result.findings);
    let starts: Vec<_> = result.findings.iter().map(|finding| finding.from).collect();
    assert!(starts.is_sorted() && starts.len() == 2, "{starts:?}");
    assert!(result.air.by_hour.iter().map(|hour| hour.from).is_sorted());
    let said = result.warnings.iter().find(|warning| warning.contains("set back")).expect("a warning");
    assert!(said.contains("by 30 min"), "{said}");
}

#[test]
fn a_file_that_was_joined_to_itself_is_refused_and_a_clock_that_is_set_to_its_beginning_is_not() {
    let folder = tempfile::tempdir().unwrap();
    let once = rows(0..2000, 9_999_999);
    let again = once.split_once('\n').unwrap().1;
    let joined = file(folder.path(), "joined.csv", &format!("{once}{again}"));
    let error = run(std::slice::from_ref(&joined)).unwrap_err();
    assert!(matches!(error, ReplayError::Repeated { .. }), "{error}");
    // In a recording as well.
    let made = recording(folder.path(), "joined.airvalve", &joined, "valve-a");
    let error = run(&[made]).unwrap_err();
    assert!(matches!(error, ReplayError::Repeated { .. }), "{error}");
    let other = again.replace(",90.", ",89.");
    let set_back = run(&[file(folder.path(), "set-back.csv", &format!("{once}{other}"))]).unwrap();
    assert_eq!(set_back.samples.used, 4000);
}

#[test]
fn why_no_row_can_be_used_is_said() {
    let folder = tempfile::tempdir().unwrap();
    let milliseconds = changed(&rows(0..20, 9_999_999), 0, |cells| cells[0].push_str("000"));
    let error = run(&[file(folder.path(), "ms.csv", &milliseconds)]).unwrap_err().to_string();
    assert!(error.contains("`1930154400000` in line 2") && error.contains("milliseconds"), "{error}");
    let none = "time,float_pct,pressure_kpa,odour_ppm\n";
    let error = run(&[file(folder.path(), "none.csv", none)]).unwrap_err().to_string();
    assert!(error.contains("no row below the header"), "{error}");
}

#[test]
fn a_channel_that_cannot_be_read_comes_before_everything_else() {
    let folder = tempfile::tempdir().unwrap();
    let text = changed(&rows(0..2000, 9_999_999), 0, |cells| cells[1] = "\"90,5\"".to_owned());
    let result = run(&[file(folder.path(), "comma.csv", &text)]).unwrap();
    assert_eq!(result.first_of_all.len(), 1, "{:?}", result.first_of_all);
    assert_eq!(result.warnings.first(), result.first_of_all.first());
    assert!(result.first_of_all[0].ends_with("give --decimal-comma"), "{:?}", result.first_of_all);
    // Half an hour without a float is no half hour of looking for trapped air.
    let of = |kind: &str| result.findings_judged.iter().find(|judged| judged.kind.name() == kind);
    assert!(of("trapped-air").is_none());
    assert_eq!(of("vacuum").unwrap().not_judged_hours, 0.0);
}

#[test]
fn samples_before_the_clock_was_set_count_neither_as_time_nor_as_air() {
    let folder = tempfile::tempdir().unwrap();
    let plain = rows(0..4000, 9_999_999);
    let alone = run(&[file(folder.path(), "plain.csv", &plain)]).unwrap();
    for unset in [1, 300] {
        let (header, rest) = plain.split_once('\n').unwrap();
        let first: String = (0..unset).map(|second| format!("{second},90.{},180,1\n", second % 7)).collect();
        let csv = file(folder.path(), "unset.csv", &format!("{header}\n{first}{rest}"));
        let made = recording(folder.path(), "unset.airvalve", &csv, "valve-a");
        for input in [csv, made] {
            let result = run(&[input]).unwrap();
            assert_eq!(result.recording, alone.recording);
            assert_eq!((result.samples.read, result.samples.rejected), (4000 + unset, unset));
            assert!((result.air.released_nl_high - alone.air.released_nl_high).abs() < 1.0, "{:?}", result.air);
            let said = &result.first_of_all;
            assert!(said.iter().any(|what| what.contains("the clock was set only then")), "{said:?}");
        }
    }
}

#[test]
fn data_too_short_to_judge_by_are_said_to_be() {
    let folder = tempfile::tempdir().unwrap();
    for (seconds, is_too_short) in [(1, true), (59, true), (600, false)] {
        let result = run(&[file(folder.path(), "short.csv", &rows(0..seconds, 9_999_999))]).unwrap();
        assert_eq!(result.quality.is_too_short, is_too_short, "{seconds}");
        assert_eq!(result.warnings.iter().any(|what| what.contains("too short to judge")), is_too_short, "{seconds}");
        assert_eq!(result.air.released_resolved, !is_too_short, "{seconds}");
    }
}

#[test]
fn alarms_from_rows_that_come_too_seldom_are_marked() {
    let folder = tempfile::tempdir().unwrap();
    for (step, are_trusted) in [(60, false), (1, true)] {
        let seconds = (0..600).map(|row| row * step);
        let json = run(&[file(folder.path(), "night.csv", &rows(seconds, 9_999_999))]).map(serde_json::to_value);
        assert_eq!(json.unwrap().unwrap()["quality"]["alarms_trusted"], are_trusted);
    }
}

#[test]
fn every_basis_of_the_air_has_its_bounds() {
    let folder = tempfile::tempdir().unwrap();
    let csv = file(folder.path(), "night.csv", &rows((0..4000).filter(|second| !(100..900).contains(second)), 3000));
    let json = serde_json::to_value(run(&[csv]).unwrap()).unwrap();
    let air = &json["air"];
    assert!(air["released_nl_high"].as_f64().unwrap() > 0.0);
    for basis in air["other_bases"].as_array().unwrap() {
        let litres_per_nl = basis["litres_per_nl"].as_f64().unwrap();
        for end in ["", "_low", "_high"] {
            for way in ["released", "admitted"] {
                let [litres, nl] = [&basis[format!("{way}_l{end}")], &air[format!("{way}_nl{end}")]];
                let [litres, nl] = [litres, nl].map(|value| value.as_f64().unwrap());
                assert!((litres - nl * litres_per_nl).abs() <= 1e-5 * nl + 0.001, "{way} {end} {basis}");
            }
        }
    }
}

#[test]
fn air_that_stands_while_the_float_is_held_may_be_the_float() {
    let folder = tempfile::tempdir().unwrap();
    let mut text = String::from("time,float_pct,pressure_kpa,odour_ppm\n");
    for second in 0..5400 {
        let noise = 0.1 * f64::from(second % 7);
        let (float_pct, odour_ppm) = if (1800..3600).contains(&second) { (40.0, 30.0) } else { (90.0, 1.0) };
        let time_s = START_S + i64::from(second);
        writeln!(text, "{time_s},{},{},{}", float_pct + noise, 180.0 + noise, odour_ppm + noise).unwrap();
    }
    let result = run(&[file(folder.path(), "night.csv", &text)]).unwrap();
    let trapped: Vec<_> = result.findings.iter().filter(|finding| finding.kind.name() == "trapped-air").collect();
    let [finding] = trapped[..] else { panic!("{:?}", result.findings) };
    assert_eq!(finding.alarms, ["jammed-low"]);
    assert!(finding.detail.starts_with("air, or a held float, stood at the high point; "), "{}", finding.detail);
}
