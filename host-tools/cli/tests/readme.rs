//! What the README and the table of the demo recordings promise, held against the program.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

use std::{
    collections::BTreeSet,
    fs,
    path::{Path, PathBuf},
    process::Command,
};

use serde_json::Value;

fn root() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("../..")
}

fn read(file: &str) -> String {
    fs::read_to_string(root().join(file)).unwrap()
}

/// What the program prints when it is run at the top of the repository, as into a pipe.
fn printed(arguments: &[&str]) -> String {
    let mut airvalve = Command::new(env!("CARGO_BIN_EXE_airvalve"));
    let output = airvalve.current_dir(root()).args(arguments).output().unwrap();
    assert!(output.status.success(), "{arguments:?}: {}", String::from_utf8_lossy(&output.stderr));
    String::from_utf8(output.stdout).unwrap()
}

/// Lines without the blanks at their ends, which editors take away.
fn lines(text: &str) -> Vec<&str> {
    text.trim_end().lines().map(str::trim_end).collect()
}

/// The first text between two others.
fn between<'a>(text: &'a str, before: &str, after: &str) -> &'a str {
    let (_, rest) = text.split_once(before).unwrap_or_else(|| panic!("no {before:?}"));
    rest.split_once(after).unwrap_or_else(|| panic!("no {after:?} behind {before:?}")).0
}

/// The words in backticks.
fn code_words(text: &str) -> impl Iterator<Item = &str> {
    text.split('`').skip(1).step_by(2)
}

#[test]
fn the_readmes_picture_is_what_its_first_command_prints() {
    let readme = read("README.md");
    let arguments: Vec<&str> = between(&readme, "cargo run --release -- ", "\n").split_whitespace().collect();
    let text = printed(&arguments);
    let (text, _) = text.split_once("\nBEFORE ANYONE GOES TO THE VALVE\n").expect("cautions at the end");
    let picture = between(between(&readme, "<!-- picture:begin -->", "<!-- picture:end -->"), "```\n", "```");
    assert!(lines(picture) == lines(text), "README.md: its picture is another than what is printed now:\n{text}");
}

#[test]
fn every_command_that_the_readme_names_is_there() {
    let readme = read("README.md");
    let commands: BTreeSet<&str> = code_words(&readme)
        .filter_map(|words| words.strip_prefix("airvalve ")?.split_whitespace().next())
        .filter(|word| word.chars().all(|c| c.is_ascii_lowercase()))
        .collect();
    assert!(commands.len() >= 7, "{commands:?}");
    commands.iter().for_each(|command| assert!(printed(&[command, "--help"]).contains("Usage")));
}

/// The rows of the table of the demo recordings: name, and what a replay should say.
fn demo_rows(readme: &str) -> Vec<(&str, &str)> {
    let table = between(readme, "| --- | --- | --- |\n", "\n\n");
    let cells = table.lines().map(|row| row.trim_matches('|').split('|').collect::<Vec<_>>());
    cells.map(|cells| (cells[0].trim().trim_matches('`'), cells[2])).collect()
}

#[test]
fn every_demo_recording_says_what_its_table_promises() {
    let readme = read("recordings-demo/README.md");
    let rows = demo_rows(&readme);
    assert_eq!(rows.len(), 4);
    for (name, promise) in rows {
        let [recording, site] = ["airvalve", "site.toml"].map(|ending| format!("recordings-demo/{name}.{ending}"));
        let result: Value = serde_json::from_str(&printed(&["replay", &recording, "--site", &site, "--json"])).unwrap();
        let list = |field: &str| result[field].as_array().unwrap().clone();
        let (alarms, findings) = (list("alarms"), list("findings"));
        let said = |word: &str| {
            let is_it = |value: &Value| value.as_str() == Some(word);
            alarms.iter().any(|alarm| is_it(&alarm["kind"]) || is_it(&alarm["fault"]))
                || findings.iter().any(|finding| is_it(&finding["kind"]))
        };
        code_words(promise).for_each(|word| assert!(said(word), "{name}: no `{word}` in {alarms:?} {findings:?}"));
        assert_eq!(alarms.is_empty(), promise.contains("no alarm"), "{name}: {alarms:?}");
        if let Some((_, time)) = promise.split_once("before ") {
            // Midnight is the end of the day on which these nights begin.
            let latest = match time.trim().get(..5).expect("a time of day") {
                "00:00" => "2031-03-02T00:00".to_owned(),
                clock => format!("2031-03-02T{clock}"),
            };
            let raised_at = alarms[0]["raised_at"].as_str().unwrap();
            assert!(raised_at < latest.as_str(), "{name}: {raised_at}");
        }
    }
}
