//! Reads the tables of a scenario's text against the table of keys.

use std::path::{Path, PathBuf};

use jiff::Timestamp;
use toml_edit::{Document, Item, TableLike, Value};

use crate::keys::{Allowed, KEYS, Key, Preset};

/// Why a scenario was refused.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
#[allow(missing_docs)] // the fields are what the message says
pub enum ScenarioError {
    #[error("{}:{line}: not TOML: {message}; correct the line", .file.display())]
    Syntax { file: PathBuf, line: usize, message: String },
    #[error("{}:{line}: `{key}` is unknown (known here: {known}); correct or remove it", .file.display())]
    UnknownKey { file: PathBuf, line: usize, key: String, known: String },
    #[error("{}:{line}: `{key}` is missing (allowed: {allowed}); add it", .file.display())]
    Missing { file: PathBuf, line: usize, key: String, allowed: String },
    #[error("{}:{line}: `{key}` = {value} is not allowed (allowed: {allowed}); change it", .file.display())]
    NotAllowed { file: PathBuf, line: usize, key: String, value: String, allowed: String },
    #[error("{}:{line}: `{key}` = {value} does not fit: {rule}; change one of them", .file.display())]
    Contradiction { file: PathBuf, line: usize, key: String, value: String, rule: &'static str },
}

/// Where a value stands, for messages that come later than the reading.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Place {
    pub(crate) file: PathBuf,
    pub(crate) line: usize,
    pub(crate) key: String,
}

impl Place {
    /// The error for a value that stands there and does not fit.
    pub fn contradiction(&self, value: String, rule: &'static str) -> ScenarioError {
        ScenarioError::Contradiction { file: self.file.clone(), line: self.line, key: self.key.clone(), value, rule }
    }
}

/// A moment as a scenario gives it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) enum When {
    AfterHours(f64),
    At(Timestamp),
}

/// Reads the tables of one text.
pub(crate) struct Reader<'a> {
    pub(crate) file: &'a Path,
    text: &'a str,
    document: Document<&'a str>,
}

impl<'a> Reader<'a> {
    pub(crate) fn new(text: &'a str, file: &'a Path) -> Result<Reader<'a>, ScenarioError> {
        let document = Document::parse(text).map_err(|error| ScenarioError::Syntax {
            file: file.to_owned(),
            line: line_at(text, error.span().map_or(0, |span| span.start)),
            message: error.message().replace('\n', ", "),
        })?;
        let reader = Reader { file, text, document };
        reader.refuse_unknown_tables()?;
        Ok(reader)
    }

    /// The one table of a section, empty where the text has none.
    pub(crate) fn table(&self, section: &'static str) -> Result<Section<'_>, ScenarioError> {
        let root = self.document.as_table();
        if section.is_empty() {
            return self.section(section, Some(root as &dyn TableLike), 1, String::new());
        }
        let item = root.get(section);
        let line = item.map_or(1, |item| self.line_of(item.span()));
        let table = item.and_then(Item::as_table_like);
        self.section(section, table, line, format!("{section}."))
    }

    /// The tables of a repeated section such as `fault[]`.
    pub(crate) fn tables(&self, section: &'static str) -> Result<Vec<Section<'_>>, ScenarioError> {
        let name = section.trim_end_matches("[]");
        let tables: Vec<(&dyn TableLike, usize)> = match self.document.get(name) {
            Some(Item::ArrayOfTables(array)) => {
                array.iter().map(|table| (table as &dyn TableLike, self.line_of(table.span()))).collect()
            }
            Some(Item::Value(Value::Array(array))) => array
                .iter()
                .filter_map(Value::as_inline_table)
                .map(|table| (table as &dyn TableLike, self.line_of(table.span())))
                .collect(),
            _ => Vec::new(),
        };
        tables
            .into_iter()
            .enumerate()
            .map(|(i, (table, line))| self.section(section, Some(table), line, format!("{name}[{i}].")))
            .collect()
    }

    fn section<'s>(
        &'s self,
        section: &'static str,
        table: Option<&'s dyn TableLike>,
        line: usize,
        prefix: String,
    ) -> Result<Section<'s>, ScenarioError> {
        let section = Section { reader: self, section, table, line, prefix };
        section.refuse_unknown_keys()?;
        Ok(section)
    }

    fn refuse_unknown_tables(&self) -> Result<(), ScenarioError> {
        for (name, item) in self.document.iter() {
            let is_repeated = match item {
                Item::ArrayOfTables(_) => true,
                Item::Value(Value::Array(array)) if array.iter().any(Value::is_inline_table) => true,
                _ if item.is_table_like() => false,
                _ => continue,
            };
            let section = if is_repeated { format!("{name}[]") } else { name.to_owned() };
            if !KEYS.iter().any(|key| key.section == section) {
                return Err(self.unknown(name, self.line_of(item.span()), known_tables()));
            }
        }
        Ok(())
    }

    fn unknown(&self, key: &str, line: usize, known: String) -> ScenarioError {
        ScenarioError::UnknownKey { file: self.file.to_owned(), line, key: key.to_owned(), known }
    }

    fn line_of(&self, span: Option<std::ops::Range<usize>>) -> usize {
        line_at(self.text, span.map_or(0, |span| span.start))
    }
}

fn known_tables() -> String {
    let mut names: Vec<String> = Vec::new();
    for key in KEYS.iter().filter(|key| !key.section.is_empty()) {
        let name = match key.section.strip_suffix("[]") {
            Some(name) => format!("[[{name}]]"),
            None => format!("[{}]", key.section),
        };
        if !names.contains(&name) {
            names.push(name);
        }
    }
    names.join(", ")
}

fn line_at(text: &str, offset: usize) -> usize {
    let before = text.as_bytes().get(..offset).unwrap_or(text.as_bytes());
    1 + before.iter().filter(|byte| **byte == b'\n').count()
}

/// One table of the text; hands out its values, each checked against its row of the table of keys.
pub(crate) struct Section<'a> {
    reader: &'a Reader<'a>,
    section: &'static str,
    table: Option<&'a dyn TableLike>,
    line: usize,
    prefix: String,
}

impl<'a> Section<'a> {
    fn rows(&self) -> impl Iterator<Item = &'static Key> + use<> {
        let section = self.section;
        KEYS.iter().filter(move |key| key.section == section)
    }

    fn refuse_unknown_keys(&self) -> Result<(), ScenarioError> {
        let Some(table) = self.table else {
            return Ok(());
        };
        for (name, item) in table.iter() {
            let is_table = self.section.is_empty()
                && (item.is_table_like()
                    || item.is_array_of_tables()
                    || known_tables().contains(&format!("[[{name}]]")));
            if !is_table && !self.rows().any(|key| key.name == name) {
                let span = table.get_key_value(name).and_then(|(key, _)| key.span());
                let line = self.reader.line_of(span.or_else(|| item.span()));
                let known: Vec<&str> = self.rows().map(|key| key.name).collect();
                let key = format!("{}{name}", self.prefix);
                return Err(self.reader.unknown(&key, line, known.join(", ")));
            }
        }
        Ok(())
    }

    fn row(&self, name: &str) -> Option<&'static Key> {
        self.rows().find(|key| key.name == name)
    }

    fn value(&self, name: &str) -> Option<&'a Value> {
        self.table?.get(name)?.as_value()
    }

    /// Where a key stands, or its table where it is not given.
    pub(crate) fn place(&self, name: &str) -> Place {
        let span = self.value(name).and_then(Value::span);
        Place {
            file: self.reader.file.to_owned(),
            line: span.map_or(self.line, |span| self.reader.line_of(Some(span))),
            key: format!("{}{name}", self.prefix),
        }
    }

    fn refused(&self, name: &str, value: &Value) -> ScenarioError {
        let place = self.place(name);
        let allowed = self.row(name).map(|row| row.allowed.to_string());
        ScenarioError::NotAllowed {
            file: place.file,
            line: place.line,
            key: place.key,
            value: value.to_string().trim().to_owned(),
            allowed: allowed.unwrap_or_default(),
        }
    }

    /// A value that was given, as `read` takes it; `None` where it is not.
    fn given<T>(&self, name: &str, read: impl Fn(&'a Value, Allowed) -> Option<T>) -> Result<Option<T>, ScenarioError> {
        let Some(item) = self.table.and_then(|table| table.get(name)) else {
            return match self.row(name).map(|row| (row.preset, row.allowed)) {
                Some((Preset::Required, allowed)) => {
                    let place = self.place(name);
                    Err(ScenarioError::Missing {
                        file: place.file,
                        line: place.line,
                        key: place.key,
                        allowed: allowed.to_string(),
                    })
                }
                _ => Ok(None),
            };
        };
        let allowed = self.row(name).map_or(Allowed::Text, |row| row.allowed);
        match item.as_value() {
            Some(value) => match read(value, allowed) {
                Some(read) => Ok(Some(read)),
                None => Err(self.refused(name, value)),
            },
            None => Err(self.refused(name, &Value::from("a table"))),
        }
    }

    /// A number that was given.
    pub(crate) fn number(&self, name: &str) -> Result<Option<f64>, ScenarioError> {
        self.given(name, |value, allowed| {
            let number = number_of(value)?;
            match allowed {
                Allowed::Number { least, most, .. } => (least..=most).contains(&number).then_some(number),
                _ => None,
            }
        })
    }

    /// A number, or the default of its row.
    pub(crate) fn number_or_preset(&self, name: &str) -> Result<f64, ScenarioError> {
        let preset = match self.row(name).map(|row| row.preset) {
            Some(Preset::Number(preset)) => preset,
            _ => f64::NAN,
        };
        Ok(self.number(name)?.unwrap_or(preset))
    }

    pub(crate) fn whole(&self, name: &str) -> Result<Option<u64>, ScenarioError> {
        self.given(name, |value, _| value.as_integer().and_then(|n| u64::try_from(n).ok()))
    }

    pub(crate) fn flag(&self, name: &str) -> Result<bool, ScenarioError> {
        let preset = matches!(self.row(name).map(|row| row.preset), Some(Preset::Word("true")));
        Ok(self.given(name, |value, _| value.as_bool())?.unwrap_or(preset))
    }

    pub(crate) fn text(&self, name: &str) -> Result<Option<&'a str>, ScenarioError> {
        self.given(name, |value, _| value.as_str())
    }

    /// One of the words of a key's row, its default, or empty where it has none.
    pub(crate) fn word(&self, name: &str) -> Result<&'static str, ScenarioError> {
        let given = self.given(name, |value, allowed| match allowed {
            Allowed::OneOf(words) => known_word(words, value),
            _ => None,
        })?;
        Ok(given.unwrap_or(match self.row(name).map(|row| row.preset) {
            Some(Preset::Word(word)) => word,
            _ => "",
        }))
    }

    /// The words of a list; `None` where it is not given.
    pub(crate) fn words(&self, name: &str) -> Result<Option<Vec<&'static str>>, ScenarioError> {
        self.given(name, |value, allowed| match allowed {
            Allowed::AnyOf(words) => value.as_array()?.iter().map(|value| known_word(words, value)).collect(),
            _ => None,
        })
    }

    pub(crate) fn time(&self, name: &str) -> Result<Option<Timestamp>, ScenarioError> {
        self.given(name, |value, _| time_of(value))
    }

    pub(crate) fn when(&self, name: &str) -> Result<Option<When>, ScenarioError> {
        self.given(name, |value, _| match number_of(value) {
            Some(hours) => (0.0..=1e6).contains(&hours).then_some(When::AfterHours(hours)),
            None => time_of(value).map(When::At),
        })
    }
}

fn known_word(words: &'static [&'static str], value: &Value) -> Option<&'static str> {
    let word = value.as_str()?;
    words.iter().copied().find(|known| *known == word)
}

fn number_of(value: &Value) -> Option<f64> {
    value.as_float().or_else(|| value.as_integer().map(|n| n as f64))
}

fn time_of(value: &Value) -> Option<Timestamp> {
    match value {
        Value::String(text) => text.value().parse().ok(),
        Value::Datetime(time) => time.value().to_string().parse().ok(),
        _ => None,
    }
}
