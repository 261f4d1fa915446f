//! Settings files: the thresholds that a person has changed; what is not named keeps its default.

use std::path::Path;

use airvalve_monitor::settings::{DecisionSettings, EvidenceSettings, SettingRow, Settings};
use toml_edit::{Document, Item};

use crate::{
    nearest::nearest,
    problem::{Fault, FileError, Problem},
};

/// Reads a settings file: tables `[evidence]` and `[decision]`.
///
/// # Errors
/// [`FileError`] with every line that is wrong.
pub fn read_settings(path: impl AsRef<Path>) -> Result<Settings, FileError> {
    let file = path.as_ref();
    let text =
        std::fs::read_to_string(file).map_err(|source| FileError::Unreadable { file: file.to_path_buf(), source })?;
    parse_settings(&text, file)
}

/// Reads settings from text; `file` is named in errors.
///
/// # Errors
/// [`FileError`] with every line that is wrong.
pub fn parse_settings(text: &str, file: &Path) -> Result<Settings, FileError> {
    let refused = |problems| FileError::Refused { file: file.to_path_buf(), problems };
    let line_of = |offset: usize| text.get(..offset).map_or(1, |before| before.matches('\n').count() + 1);
    let document: Document<&str> = Document::parse(text).map_err(|error| {
        refused(vec![Problem {
            line: error.span().map_or(1, |span| line_of(span.start)),
            fault: Fault::Syntax { message: error.message().trim().replace('\n', "; ") },
        }])
    })?;
    let mut settings = Settings::default();
    let mut problems = Vec::new();
    for (table_name, item) in document.iter() {
        let line = document.key(table_name).and_then(|key| key.span()).map_or(1, |span| line_of(span.start));
        let rows = match table_name {
            "evidence" => EvidenceSettings::ROWS,
            "decision" => DecisionSettings::ROWS,
            _ => {
                let nearest = nearest(table_name, ["evidence", "decision"].map(String::from).into_iter());
                problems.push(Problem { line, fault: Fault::UnknownKey { key: table_name.into(), nearest } });
                continue;
            }
        };
        let Some(table) = item.as_table_like() else {
            problems.push(Problem {
                line,
                fault: Fault::NotAllowed {
                    key: table_name.into(),
                    value: item.to_string().trim().into(),
                    allowed: "a table".into(),
                },
            });
            continue;
        };
        for (name, item) in table.iter() {
            let span = table.key(name).and_then(|key| key.span()).or(item.span());
            let line = span.map_or(line, |span| line_of(span.start));
            match checked(table_name, name, item, rows) {
                Ok(value) => {
                    let _ = match table_name {
                        "evidence" => settings.evidence.set(name, value),
                        _ => settings.decision.set(name, value),
                    };
                }
                Err(fault) => problems.push(Problem { line, fault }),
            }
        }
    }
    if problems.is_empty() { Ok(settings) } else { Err(refused(problems)) }
}

fn checked(table: &str, name: &str, item: &Item, rows: &[SettingRow]) -> Result<f32, Fault> {
    let key = format!("{table}.{name}");
    let Some(row) = rows.iter().find(|row| row.name == name) else {
        let nearest = nearest(&key, rows.iter().map(|row| format!("{table}.{}", row.name)));
        return Err(Fault::UnknownKey { key, nearest });
    };
    let value = item.as_float().or_else(|| item.as_integer().map(|whole| whole as f64));
    match value {
        Some(value) if value >= f64::from(row.least) && value <= f64::from(row.most) => Ok(value as f32),
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
        let settings = parse_settings("[decision]\nstuck_on_delay_s = 90\n", Path::new("s.toml")).unwrap();
        assert_eq!(settings.decision.stuck_on_delay_s, 90.0);
        assert_eq!(settings.evidence, EvidenceSettings::default());
    }

    #[test]
    fn every_wrong_line_is_named_at_once() {
        let text = "[decision]\nstuck_on_delay = 90\nfouling_threshold = -1\n[evidenc]\n";
        let message = parse_settings(text, Path::new("s.toml")).unwrap_err().to_string();
        assert!(
            message
                .contains("s.toml:2: `decision.stuck_on_delay` is unknown, did you mean `decision.stuck_on_delay_s`?"),
            "{message}"
        );
        assert!(message.contains("s.toml:3: `decision.fouling_threshold` = -1 is not allowed"), "{message}");
        assert!(message.contains("s.toml:4: `evidenc` is unknown, did you mean `evidence`?"), "{message}");
    }
}
