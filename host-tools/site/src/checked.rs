//! The check of a TOML text against a schema.
//!
//! Duty: find every leaf of the text with its line, refuse unknown keys and bad values, hand out the rest.

use std::{collections::BTreeMap, path::Path};

use jiff::Timestamp;
use toml_edit::{Document, Item, TableLike, Value};

use crate::{
    problem::{Fault, FileError, Problem},
    schema::{Key, Preset, Schema, number_of, time_of},
};

#[derive(Clone, Debug)]
struct Leaf {
    line: usize,
    value: Value,
}

/// The checked leaves of a text: every one is known and in its range.
pub(crate) struct Checked {
    schema: Schema,
    leaves: BTreeMap<String, Leaf>,
    /// How often each `[[table]]` stands.
    counts: BTreeMap<String, usize>,
    /// Line of each table's first appearance.
    table_lines: BTreeMap<String, usize>,
    problems: Vec<Problem>,
    /// What is possible, and yet improbable.
    doubts: Vec<Problem>,
}

impl Checked {
    /// Checks a text; what is wrong is kept for [`Checked::finish`].
    pub(crate) fn new(text: &str, schema: Schema) -> Checked {
        let mut checked = Checked {
            schema,
            leaves: BTreeMap::new(),
            counts: BTreeMap::new(),
            table_lines: BTreeMap::new(),
            problems: Vec::new(),
            doubts: Vec::new(),
        };
        match Document::parse(text) {
            Ok(document) => Walk { text }.table(document.as_table(), "", &mut checked),
            Err(error) => {
                let line = line_at(text, error.span().map_or(0, |span| span.start));
                let message = error.message().replace('\n', ", ");
                checked.report(line, Fault::Syntax { message });
            }
        }
        checked
    }

    pub(crate) fn report(&mut self, line: usize, fault: Fault) {
        self.problems.push(Problem { line, fault });
    }

    /// Says that something is improbable: no reason to refuse it.
    pub(crate) fn doubt(&mut self, line: usize, fault: Fault) {
        self.doubts.push(Problem { line, fault });
    }

    /// All doubts in the order of their lines.
    pub(crate) fn take_doubts(&mut self) -> Vec<Problem> {
        let mut doubts = std::mem::take(&mut self.doubts);
        doubts.sort_by_key(|doubt| doubt.line);
        doubts
    }

    /// The row of the schema for a key's path.
    pub(crate) fn row_of(&self, path: &str) -> Option<&'static Key> {
        self.schema.row_of(path)
    }

    /// How often a `[[table]]` stands.
    pub(crate) fn count(&self, path: &str) -> usize {
        self.counts.get(path).copied().unwrap_or_default()
    }

    pub(crate) fn has_syntax_error(&self) -> bool {
        let mut faults = self.problems.iter().map(|problem| &problem.fault);
        faults.any(|fault| matches!(fault, Fault::Syntax { .. }))
    }

    /// Line of a key, or of the nearest table above it, or 1.
    pub(crate) fn line_of(&self, path: &str) -> usize {
        if let Some(leaf) = self.leaves.get(path) {
            return leaf.line;
        }
        let mut table = path;
        loop {
            if let Some(line) = self.table_lines.get(table) {
                return *line;
            }
            match table.rfind('.') {
                Some(dot) => table = table.get(..dot).unwrap_or_default(),
                None => return 1,
            }
        }
    }

    pub(crate) fn is_given(&self, path: &str) -> bool {
        self.leaves.contains_key(path)
    }

    pub(crate) fn given_number(&self, path: &str) -> Option<f64> {
        number_of(&self.leaves.get(path)?.value)
    }

    pub(crate) fn given_text(&self, path: &str) -> Option<String> {
        let value = &self.leaves.get(path)?.value;
        value.as_str().map(str::to_owned)
    }

    pub(crate) fn given_texts(&self, path: &str) -> Option<Vec<String>> {
        let names = self.leaves.get(path)?.value.as_array()?.iter();
        Some(names.filter_map(|value| value.as_str().map(str::to_owned)).collect())
    }

    pub(crate) fn given_time(&self, path: &str) -> Option<Timestamp> {
        time_of(&self.leaves.get(path)?.value)
    }

    /// Says that a key which must be given is not; `example` serves where the schema has none.
    pub(crate) fn report_missing(&mut self, path: &str, example: &'static str) {
        let Some(row) = self.row_of(path) else { return };
        // A value that was refused has been reported already, and broken TOML hides what may well be there.
        let is_refused = |problem: &Problem| matches!(&problem.fault, Fault::NotAllowed { key, .. } if key == path);
        if self.has_syntax_error() || self.problems.iter().any(is_refused) {
            return;
        }
        let fault = Fault::Missing {
            key: path.to_owned(),
            name: path.rsplit('.').next().unwrap_or(path).to_owned(),
            allowed: row.allowed.to_string(),
            example: match row.preset {
                Preset::Required(shown) | Preset::Conditional(shown) => shown,
                _ => example,
            },
        };
        self.report(self.line_of(path), fault);
    }

    /// All problems in the order of their lines, if there are any.
    pub(crate) fn finish(mut self, file: &Path) -> Result<(), FileError> {
        if self.problems.is_empty() {
            return Ok(());
        }
        self.problems.sort_by_key(|problem| problem.line);
        Err(FileError::Refused { file: file.to_owned(), problems: self.problems })
    }
}

struct Walk<'a> {
    text: &'a str,
}

impl Walk<'_> {
    fn table(&self, table: &dyn TableLike, path: &str, into: &mut Checked) {
        for (name, item) in table.iter() {
            let here = if path.is_empty() { name.to_owned() } else { format!("{path}.{name}") };
            let key_span = table.get_key_value(name).and_then(|(key, _)| key.span());
            let span = key_span.or_else(|| item.span());
            let line = line_at(self.text, span.map_or(0, |span| span.start));
            into.table_lines.entry(here.clone()).or_insert(line);
            match item {
                Item::None => {}
                Item::Value(Value::InlineTable(inner)) => self.inner(inner, &here, line, into),
                Item::Table(inner) => self.inner(inner, &here, line, into),
                Item::ArrayOfTables(array) => {
                    let tables = array.iter().map(|table| table as &dyn TableLike);
                    let lines = array.iter().map(|table| self.line_of(table.span(), line));
                    self.repeated(tables.zip(lines), &here, line, into);
                }
                Item::Value(Value::Array(array)) if is_of_tables(array) => {
                    let tables = array.iter().filter_map(Value::as_inline_table);
                    let lined = tables.map(|table| (table as &dyn TableLike, self.line_of(table.span(), line)));
                    self.repeated(lined, &here, line, into);
                }
                Item::Value(value) => self.leaf(value, here, line, into),
            }
        }
    }

    fn inner(&self, table: &dyn TableLike, path: &str, line: usize, into: &mut Checked) {
        if into.schema.has_keys_below(path) {
            self.table(table, path, into);
        } else if into.schema.has_keys_below(&format!("{path}[0]")) {
            let how = "its name in double brackets, as [[…]]";
            let fault = Fault::Count { key: path.to_owned(), found: 1, allowed: "a list of tables", how };
            into.report(line, fault);
        } else {
            unknown(path, line, into);
        }
    }

    fn repeated<'t>(
        &self,
        tables: impl Iterator<Item = (&'t dyn TableLike, usize)>,
        path: &str,
        line: usize,
        into: &mut Checked,
    ) {
        if !into.schema.has_keys_below(&format!("{path}[0]")) {
            return unknown(path, line, into);
        }
        let mut count = 0;
        for (table, line) in tables {
            let here = format!("{path}[{count}]");
            into.table_lines.insert(here.clone(), line);
            self.table(table, &here, into);
            count += 1;
        }
        into.counts.insert(path.to_owned(), count);
    }

    fn leaf(&self, value: &Value, path: String, line: usize, into: &mut Checked) {
        let Some(row) = into.row_of(&path) else {
            return unknown(&path, line, into);
        };
        if row.allowed.accepts(value) {
            into.leaves.insert(path, Leaf { line, value: value.clone() });
        } else {
            let fault = Fault::NotAllowed {
                key: path,
                value: value.to_string().trim().to_owned(),
                allowed: row.allowed.to_string(),
            };
            into.report(line, fault);
        }
    }

    fn line_of(&self, span: Option<std::ops::Range<usize>>, otherwise: usize) -> usize {
        span.map_or(otherwise, |span| line_at(self.text, span.start))
    }
}

fn unknown(path: &str, line: usize, into: &mut Checked) {
    let nearest = into.schema.nearest(path);
    into.report(line, Fault::UnknownKey { key: path.to_owned(), nearest });
}

fn is_of_tables(array: &toml_edit::Array) -> bool {
    !array.is_empty() && array.iter().all(Value::is_inline_table)
}

fn line_at(text: &str, offset: usize) -> usize {
    let before = text.as_bytes().get(..offset).unwrap_or(text.as_bytes());
    1 + before.iter().filter(|byte| **byte == b'\n').count()
}
