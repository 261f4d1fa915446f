//! A small evaluation from end to end: it repeats, it goes on where it was stopped, it counts all of it.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

use std::{fs, io::Write};

use airvalve_monitor::{Fault, Settings};
use airvalve_trials::{Case, CaseId, Journal, JournalError, Model, Outcome, Set, Size, Subject, evaluate, plan, score};

/// Two cases each of faults that a loop shows at once: short, and the same whatever the detector's limits.
fn some_cases() -> Vec<CaseId> {
    let subjects = [Fault::WireBreak, Fault::Short, Fault::JammedUp].map(Subject::Fault);
    subjects
        .iter()
        .flat_map(|subject| [0, 1].map(|number| CaseId::new(Set::Development, Model::First, *subject, number)))
        .collect()
}

fn on_threads(threads: usize) -> Vec<Outcome> {
    let pool = rayon::ThreadPoolBuilder::new().num_threads(threads).build().unwrap();
    pool.install(|| evaluate(&some_cases(), &Settings::default(), None, &|_| {})).unwrap()
}

#[test]
fn outcomes_do_not_depend_on_the_number_of_threads() {
    let one = on_threads(1);
    assert_eq!(one, on_threads(3));
    let names: Vec<&str> = one.iter().map(|outcome| outcome.case.as_str()).collect();
    let wanted: Vec<String> = some_cases().iter().map(CaseId::to_string).collect();
    assert_eq!(names, wanted, "in the order that was asked for");
}

#[test]
fn every_case_is_counted_once_and_every_hour_before_a_fault_is_fault_free() {
    let outcomes = on_threads(2);
    let score = score(&outcomes);
    assert_eq!(score.faults.iter().map(|fault| fault.fault).collect::<Vec<_>>(), ["jammed-up", "wire-break", "short"]);
    for fault in &score.faults {
        assert_eq!((fault.cases, fault.found.of + fault.not_shown), (2, 2));
        assert!(fault.found.count <= fault.found.of && fault.found.low <= fault.found.high);
    }
    let hours: f64 = outcomes.iter().filter_map(|outcome| outcome.onset_s).sum::<f64>() / 3600.0;
    for sort in &score.false_alarms {
        assert!((sort.valve_years * 365.25 * 24.0 - hours).abs() < 1e-9);
    }
    let judged: u64 = score.confusion.values().flat_map(|row| row.values()).sum();
    assert_eq!(judged, score.faults.iter().map(|fault| fault.found.of).sum::<u64>());
}

#[test]
fn a_stopped_evaluation_goes_on_and_ends_with_the_same() {
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("outcomes.jsonl");
    let (cases, settings) = (some_cases(), Settings::default());
    let whole = evaluate(&cases, &settings, None, &|_| {}).unwrap();
    let journal = Journal::open(&file, 1).unwrap();
    evaluate(&cases[..2], &settings, Some(&journal), &|_| {}).unwrap();
    drop(journal);
    // The stop cut a line off.
    fs::OpenOptions::new().append(true).open(&file).unwrap().write_all(b"{\"case\":\"development-sho").unwrap();
    let journal = Journal::open(&file, 1).unwrap();
    assert_eq!(journal.outcomes().len(), 2);
    let done = std::sync::Mutex::new(Vec::new());
    let resumed = evaluate(&cases, &settings, Some(&journal), &|count| done.lock().unwrap().push(count)).unwrap();
    assert_eq!(resumed, whole);
    let mut done = done.into_inner().unwrap();
    done.sort_unstable();
    assert_eq!(done, [3, 4, 5, 6], "those that were there are done already");
    assert_eq!(fs::read_to_string(&file).unwrap().lines().count(), 1 + cases.len());
}

#[test]
fn a_journal_of_something_else_is_refused() {
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("outcomes.jsonl");
    drop(Journal::open(&file, 1).unwrap());
    assert!(matches!(Journal::open(&file, 2), Err(JournalError::MadeOtherwise { .. })));
    fs::write(&file, "a letter\n").unwrap();
    assert!(matches!(Journal::open(&file, 1), Err(JournalError::NotAnOutcome { line: 1, .. })));
}

#[test]
fn the_long_fault_free_runs_are_fifteen_valve_years_and_nine_in_ten_of_them_at_two_samples_a_second() {
    for (set, model) in
        [Set::Development, Set::Judging].into_iter().flat_map(|set| Model::ALL.map(|model| (set, model)))
    {
        let runs: Vec<Case> =
            plan(set, model, Size::LONG, Some(Subject::FaultFree)).into_iter().map(Case::draw).collect();
        let years = runs.iter().map(|case| case.hours).sum::<f64>() / (365.25 * 24.0);
        assert!((15.0..16.5).contains(&years), "{} {}: {years} years", set.name(), model.name());
        let usual = runs.iter().filter(|case| case.scenario_toml.contains("sample_hz = 2.0\n")).count();
        let share = usual as f64 / runs.len() as f64;
        // 860 draws of 0.9: three standard deviations are 0.03.
        assert!((0.87..0.93).contains(&share), "{} {}: {share} at 2 Hz", set.name(), model.name());
        let short = runs.iter().filter(|case| case.hours < 168.0).count();
        assert!(short < runs.len() / 10, "a week each, but for those at a high rate");
    }
}

#[test]
fn a_plan_holds_every_fault_and_fault_free_time() {
    let cases = plan(Set::Judging, Model::Second, Size::LONG, None);
    assert!(cases.iter().all(|id| id.set() == Set::Judging));
    for subject in Subject::all() {
        let count = cases.iter().filter(|id| id.subject == subject).count();
        assert!(count >= 300, "{}: {count}", subject.name());
    }
}
