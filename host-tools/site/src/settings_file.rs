//! Settings files: the thresholds that a person has changed; what is not named keeps its default.

use std::{collections::BTreeMap, path::Path};

use airvalve_monitor::settings::{DecisionSettings, EvidenceSettings, SettingRow, Settings};
use toml_edit::{Document, Item};

use crate::{
    FindingLimits,
    nearest::nearest,
    problem::{Fault, FileError, Problem, read_text},
};

/// What a settings file says.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct SettingsFile {
    /// Thresholds of the detector: `[evidence]` and `[decision]`.
    pub detector: Settings,
    /// Thresholds of the findings: `[findings]`.
    pub findings: FindingLimits,
}

impl SettingsFile {
    /// The tables of a settings file with their rows, in the order in which they are explained.
    pub const TABLES: [(&'static str, &'static [SettingRow]); 3] =
        [("evidence", EvidenceSettings::ROWS), ("decision", DecisionSettings::ROWS), ("findings", FindingLimits::ROWS)];

    /// The value of a row by the names of its table and its own.
    pub fn get(&self, table: &str, name: &str) -> Option<f32> {
        match table {
            "evidence" => self.detector.evidence.get(name),
            "decision" => self.detector.decision.get(name),
            "findings" => self.findings.get(name),
            _ => None,
        }
    }

    fn set(&mut self, table: &str, name: &str, value: f32) -> bool {
        match table {
            "evidence" => self.detector.evidence.set(name, value),
            "decision" => self.detector.decision.set(name, value),
            "findings" => self.findings.set(name, value),
            _ => false,
        }
    }
}

/// Reads a settings file.
///
/// # Errors
/// [`FileError`] with every line that is wrong.
pub fn read_settings(path: impl AsRef<Path>) -> Result<SettingsFile, FileError> {
    let path = path.as_ref();
    parse_settings(&read_text(path)?, path)
}

/// Reads settings from text; `file` is named in errors.
///
/// # Errors
/// [`FileError`] with every line that is wrong.
pub fn parse_settings(text: &str, file: &Path) -> Result<SettingsFile, FileError> {
    let refused = |problems| FileError::Refused { file: file.to_path_buf(), problems };
    let line_of = |offset: usize| text.get(..offset).map_or(1, |before| before.matches('\n').count() + 1);
    let document: Document<&str> = Document::parse(text).map_err(|error| {
        refused(vec![Problem {
            line: error.span().map_or(1, |span| line_of(span.start)),
            fault: Fault::Syntax { message: error.message().trim().replace('\n', "; ") },
        }])
    })?;
    let mut settings = SettingsFile::default();
    let mut problems = Vec::new();
    let mut lines = BTreeMap::new();
    for (table_name, item) in document.iter() {
        let line = document.key(table_name).and_then(|key| key.span()).map_or(1, |span| line_of(span.start));
        let Some((_, rows)) = SettingsFile::TABLES.iter().find(|(name, _)| *name == table_name) else {
            let known = SettingsFile::TABLES.iter().map(|(name, _)| (*name).to_owned());
            let fault = Fault::UnknownKey { key: table_name.into(), nearest: nearest(table_name, known) };
            problems.push(Problem { line, fault });
            continue;
        };
        let Some(table) = item.as_table_like() else {
            let value = item.to_string().trim().into();
            let fault = Fault::NotAllowed { key: table_name.into(), value, allowed: "a table".into() };
            problems.push(Problem { line, fault });
            continue;
        };
        for (name, item) in table.iter() {
            let span = table.key(name).and_then(|key| key.span()).or(item.span());
            let line = span.map_or(line, |span| line_of(span.start));
            match checked(table_name, name, item, rows) {
                Ok(value) => {
                    settings.set(table_name, name, value);
                    lines.insert(format!("{table_name}.{name}"), line);
                }
                Err(fault) => problems.push(Problem { line, fault }),
            }
        }
    }
    problems.extend(contradictions(&settings, &lines));
    if problems.is_empty() { Ok(settings) } else { Err(refused(problems)) }
}

/// Pairs of rows of which the first must lie below the second, and why.
const BELOW: [(&str, &str, &str); 7] = [
    ("decision.stuck_deadband", "decision.stuck_threshold", NEVER_CLEARS),
    ("decision.fouling_deadband", "decision.fouling_threshold", NEVER_CLEARS),
    ("decision.sensor_deadband", "decision.sensor_threshold", NEVER_CLEARS),
    ("findings.odour_deadband_ppm", "findings.odour_ppm", NEVER_ENDS),
    ("findings.odour_deadband_ppm", "findings.odour_severe_ppm", NEVER_ENDS),
    ("findings.vacuum_deadband_kpa", "findings.vacuum_kpa", NEVER_ENDS),
    ("findings.odour_ppm", "findings.odour_severe_ppm", "a severe odour is one above the limit of a high one"),
];
const NEVER_CLEARS: &str =
    "an alarm clears below its threshold by the deadband, and evidence never falls below nothing";
const NEVER_ENDS: &str =
    "a finding ends beyond its limit by the deadband, and must be able to before the other side of nothing";

/// What does not fit together, where a file names one of the two.
fn contradictions(settings: &SettingsFile, lines: &BTreeMap<String, usize>) -> Vec<Problem> {
    let value = |key: &str| key.split_once('.').and_then(|(table, name)| settings.get(table, name));
    let mut problems = Vec::new();
    for (low, high, rule) in BELOW {
        let (Some(low_value), Some(high_value)) = (value(low), value(high)) else { continue };
        // The defaults fit; the line is that of the key which the file names, the first of the two if both.
        let Some((key, line)) = [low, high].into_iter().find_map(|key| Some((key, *lines.get(key)?))) else { continue };
        if low_value < high_value {
            continue;
        }
        let (own, limit) = if key == low {
            (low_value, format!("below {high} = {high_value}"))
        } else {
            (high_value, format!("above {low} = {low_value}"))
        };
        problems.push(Problem {
            line,
            fault: Fault::Contradiction { key: key.to_owned(), value: own.to_string(), rule, limit },
        });
    }
    problems
}

fn checked(table: &str, name: &str, item: &Item, rows: &[SettingRow]) -> Result<f32, Fault> {
    let key = format!("{table}.{name}");
    let Some(row) = rows.iter().find(|row| row.name == name) else {
        let nearest = nearest(&key, rows.iter().map(|row| format!("{table}.{}", row.name)));
        return Err(Fault::UnknownKey { key, nearest });
    };
    // As a row has it: its least value need not be the decimal that stands in the file.
    let value = item.as_float().or_else(|| item.as_integer().map(|whole| whole as f64)).map(|value| value as f32);
    match value {
        Some(value) if (row.least..=row.most).contains(&value) => Ok(value),
        _ => Err(Fault::NotAllowed {
            key,
            value: item.to_string().trim().into(),
            allowed: format!("{} to {} {}", row.least, row.most, row.unit),
        }),
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;

    #[test]
    fn what_is_not_named_keeps_its_default() {
        let text = "[decision]\nstuck_on_delay_s = 90\n[findings]\nvacuum_kpa = 8\n";
        let settings = parse_settings(text, Path::new("s.toml")).unwrap();
        assert_eq!(settings.detector.decision.stuck_on_delay_s, 90.0);
        assert_eq!(settings.detector.evidence, EvidenceSettings::default());
        assert_eq!(settings.findings, FindingLimits { vacuum_kpa: 8.0, ..FindingLimits::default() });
    }

    #[test]
    fn every_row_can_be_set_to_any_value_in_its_range_and_to_no_other() {
        for (table, rows) in SettingsFile::TABLES {
            for row in rows {
                let parsed =
                    |value: f32| parse_settings(&format!("[{table}]\n{} = {value:?}\n", row.name), Path::new("s.toml"));
                let key = format!("{table}.{}", row.name);
                let is_paired = BELOW.iter().any(|(low, high, _)| [*low, *high].contains(&key.as_str()));
                for value in [row.least, row.default, row.most] {
                    if is_paired && value != row.default {
                        // Within its range; it may not fit the default of the other.
                        let refused = parsed(value).err().map(|error| error.to_string());
                        assert!(refused.is_none_or(|refused| refused.contains("does not fit")), "{key}");
                        continue;
                    }
                    assert_eq!(parsed(value).unwrap().get(table, row.name), Some(value), "{table}.{}", row.name);
                }
                assert!(parsed(row.least - 1.0).is_err() && parsed(row.most + 1.0).is_err(), "{table}.{}", row.name);
            }
        }
    }

    #[test]
    fn every_wrong_line_is_named_at_once() {
        let text = "[decision]\nstuck_on_delay = 90\nfouling_threshold = -1\n[evidenc]\n[findings]\nvacuum_s = -2\n";
        let message = parse_settings(text, Path::new("s.toml")).unwrap_err().to_string();
        assert!(
            message
                .contains("s.toml:2: `decision.stuck_on_delay` is unknown, did you mean `decision.stuck_on_delay_s`?"),
            "{message}"
        );
        assert!(message.contains("s.toml:3: `decision.fouling_threshold` = -1 is not allowed"), "{message}");
        assert!(message.contains("s.toml:4: `evidenc` is unknown, did you mean `evidence`?"), "{message}");
        assert!(
            message.contains("s.toml:6: `findings.vacuum_s` = -2 is not allowed (allowed: 0 to 86400 s)"),
            "{message}"
        );
    }

    #[test]
    fn settings_that_contradict_each_other_are_refused_where_they_stand() {
        assert!(contradictions(&SettingsFile::default(), &BTreeMap::new()).is_empty());
        for (text, said) in [
            ("[findings]\nodour_ppm = 200\n", "s.toml:2: `findings.odour_ppm` = 200 does not fit"),
            ("[findings]\n\nodour_severe_ppm = 5\n", "s.toml:3: `findings.odour_severe_ppm` = 5 does not fit"),
            ("[findings]\nodour_deadband_ppm = 20\n", "s.toml:2: `findings.odour_deadband_ppm` = 20 does not fit"),
            ("[findings]\nvacuum_kpa = 2\n", "s.toml:2: `findings.vacuum_kpa` = 2 does not fit"),
            ("[decision]\nstuck_deadband = 1\n", "s.toml:2: `decision.stuck_deadband` = 1 does not fit"),
            ("[decision]\nfouling_threshold = 0.3\n", "(above decision.fouling_deadband = 0.4)"),
            ("[decision]\nsensor_threshold = 0.4\nsensor_deadband = 0.4\n", "s.toml:3: `decision.sensor_deadband`"),
        ] {
            let message = parse_settings(text, Path::new("s.toml")).unwrap_err().to_string();
            assert!(message.contains(said), "{message}");
        }
        let fits = "[decision]\nfouling_threshold = 0.3\nfouling_deadband = 0.2\n";
        assert!(parse_settings(fits, Path::new("s.toml")).is_ok());
        let fits = "[findings]\nvacuum_kpa = 2\nvacuum_deadband_kpa = 1\nodour_ppm = 200\nodour_severe_ppm = 400\n";
        assert!(parse_settings(fits, Path::new("s.toml")).is_ok());
    }
}
