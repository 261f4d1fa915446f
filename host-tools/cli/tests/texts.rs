//! Texts for people are words and numbers, whatever is missing in the data.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

use std::{fmt::Write as _, fs, path::Path, process::Command};

use serde_json::Value;

/// 2031-03-01T18:00:00Z.
const START_S: i64 = 1_930_154_400;

/// Half an hour with the float low from the tenth minute on; `cells` says what stands in a row.
fn csv(cells: impl Fn(i64, [f64; 3]) -> String) -> String {
    let mut text = String::from("time,float_pct,pressure_kpa,odour_ppm\n");
    for second in 0..1800 {
        let noise = 0.1 * (second % 7) as f64;
        let float_pct = if second < 600 { 90.0 } else { 40.0 };
        writeln!(text, "{},{}", START_S + second, cells(second, [float_pct + noise, 180.0 + noise, noise - 0.7]))
            .unwrap();
    }
    text
}

fn replayed(file: &Path, options: &[&str]) -> String {
    let mut airvalve = Command::new(env!("CARGO_BIN_EXE_airvalve"));
    airvalve.args(["replay", "--site", "tests/transcripts/reports.in/valve-a.toml"]).arg(file).args(options);
    let output = airvalve.output().unwrap();
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    String::from_utf8(output.stdout).unwrap()
}

/// Keys under which a null means that there is none; anywhere else it would be a number that is none.
const MAY_BE_NULL: [&str; 5] = ["channel", "cleared_at", "to", "area_ratio", "displacement_nl"];

fn check_nulls(value: &Value, key: &str) {
    match value {
        Value::Null => assert!(MAY_BE_NULL.contains(&key), "{key} is null"),
        Value::Array(list) => list.iter().for_each(|value| check_nulls(value, key)),
        Value::Object(fields) => fields.iter().for_each(|(key, value)| check_nulls(value, key)),
        _ => {}
    }
}

#[test]
fn no_number_that_is_none_is_printed_whatever_is_missing() {
    let folder = tempfile::tempdir().unwrap();
    let texts = [
        csv(|_, [float_pct, pressure_kpa, odour_ppm]| format!("{float_pct},{pressure_kpa},{odour_ppm}")),
        csv(|_, [float_pct, pressure_kpa, _]| format!("{float_pct},{pressure_kpa},")),
        csv(|_, [float_pct, _, odour_ppm]| format!("{float_pct},,{odour_ppm}")),
        csv(|_, [_, pressure_kpa, _]| format!(",{pressure_kpa},")),
        csv(|second, [float_pct, pressure_kpa, odour_ppm]| match second {
            1200.. => format!("{float_pct},,"),
            _ => format!("{float_pct},{pressure_kpa},{odour_ppm}"),
        }),
        csv(|_, _| ",,".to_owned()),
        format!("time,float_pct,pressure_kpa,odour_ppm\n{START_S},90,180,1\n"),
    ];
    for (place, text) in texts.iter().enumerate() {
        let file = folder.path().join("night.csv");
        fs::write(&file, text).unwrap();
        let said = replayed(&file, &[]);
        let is_no_number = |word: &str| matches!(word.trim_matches(|c: char| !c.is_alphanumeric()), "NaN" | "inf");
        assert!(!said.split_whitespace().any(is_no_number), "{place}: {said}");
        assert!(!said.contains("odour -"), "{place}: {said}");
        check_nulls(&serde_json::from_str(&replayed(&file, &["--json"])).unwrap(), "");
    }
}

#[test]
fn a_single_row_is_too_short_to_judge_by() {
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("one.csv");
    fs::write(&file, format!("time,float_pct,pressure_kpa,odour_ppm\n{START_S},90,180,1\n")).unwrap();
    let said = replayed(&file, &[]);
    assert!(said.contains("\nTOO SHORT TO JUDGE\n") && said.contains("not judged: too short"), "{said}");
    assert!(!said.contains("NO ALARM") && !said.contains("air out"), "{said}");
}

#[test]
fn alarms_of_rows_that_come_too_seldom_are_not_to_be_trusted() {
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("minutes.csv");
    let rows = (0..720).map(|row| format!("{},40,180.{},30.{}\n", START_S + 60 * row, row % 7, row % 5));
    fs::write(&file, "time,float_pct,pressure_kpa,odour_ppm\n".to_owned() + &rows.collect::<String>()).unwrap();
    let json: Value = serde_json::from_str(&replayed(&file, &["--json"])).unwrap();
    assert_eq!(json["quality"]["alarms_trusted"], false);
    assert!(!json["alarms"].as_array().unwrap().is_empty(), "{json}");
    let said = replayed(&file, &[]);
    assert!(said.contains("ALARM, NOT TO BE TRUSTED\n") || said.contains("ALARMS, NOT TO BE TRUSTED\n"), "{said}");
}

#[test]
fn the_threshold_of_a_kind_stands_below_the_first_of_it() {
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("night.csv");
    // Odour twice, more than the time apart that joins the two.
    let text = csv(|second, [_, pressure_kpa, _]| {
        let odour_ppm = if (200..400).contains(&second) || (1300..1500).contains(&second) { 30 } else { 1 };
        format!("90.{},{pressure_kpa},{odour_ppm}.{}", second % 7, second % 5)
    });
    fs::write(&file, text).unwrap();
    let said = replayed(&file, &[]);
    let lines: Vec<&str> = said.lines().map(str::trim_start).collect();
    let is_first = |line: &&str| line.starts_with("- high-odour, 2031-03-01 18:03");
    let first = lines.iter().position(is_first).unwrap_or_else(|| panic!("{said}"));
    let second = lines.iter().rposition(|line| line.starts_with("- high-odour")).unwrap();
    assert!(first < second && lines[first..second].iter().any(|line| line.starts_with("threshold: ")), "{said}");
    assert_eq!(lines.iter().filter(|line| line.starts_with("threshold: ")).count(), 1, "{said}");
}
