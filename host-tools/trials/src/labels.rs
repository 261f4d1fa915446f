//! A person's own recordings, held against their labels.
//!
//! A fault counts as found when an alarm of its kind (and of its fault, where the label names one) stands at some moment
//! between `from` and `to`; its delay counts from `from`. Fault-free time is that of files labelled `none`, and nothing
//! else: a file without a label counts neither way.

use std::path::{Path, PathBuf};

use airvalve_analysis::{Alarm, ReplayError, ReplayOptions, Time, replay};
use airvalve_monitor::{AlarmKind, Fault};
use airvalve_recording::{inspect, inspect::InspectError};
use airvalve_site::{FileError, Label, Labelled, Main, MainValve, Site};
use rayon::prelude::*;

use crate::{
    judged::{FaultFree, Judged, Verdict},
    score::{Score, score_of},
};

const MINUTE_US: f64 = 60e6;

/// Why recordings could not be held against their labels.
#[derive(Debug, thiserror::Error)]
#[allow(missing_docs)] // the fields are what the message says
pub enum LabelsError {
    #[error("{}:{line}: {} is a file of no valve of the main file; correct one of them", .labels.display(), .file.display())]
    NotInMain { labels: PathBuf, line: usize, file: PathBuf },
    #[error(
        "{}:{line}: the label begins at {at}, outside {} ({from} to {to}); correct it",
        .labels.display(), .file.display()
    )]
    Outside { labels: PathBuf, line: usize, file: PathBuf, at: Time, from: Time, to: Time },
    #[error("{}: no sample that can be used; take its label out", .file.display())]
    NoSamples { file: PathBuf },
    #[error(transparent)]
    File(#[from] FileError),
    #[error(transparent)]
    Replay(#[from] ReplayError),
    #[error(transparent)]
    Inspect(#[from] InspectError),
}

/// Replays every valve that has a labelled file and holds its alarms against the labels; `labels_file` is named in errors.
///
/// # Errors
/// [`LabelsError`] when a file cannot be read, or a label does not fit the files.
pub fn evaluate_labels(
    main: &Main,
    labels: &[Label],
    labels_file: &Path,
    options: &ReplayOptions,
) -> Result<Score, LabelsError> {
    let files: Vec<&PathBuf> = main.valves.iter().flat_map(|valve| &valve.files).collect();
    if let Some(stray) = labels.iter().find(|label| !files.iter().any(|file| is_same(file, &label.file))) {
        let (labels, file) = (labels_file.to_owned(), stray.file.clone());
        return Err(LabelsError::NotInMain { labels, line: stray.line, file });
    }
    let of_valves = main
        .valves
        .par_iter()
        .map(|valve| of_valve(valve, labels, labels_file, options))
        .collect::<Result<Vec<_>, LabelsError>>()?;
    let (judged, free): (Vec<_>, Vec<_>) = of_valves.into_iter().unzip();
    Ok(score_of(&judged.concat(), &free.concat()))
}

fn is_same(one: &Path, other: &Path) -> bool {
    one == other || matches!((one.canonicalize(), other.canonicalize()), (Ok(one), Ok(other)) if one == other)
}

fn of_valve(
    valve: &MainValve,
    labels: &[Label],
    labels_file: &Path,
    options: &ReplayOptions,
) -> Result<(Vec<Judged>, Vec<FaultFree>), LabelsError> {
    let is_of_valve = |label: &&Label| valve.files.iter().any(|file| is_same(file, &label.file));
    let labels: Vec<&Label> = labels.iter().filter(is_of_valve).collect();
    if labels.is_empty() {
        return Ok((Vec::new(), Vec::new()));
    }
    let site = Site::read(&valve.site)?;
    let alarms = replay(&valve.files, &site, options, &|_| {})?.alarms;
    let (mut judged, mut free) = (Vec::new(), Vec::new());
    for label in labels {
        let (first, last) = span(&label.file, options)?;
        match label.what {
            Labelled::Nothing => free.push(fault_free(label, &alarms, first, last)),
            Labelled::Wrong { kind, fault, from_us, to_us } => {
                let from = Time(from_us);
                if !(first..=last).contains(&from) {
                    let (labels, line, file) = (labels_file.to_owned(), label.line, label.file.clone());
                    return Err(LabelsError::Outside { labels, line, file, at: from, from: first, to: last });
                }
                let spell = (from, to_us.map_or(last, Time));
                judged.push(judge(label, kind, fault, spell, &alarms, site.water.is_sewage));
            }
        }
    }
    Ok((judged, free))
}

/// First and last sample of a file.
fn span(file: &Path, options: &ReplayOptions) -> Result<(Time, Time), LabelsError> {
    let summary = inspect(file, &options.csv)?;
    match (summary.from, summary.to) {
        (Some(from), Some(to)) => Ok((Time(from.as_microsecond()), Time(to.as_microsecond()))),
        _ => Err(LabelsError::NoSamples { file: file.to_owned() }),
    }
}

fn name_of(label: &Label) -> String {
    label.file.file_name().unwrap_or(label.file.as_os_str()).to_string_lossy().into_owned()
}

fn judge(
    label: &Label,
    kind: AlarmKind,
    fault: Option<Fault>,
    (from, to): (Time, Time),
    alarms: &[Alarm],
    has_odour: bool,
) -> Judged {
    let is_right = |alarm: &&Alarm| {
        let may_be =
            |fault: Fault| alarm.fault == fault.name() || (!has_odour && alarm.also_possible.contains(&fault.name()));
        alarm.kind == kind.name() && fault.is_none_or(may_be)
    };
    let standing: Vec<&Alarm> = alarms
        .iter()
        .filter(|alarm| alarm.raised_at <= to && alarm.cleared_at.is_none_or(|cleared_at| cleared_at >= from))
        .collect();
    let right = standing.iter().find(|alarm| is_right(alarm));
    let is_new = |alarm: &&&Alarm| alarm.raised_at >= from;
    Judged {
        name: name_of(label),
        what: fault.map_or(kind.name(), Fault::name),
        kind: kind.name(),
        verdict: if right.is_some() { Verdict::Found } else { Verdict::Missed },
        delay_min: right.map(|alarm| alarm.raised_at.0.saturating_sub(from.0) as f64 / MINUTE_US),
        first: standing.first().map(|alarm| alarm.fault.to_owned()),
        has_another: standing.iter().filter(is_new).any(|alarm| !is_right(alarm)),
        traits: label.note.iter().cloned().collect(),
    }
}

fn fault_free(label: &Label, alarms: &[Alarm], first: Time, last: Time) -> FaultFree {
    let seconds = |us: i64| us as f64 * 1e-6;
    let raised = alarms.iter().filter(|alarm| (first..=last).contains(&alarm.raised_at));
    FaultFree {
        name: name_of(label),
        length_s: seconds(last.0.saturating_sub(first.0)),
        alarms: raised.map(|alarm| (alarm.fault.to_owned(), seconds(alarm.raised_at.0 - first.0))).collect(),
        traits: label.note.iter().cloned().collect(),
    }
}
