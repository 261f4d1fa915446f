//! Exit statuses that a transcript cannot show.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

use std::process::{Command, Stdio};

/// The status of a replay with an alarm in it, its output read by nobody.
fn status_without_reader(options: &[&str]) -> Option<i32> {
    let (reader, writer) = std::io::pipe().unwrap();
    drop(reader);
    let mut airvalve = Command::new(env!("CARGO_BIN_EXE_airvalve"));
    airvalve.current_dir("tests/transcripts/reports.in").args(["replay", "short.csv", "--site", "valve-a.toml"]);
    airvalve.args(options).stdout(writer).stderr(Stdio::null()).status().unwrap().code()
}

#[test]
fn an_alarm_is_told_by_the_status_though_nobody_reads_the_output() {
    assert_eq!(status_without_reader(&["--fail-on-alarm", "--json"]), Some(3));
    assert_eq!(status_without_reader(&["--fail-on-alarm"]), Some(3));
    assert_eq!(status_without_reader(&["--json"]), Some(0));
}
