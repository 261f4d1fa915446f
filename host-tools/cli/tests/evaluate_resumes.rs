//! `airvalve evaluate --resume` after the program was killed, and with a journal of something else.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

use std::{
    fs,
    path::Path,
    process::{Command, Output, Stdio},
    thread::sleep,
    time::{Duration, Instant},
};

/// Cases that a loop shows at once, of a night each: long enough to be killed in, whatever the detector's limits.
fn evaluate(resume: &Path) -> Command {
    let mut command = Command::new(env!("CARGO_BIN_EXE_airvalve"));
    let cases = ["--development", "--model", "both", "--only", "wire-break", "--cases", "12"];
    command.arg("evaluate").args(cases).arg("--json").arg("--resume").arg(resume);
    command.stdout(Stdio::piped()).stderr(Stdio::piped());
    command
}

fn lines(file: &Path) -> usize {
    fs::read_to_string(file).map_or(0, |text| text.lines().count())
}

fn succeeds(command: &mut Command) -> Output {
    let output = command.output().unwrap();
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    output
}

#[test]
fn an_evaluation_that_was_killed_goes_on_and_ends_with_the_same_figures() {
    let folder = tempfile::tempdir().unwrap();
    let (whole, stopped) = (folder.path().join("whole.jsonl"), folder.path().join("stopped.jsonl"));
    let wanted = succeeds(&mut evaluate(&whole)).stdout;
    assert_eq!(lines(&whole), 1 + 24);
    let mut running = evaluate(&stopped).spawn().unwrap();
    let begun = Instant::now();
    while lines(&stopped) < 4 && begun.elapsed() < Duration::from_secs(120) {
        sleep(Duration::from_millis(1));
    }
    // On Unix this is SIGKILL: the program has no chance to tidy up.
    running.kill().unwrap();
    running.wait().unwrap();
    let kept = lines(&stopped);
    assert!((4..25).contains(&kept), "killed in the middle: {kept} lines");
    let resumed = succeeds(&mut evaluate(&stopped)).stdout;
    assert_eq!(String::from_utf8(resumed).unwrap(), String::from_utf8(wanted).unwrap());
    assert_eq!(lines(&stopped), 1 + 24, "what was there was not played again");
}

#[test]
fn a_journal_of_other_settings_or_another_build_is_refused() {
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("outcomes.jsonl");
    let one = |file: &Path| {
        let mut command = Command::new(env!("CARGO_BIN_EXE_airvalve"));
        command.args(["evaluate", "--development", "--only", "wire-break", "--cases", "1", "--resume"]).arg(file);
        command
    };
    succeeds(&mut one(&file));
    let settings = folder.path().join("settings.toml");
    fs::write(&settings, "[evidence]\nflat_line_s = 100.0\n").unwrap();
    let other = one(&file).arg("--settings").arg(&settings).output().unwrap();
    assert_refused(&other);
    let text = fs::read_to_string(&file).unwrap();
    let build = text.split('"').nth(3).unwrap();
    fs::write(&file, text.replace(build, "0123456789abcdef")).unwrap();
    assert_refused(&one(&file).output().unwrap());
}

fn assert_refused(output: &Output) {
    let said = String::from_utf8_lossy(&output.stderr);
    assert_eq!(output.status.code(), Some(2), "{said}");
    assert!(said.contains("another build of the program or on other settings"), "{said}");
}

#[test]
fn the_table_says_what_it_was_made_with_and_the_figures_of_each_model_apart() {
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("EVALUATION.md");
    let mut command = Command::new(env!("CARGO_BIN_EXE_airvalve"));
    let cases = ["--development", "--model", "both", "--only", "wire-break", "--cases", "2"];
    succeeds(command.arg("evaluate").args(cases).arg("--table").arg(&file));
    let text = fs::read_to_string(&file).unwrap();
    for wanted in [
        "| set | development |",
        "| cases of each fault, on each model | 2 |",
        // None of them was played beside the one fault, and two cases show no goal.
        "| fault-free runs, on each model | 0 |",
        "| wire-break | 2 of 2 | 2 | 100.0 | 15.8-100.0 | 99.0 | not shown |",
        "goal at most 2.0 %: not shown.",
        " | 1.00 | not shown |",
        "| detector settings | defaults, digest ",
        "## On the first model, seeds 1000000 to 1999999",
        "## On the second model, seeds 3000000 to 3999999",
    ] {
        assert!(text.contains(wanted), "{wanted}: {text}");
    }
    let date = text.lines().find_map(|line| line.strip_prefix("| date | ")).unwrap();
    assert_eq!(date.trim_end_matches(" |").split('-').map(str::len).collect::<Vec<_>>(), [4, 2, 2], "{date}");
    assert_eq!(
        text.lines().filter(|line| line.starts_with("| wire-break | 2 of 2 | 2 | 100.0 |")).count(),
        2,
        "{text}"
    );
    // A table of Markdown needs as many cells in every row.
    let cells = |line: &str| line.matches('|').count();
    let rows: Vec<usize> = text
        .lines()
        .filter(|line| line.starts_with("| wire-break") || line.starts_with("| fault |"))
        .map(cells)
        .collect();
    assert!(rows.iter().all(|count| *count == rows[0]), "{rows:?}");
}
