//! Promise: `-` is standard input wherever a file is named, and two of them at once are refused.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

use std::{
    fs,
    io::Write,
    path::Path,
    process::{Command, Output, Stdio},
};

const FOLDER: &str = concat!(env!("CARGO_MANIFEST_DIR"), "/tests/transcripts");

/// Runs the program with this standard input.
fn airvalve(folder: &str, arguments: &[&str], input: &[u8]) -> Output {
    let mut child = Command::new(env!("CARGO_BIN_EXE_airvalve"))
        .current_dir(Path::new(FOLDER).join(folder))
        .args(arguments)
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .unwrap();
    let mut stdin = child.stdin.take().unwrap();
    let input = input.to_owned();
    let writer = std::thread::spawn(move || stdin.write_all(&input));
    let output = child.wait_with_output().unwrap();
    // A program that refuses its arguments reads nothing.
    let _ = writer.join().unwrap();
    output
}

fn content(folder: &str, file: &str) -> Vec<u8> {
    fs::read(Path::new(FOLDER).join(folder).join(file)).unwrap()
}

/// The same command with a file and with standard input in its place.
fn same_from_standard_input(folder: &str, before: &[&str], file: &str, after: &[&str]) {
    let run = |name, input: &[u8]| airvalve(folder, &[before, &[name], after].concat(), input);
    let (named, piped) = (run(file, b""), run("-", &content(folder, file)));
    assert!(named.status.success(), "{}", String::from_utf8_lossy(&named.stderr));
    assert!(piped.status.success(), "{before:?}: {}", String::from_utf8_lossy(&piped.stderr));
    let plain = |output: &Output| {
        let text = String::from_utf8_lossy(&output.stdout).replace(&format!("{file}: "), "-: ");
        // A file that has no name gives its valve none.
        text.replace("valve-a", "valve").lines().map(str::trim_end).collect::<Vec<_>>().join("\n")
    };
    if before != ["simulate"] {
        assert_eq!(plain(&named), plain(&piped), "{before:?}");
    } else {
        assert_eq!(named.stdout, piped.stdout);
    }
}

#[test]
fn every_file_may_come_from_standard_input() {
    same_from_standard_input("files.in", &["simulate"], "hour.scenario.toml", &["-o", "-"]);
    same_from_standard_input("site.in", &["site", "check"], "valve-a.toml", &[]);
    same_from_standard_input("reports.in", &["replay", "--json", "--main"], "main.toml", &[]);
    same_from_standard_input("reports.in", &["replay", "short.csv", "--site"], "valve-a.toml", &[]);
    same_from_standard_input("reports.in", &["replay", "--site", "valve-a.toml"], "short.csv", &["--json"]);
    let settings = &["replay", "short.csv", "--site", "valve-a.toml", "--settings"];
    same_from_standard_input("reports.in", settings, "findings.toml", &[]);
    same_from_standard_input("reports.in", &["settings", "explain"], "findings.toml", &[]);
    let labelled = &["evaluate", "--main", "main.toml", "--labels"];
    same_from_standard_input("reports.in", labelled, "labels.toml", &["--json"]);
}

#[test]
fn a_site_from_standard_input_is_explained() {
    let output = airvalve("site.in", &["site", "explain", "-"], &content("site.in", "valve-a.toml"));
    assert!(output.status.success());
    assert!(String::from_utf8_lossy(&output.stdout).contains("valve.stroke_volume_l"));
}

#[test]
fn two_of_them_at_once_are_refused_with_their_names() {
    let twice: [(&[&str], &str); 5] = [
        (&["replay", "-", "--site", "-"], "as FILE and --site"),
        (&["replay", "-", "-", "--site", "valve-a.toml"], "as FILE and FILE"),
        (&["replay", "--main", "-", "--settings", "-"], "as --main and --settings"),
        (&["import", "-", "--site", "-", "-o", "out.airvalve"], "as FILE.csv and --site"),
        (&["evaluate", "--main", "-", "--labels", "-"], "as --main and --labels"),
    ];
    for (arguments, named) in twice {
        let output = airvalve("reports.in", arguments, b"");
        let said = String::from_utf8_lossy(&output.stderr);
        assert_eq!(output.status.code(), Some(2), "{arguments:?}: {said}");
        let expected = format!(
            "airvalve: standard input (`-`) is named 2 times: {named} (allowed: once); name files for the others\n"
        );
        assert_eq!(said, expected, "{arguments:?}");
    }
}

#[test]
fn a_scenario_and_its_site_cannot_both_come_from_standard_input() {
    let output = airvalve("files.in", &["simulate", "-", "-o", "-"], b"site = \"-\"\nduration_h = 0.1\n");
    let said = String::from_utf8_lossy(&output.stderr);
    assert!(output.status.code() == Some(2) && said.contains("SCENARIO.toml and its site file"), "{said}");
}
