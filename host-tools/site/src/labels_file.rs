//! The labels file: what a person has found to be wrong in recordings, or looked at and found right.

use std::path::{Path, PathBuf};

use airvalve_monitor::{AlarmKind, Fault as ValveFault};

use crate::{
    checked::Checked,
    keys::LABELS,
    problem::{Fault, FileError, read_text},
};

/// One label.
#[derive(Clone, Debug, PartialEq)]
pub struct Label {
    /// The recording or CSV file.
    pub file: PathBuf,
    /// What was wrong, or nothing.
    pub what: Labelled,
    /// A remark for people.
    pub note: Option<String>,
    /// Line of the file, for messages.
    pub line: usize,
}

/// What a label says.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Labelled {
    /// Looked at, nothing wrong.
    Nothing,
    /// Something was wrong.
    Wrong {
        /// Kind of alarm.
        kind: AlarmKind,
        /// Which fault, where it is known.
        fault: Option<ValveFault>,
        /// Unix time from which on it was wrong, microseconds.
        from_us: i64,
        /// Until when; to the end of the file where it is not given.
        to_us: Option<i64>,
    },
}

/// Reads a labels file; the names in it are relative to it.
///
/// # Errors
/// [`FileError`] when it cannot be read, or with all that is wrong with it.
pub fn read_labels(path: impl AsRef<Path>) -> Result<Vec<Label>, FileError> {
    let path = path.as_ref();
    parse_labels(&read_text(path)?, path)
}

/// Reads the text of a labels file that stands at `file`.
///
/// # Errors
/// [`FileError::Refused`] with all that is wrong with it.
pub fn parse_labels(text: &str, file: impl AsRef<Path>) -> Result<Vec<Label>, FileError> {
    let file = file.as_ref();
    let folder = file.parent().unwrap_or(Path::new(""));
    let mut checked = Checked::new(text, LABELS);
    let count = checked.count("label");
    let labels: Vec<Label> = (0..count).map(|place| label(&mut checked, place, folder)).collect();
    if count == 0 && !checked.has_syntax_error() {
        let how = "at least one [[label]]";
        checked.report(1, Fault::Count { key: "label".to_owned(), found: 0, allowed: "1 or more", how });
    }
    refuse_both(&labels, &mut checked);
    checked.finish(file)?;
    Ok(labels)
}

fn label(checked: &mut Checked, place: usize, folder: &Path) -> Label {
    let key = |name: &str| format!("label[{place}].{name}");
    for needed in ["file", "kind"] {
        if !checked.is_given(&key(needed)) {
            checked.report_missing(&key(needed), "…");
        }
    }
    let kind = checked.given_text(&key("kind")).and_then(|name| kind_of(&name));
    let what = match kind {
        Some(kind) => wrong(checked, kind, &key),
        None => {
            refuse_times_of_nothing(checked, &key);
            Labelled::Nothing
        }
    };
    Label {
        file: folder.join(checked.given_text(&key("file")).unwrap_or_default()),
        what,
        note: checked.given_text(&key("note")),
        line: checked.line_of(&format!("label[{place}]")),
    }
}

fn kind_of(name: &str) -> Option<AlarmKind> {
    let kinds = [AlarmKind::StuckOpen, AlarmKind::StuckClosed, AlarmKind::Fouling, AlarmKind::SensorFault];
    kinds.into_iter().find(|kind| kind.name() == name)
}

fn wrong(checked: &mut Checked, kind: AlarmKind, key: &impl Fn(&str) -> String) -> Labelled {
    let name = checked.given_text(&key("fault"));
    let fault = name
        .as_deref()
        .and_then(|name| ValveFault::VALVE.into_iter().chain(ValveFault::SENSOR).find(|fault| fault.name() == name));
    if let (Some(fault), Some(name)) = (fault, name)
        && fault.kind() != kind
    {
        contradict(checked, &key("fault"), name, "the fault is one of its kind", fault.kind().name());
    }
    let from_us = match checked.given_time(&key("from")) {
        Some(time) => time.as_microsecond(),
        None => {
            checked.report_missing(&key("from"), "2026-03-01T21:14:00Z");
            0
        }
    };
    let to_us = checked.given_time(&key("to")).map(|time| time.as_microsecond());
    if to_us.is_some_and(|to_us| to_us <= from_us) {
        let value = checked.given_time(&key("to")).map_or(String::new(), |time| time.to_string());
        contradict(checked, &key("to"), value, "it ends after it begins", "after `from`");
    }
    Labelled::Wrong { kind, fault, from_us, to_us }
}

fn refuse_times_of_nothing(checked: &mut Checked, key: &impl Fn(&str) -> String) {
    for name in ["from", "to", "fault"] {
        if checked.is_given(&key(name)) && checked.is_given(&key("kind")) {
            let rule = "a label `none` is for the whole file";
            contradict(checked, &key(name), "given".to_owned(), rule, "leave it out");
        }
    }
}

/// A file in which nothing was wrong has no other label.
fn refuse_both(labels: &[Label], checked: &mut Checked) {
    for label in labels.iter().filter(|label| label.what == Labelled::Nothing) {
        let others = labels.iter().filter(|other| other.file == label.file).count();
        if others > 1 {
            let fault = Fault::Contradiction {
                key: "kind".to_owned(),
                value: "\"none\"".to_owned(),
                rule: "a file in which nothing was wrong has one label",
                limit: format!("{} has {others}", label.file.display()),
            };
            checked.report(label.line, fault);
        }
    }
}

fn contradict(checked: &mut Checked, key: &str, value: String, rule: &'static str, limit: &str) {
    let line = checked.line_of(key);
    checked.report(line, Fault::Contradiction { key: key.to_owned(), value, rule, limit: limit.to_owned() });
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;

    #[test]
    fn a_label_names_its_file_relative_to_itself() {
        let text = "[[label]]\nfile = \"n/1.csv\"\nkind = \"stuck-open\"\nfault = \"jammed-low\"
            from = 2026-03-01T21:14:00Z\n[[label]]\nfile = \"2.csv\"\nkind = \"none\"\nnote = \"all right\"";
        let labels = parse_labels(text, "/data/LABELS.toml").unwrap();
        assert_eq!(labels[0].file.to_str(), Some("/data/n/1.csv"));
        let from_us = 1_772_399_640_000_000;
        let fault = Some(ValveFault::JammedLow);
        assert_eq!(labels[0].what, Labelled::Wrong { kind: AlarmKind::StuckOpen, fault, from_us, to_us: None });
        assert_eq!((labels[1].what, labels[1].note.as_deref()), (Labelled::Nothing, Some("all right")));
    }

    #[test]
    fn what_does_not_fit_is_refused_with_its_line() {
        let said = |text: &str| parse_labels(text, "l.toml").unwrap_err().to_string();
        let wrong_kind =
            "[[label]]\nfile = \"a\"\nkind = \"fouling\"\nfault = \"jammed-low\"\nfrom = 2026-03-01T21:14:00Z";
        assert!(said(wrong_kind).contains("l.toml:4: `label[0].fault` = jammed-low does not fit"));
        assert!(said("[[label]]\nfile = \"a\"\nkind = \"fouling\"").contains("`label[0].from` is missing"));
        assert!(said("[[label]]\nfile = \"a\"\nkind = \"none\"\nfrom = 2026-03-01T21:14:00Z").contains("whole file"));
        assert!(said("[[label]]\nfile = \"a\"\nkind = \"stuck\"").contains("not allowed"));
        assert!(said("").contains("[[label]]"));
        let both = "[[label]]\nfile = \"a\"\nkind = \"none\"\n[[label]]\nfile = \"a\"\nkind = \"none\"";
        assert!(said(both).contains("has one label"));
    }
}
