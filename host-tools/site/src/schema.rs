//! What a key of a file is: its bounds, its unit, what holds without it.
//!
//! One row of a table of keys feeds the check, the message, the explanation and the template.

use std::fmt;

use jiff::Timestamp;
use toml_edit::Value;

use crate::nearest::nearest;

/// One key of a file: where it stands, what it may hold, what holds without it.
#[derive(Clone, Copy, Debug)]
pub struct Key {
    /// Dotted path; `[]` after a name that may be repeated, `*` for a channel's name.
    pub path: &'static str,
    /// What the value may be.
    pub allowed: Allowed,
    /// What holds without it.
    pub preset: Preset,
    /// One sentence of meaning.
    pub meaning: &'static str,
}

/// The keys of one kind of file.
#[derive(Clone, Copy, Debug)]
pub struct Schema {
    /// One row a key.
    pub keys: &'static [Key],
    /// The names that `*` stands for.
    pub wildcards: &'static [&'static str],
}

impl Schema {
    /// The row for a path such as `valve.release_orifice[1].diameter_mm` or `sensors.odour.low`.
    pub fn row_of(&self, path: &str) -> Option<&'static Key> {
        let pattern = self.pattern(path);
        self.keys.iter().find(|key| key.path == pattern)
    }

    /// Whether there are keys below this table.
    pub fn has_keys_below(&self, table: &str) -> bool {
        let pattern = self.pattern(&format!("{table}.x"));
        let below = pattern.trim_end_matches('x');
        self.keys.iter().any(|key| key.path.starts_with(below))
    }

    /// The known key or table that a wrong path was meant to be, if one is near enough.
    pub(crate) fn nearest(&self, wrong: &str) -> Option<String> {
        let known = self.keys.iter().flat_map(|key| self.spellings(key.path));
        nearest(&without_positions(wrong).replace("[]", ""), known)
    }

    /// Every key and table that a row stands for, without positions.
    fn spellings(&self, path: &str) -> Vec<String> {
        let plain = path.replace("[]", "");
        let mut paths = vec![plain.clone()];
        if plain.contains('*') {
            paths = self.wildcards.iter().map(|name| plain.replace('*', name)).collect();
        }
        let with_tables = paths.into_iter().flat_map(|path| {
            let table = path.rsplit_once('.').map(|(table, _)| table.to_owned());
            table.into_iter().chain([path])
        });
        with_tables.collect()
    }

    fn pattern(&self, path: &str) -> String {
        let plain = without_positions(path);
        let mut parts: Vec<&str> = plain.split('.').collect();
        if let [_, name, _] = parts.as_mut_slice()
            && self.wildcards.contains(name)
        {
            *name = "*";
        }
        parts.join(".")
    }
}

/// `valve.release_orifice[1].diameter_mm` as `valve.release_orifice[].diameter_mm`.
fn without_positions(path: &str) -> String {
    let mut is_inside = false;
    let kept = path.chars().filter(|c| {
        is_inside = is_inside && *c != ']';
        let is_kept = !is_inside;
        is_inside = is_inside || *c == '[';
        is_kept
    });
    kept.collect()
}

/// What a value may be.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Allowed {
    /// A number from `least` to `most`, both included.
    Number {
        /// Least value.
        least: f64,
        /// Greatest value.
        most: f64,
        /// Unit, empty for a pure number.
        unit: &'static str,
    },
    /// Any text of 1 to 200 characters.
    Text,
    /// 1 to 32 of a-z 0-9 - _.
    Id,
    /// One of these words.
    OneOf(&'static [&'static str]),
    /// A time with an offset (RFC 3339).
    Time,
    /// A file's name.
    FileName,
    /// One or more names of files.
    FileNames,
}

/// What holds when a key is not given.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Preset {
    /// The key must be given; the text is an example.
    Required(&'static str),
    /// Must be given under a condition that the reader checks; the text is an example.
    Conditional(&'static str),
    /// This number.
    Number(f64),
    /// This word.
    Word(&'static str),
    /// Worked out from other keys, as the text says.
    Computed(&'static str),
}

impl fmt::Display for Allowed {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Allowed::Number { least, most, unit } => {
                let space = if unit.is_empty() { "" } else { " " };
                write!(f, "{least} .. {most}{space}{unit}")
            }
            Allowed::Text => write!(f, "text of 1 to 200 characters"),
            Allowed::Id => write!(f, "1 to 32 of a-z 0-9 - _"),
            Allowed::OneOf(words) => write!(f, "one of {}", words.join(", ")),
            Allowed::Time => write!(f, "a time with offset, as 2026-03-01T21:14:00Z"),
            Allowed::FileName => write!(f, "a file's name"),
            Allowed::FileNames => write!(f, "a list of file names, as [\"night-1.airvalve\"]"),
        }
    }
}

pub(crate) fn number_of(value: &Value) -> Option<f64> {
    match value {
        Value::Integer(integer) => Some(*integer.value() as f64),
        Value::Float(float) => Some(*float.value()),
        _ => None,
    }
}

pub(crate) fn time_of(value: &Value) -> Option<Timestamp> {
    match value {
        Value::String(text) => text.value().parse().ok(),
        Value::Datetime(time) => time.value().to_string().parse().ok(),
        _ => None,
    }
}

impl Allowed {
    /// Whether a value may stand there.
    pub(crate) fn accepts(self, value: &Value) -> bool {
        let has_length = |text: &str, most| (1..=most).contains(&text.chars().count());
        match (self, value) {
            (Allowed::Number { least, most, .. }, value) => {
                number_of(value).is_some_and(|number| (least..=most).contains(&number))
            }
            (Allowed::Time, value) => time_of(value).is_some(),
            (Allowed::Text, Value::String(text)) => has_length(text.value(), 200),
            (Allowed::FileName, Value::String(text)) => has_length(text.value(), 4096),
            (Allowed::Id, Value::String(text)) => is_valve_id(text.value()),
            (Allowed::OneOf(words), Value::String(text)) => words.contains(&text.value().as_str()),
            (Allowed::FileNames, Value::Array(names)) => {
                let is_name = |name: &Value| name.as_str().is_some_and(|name| has_length(name, 4096));
                !names.is_empty() && names.iter().all(is_name)
            }
            _ => false,
        }
    }

    /// The unit of a number, else empty.
    pub(crate) fn unit(self) -> &'static str {
        match self {
            Allowed::Number { unit, .. } => unit,
            _ => "",
        }
    }
}

/// Whether a text is a valve's id: 1 to 32 of a-z 0-9 - _.
pub(crate) fn is_valve_id(text: &str) -> bool {
    let is_allowed = |c: char| c.is_ascii_lowercase() || c.is_ascii_digit() || "-_".contains(c);
    (1..=32).contains(&text.len()) && text.chars().all(is_allowed)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn positions_are_taken_out_of_paths() {
        assert_eq!(without_positions("a[12].b[0].c"), "a[].b[].c");
    }
}
