//! What is written never takes the place of what is read, and what is not whole does not stay.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

use std::{
    fs,
    path::Path,
    process::{Command, Output},
    time::{Duration, Instant},
};

const SITE: &str = "tests/transcripts/files.in/valve-a.toml";
const ROWS: &str = "time,float_pct,pressure_kpa,odour_ppm\n";

fn airvalve(folder: &Path, arguments: &[&str]) -> Output {
    let mut airvalve = Command::new(env!("CARGO_BIN_EXE_airvalve"));
    airvalve.current_dir(folder).args(arguments).output().unwrap()
}

/// A folder with a site file, a scenario, a recording, a CSV file and a link to it.
fn folder(hours: f64) -> tempfile::TempDir {
    let folder = tempfile::tempdir().unwrap();
    fs::copy(SITE, folder.path().join("site.toml")).unwrap();
    let scenario = format!("site = \"site.toml\"\nstart = 2031-03-01T18:00:00Z\nseed = 1\nduration_h = {hours}\n");
    fs::write(folder.path().join("a.scenario.toml"), scenario).unwrap();
    let rows = (0..100).map(|second| format!("{},90.{},180,1\n", 1_930_154_400 + second, second % 7));
    fs::write(folder.path().join("a.csv"), ROWS.to_owned() + &rows.collect::<String>()).unwrap();
    #[cfg(unix)]
    std::os::unix::fs::symlink("a.csv", folder.path().join("link.csv")).unwrap();
    folder
}

fn contents(folder: &Path) -> Vec<(String, Vec<u8>)> {
    let files = fs::read_dir(folder).unwrap().map(|entry| entry.unwrap());
    let mut files: Vec<_> = files
        .map(|entry| (entry.file_name().into_string().unwrap(), fs::read(entry.path()).unwrap_or_default()))
        .collect();
    files.sort();
    files
}

#[cfg(unix)]
#[test]
fn a_command_that_would_overwrite_its_input_is_refused_before_anything_is_written() {
    let folder = folder(0.01);
    let folder = folder.path();
    assert!(airvalve(folder, &["import", "a.csv", "--site", "site.toml", "-o", "a.airvalve"]).status.success());
    fs::write(folder.join("settings.toml"), "").unwrap();
    let before = contents(folder);
    for arguments in [
        &["import", "a.csv", "--site", "site.toml", "-o", "a.csv"][..],
        &["import", "a.csv", "--site", "site.toml", "-o", "link.csv"],
        &["import", "link.csv", "--site", "site.toml", "-o", "./a.csv"],
        &["import", "a.csv", "--site", "site.toml", "-o", "site.toml"],
        &["export", "a.airvalve", "-o", "a.airvalve", "--format", "csv"],
        &["export", "a.airvalve", "-o", "../a.airvalve", "--format", "parquet"],
        &["simulate", "a.scenario.toml", "-o", "a.scenario.toml"],
        &["simulate", "a.scenario.toml", "-o", "site.toml"],
        &["simulate", "a.scenario.toml", "-o", "new", "--truth", "./new"],
        &["simulate", "a.scenario.toml", "-o", "new", "--truth", "site.toml"],
        &["evaluate", "--cases=1", "--only=weeping", "--settings=settings.toml", "--resume=settings.toml"],
        &["evaluate", "--cases=1", "--only=weeping", "--settings=settings.toml", "--table=settings.toml"],
        &["evaluate", "--cases=1", "--only=weeping", "--resume", "new", "--table", "./new"],
    ] {
        let up = format!("../{}/a.airvalve", folder.file_name().unwrap().to_string_lossy());
        let arguments: Vec<&str> = arguments
            .iter()
            .map(|argument| if *argument == "../a.airvalve" { up.as_str() } else { *argument })
            .collect();
        let output = airvalve(folder, &arguments);
        let said = String::from_utf8(output.stderr).unwrap();
        assert_eq!(output.status.code(), Some(2), "{arguments:?}: {said}");
        assert!(said.contains("would overwrite"), "{arguments:?}: {said}");
        assert!(contents(folder) == before, "{arguments:?}");
    }
}

#[cfg(unix)]
#[test]
fn a_program_that_is_told_to_stop_leaves_nothing_unfinished() {
    for signal in ["TERM", "INT"] {
        let folder = folder(2000.0);
        let before = contents(folder.path()).len();
        let mut airvalve = Command::new(env!("CARGO_BIN_EXE_airvalve"));
        airvalve.current_dir(folder.path()).args(["simulate", "a.scenario.toml", "-o", "night.airvalve"]);
        let mut running = airvalve.spawn().unwrap();
        let begun = Instant::now();
        while contents(folder.path()).len() == before && begun.elapsed() < Duration::from_secs(60) {
            std::thread::sleep(Duration::from_millis(20));
        }
        assert_eq!(contents(folder.path()).len(), before + 1, "nothing was begun");
        // The shell's own kill: a bare machine has no program of that name.
        Command::new("sh").args(["-c", &format!("kill -{signal} {}", running.id())]).status().unwrap();
        let status = running.wait().unwrap();
        assert!(!status.success());
        assert_eq!(contents(folder.path()).len(), before, "SIG{signal}");
    }
}

#[test]
fn an_output_that_cannot_be_made_is_known_before_anything_is_played() {
    // A run of weeks: whoever plays it first takes far longer.
    let folder = folder(2000.0);
    let before = contents(folder.path());
    for arguments in [
        &["simulate", "a.scenario.toml", "-o", "new.airvalve", "--truth", "nowhere/truth.json"][..],
        &["simulate", "a.scenario.toml", "-o", "nowhere/new.airvalve", "--truth", "truth.json"],
        &["evaluate", "--size=long", "--table", "nowhere/table.md"],
    ] {
        let begun = Instant::now();
        let output = airvalve(folder.path(), arguments);
        let said = String::from_utf8(output.stderr).unwrap();
        assert_eq!(output.status.code(), Some(1), "{arguments:?}: {said}");
        assert!(said.contains("make the folder first"), "{arguments:?}: {said}");
        assert!(begun.elapsed() < Duration::from_secs(20), "{arguments:?}");
        assert!(contents(folder.path()) == before, "{arguments:?}");
    }
}
