//! A person's own recordings against their labels, on the demo recordings.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

use std::path::Path;

use airvalve_analysis::ReplayOptions;
use airvalve_site::{Main, parse_labels};
use airvalve_trials::{LabelsError, Score, evaluate_labels};

const MAIN: &str = "[main]\nname = \"Tarnholt\"
[[valve]]\nsite = \"mill-crest.site.toml\"\nfiles = [\"mill-crest.airvalve\"]
[[valve]]\nsite = \"quarry-top.site.toml\"\nfiles = [\"quarry-top.airvalve\"]
[[valve]]\nsite = \"ferrow-hill.site.toml\"\nfiles = [\"ferrow-hill.airvalve\"]\n";

fn evaluate(labels: &str) -> Result<Score, LabelsError> {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("../../recordings-demo");
    let main = Main::parse(MAIN, folder.join("main.toml")).unwrap();
    let file = folder.join("labels.toml");
    let labels = parse_labels(labels, &file).unwrap();
    evaluate_labels(&main, &labels, &file, &ReplayOptions::default())
}

#[test]
fn labelled_faults_are_found_and_a_healthy_night_is_fault_free_time() {
    // Source: the scenarios beside the demo recordings: rag at 00:10, grease at 23:20, a healthy night of twelve hours.
    let score = evaluate(
        "[[label]]\nfile = \"mill-crest.airvalve\"\nkind = \"stuck-open\"\nfault = \"jammed-low\"
        from = 2031-03-02T00:10:00Z\n[[label]]\nfile = \"ferrow-hill.airvalve\"\nkind = \"none\"",
    )
    .unwrap();
    let [fault] = score.faults.as_slice() else { panic!("{score:?}") };
    assert_eq!((fault.fault, fault.found.count, fault.found.of), ("jammed-low", 1, 1));
    assert!(fault.delay_median_min.unwrap() < 60.0);
    let hours = score.false_alarms[0].valve_years * 365.25 * 24.0;
    assert!((hours - 12.0).abs() < 0.01, "{hours}");
    assert_eq!(score.false_alarms[0].count, 0);
}

#[test]
fn a_file_without_a_label_counts_neither_way() {
    let score = evaluate("[[label]]\nfile = \"ferrow-hill.airvalve\"\nkind = \"none\"").unwrap();
    assert!(score.faults.is_empty());
    assert_eq!(score.false_alarms[0].count, 0, "the alarms of the other nights are no false ones");
}

#[test]
fn a_kind_without_a_fault_is_found_by_any_fault_of_the_kind() {
    let label = "[[label]]\nfile = \"quarry-top.airvalve\"\nkind = \"stuck-closed\"\nfrom = 2031-03-01T23:20:00Z";
    let score = evaluate(label).unwrap();
    assert_eq!((score.faults[0].fault, score.faults[0].found.count), ("stuck-closed", 1));
    let wrong = label.replace("stuck-closed", "fouling");
    let score = evaluate(&wrong).unwrap();
    assert_eq!((score.faults[0].found.count, score.faults[0].wrong), (0, 1));
}

#[test]
fn a_label_that_does_not_fit_the_files_is_refused() {
    let stray = evaluate("[[label]]\nfile = \"nowhere.airvalve\"\nkind = \"none\"");
    assert!(matches!(stray, Err(LabelsError::NotInMain { line: 1, .. })));
    let late =
        evaluate("[[label]]\nfile = \"mill-crest.airvalve\"\nkind = \"stuck-open\"\nfrom = 2032-03-02T00:10:00Z");
    let said = late.unwrap_err().to_string();
    assert!(said.contains("outside") && said.contains("2032-03-02T00:10:00"), "{said}");
}
