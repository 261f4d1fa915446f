//! Which column of a file is what.

use std::path::Path;

use airvalve_sensors::{Channel, Contact};
use jiff::tz::TimeZone;
use memchr::memchr;

use super::{CONTACTS, CsvError, REQUIRED, TIME_COLUMN, column_names, contact_column};

/// What a user says about a CSV file.
#[derive(Clone, Debug, Default)]
pub struct CsvOptions {
    /// Other names of the columns.
    pub columns: ColumnMap,
    /// Zone of local times without offset.
    pub time_zone: Option<TimeZone>,
    /// Takes columns separated by semicolons, and decimals with a comma.
    pub decimal_comma: bool,
}

/// A zone by its name in the tz database.
///
/// # Errors
/// [`CsvError::UnknownTimeZone`].
pub fn time_zone(name: &str) -> Result<TimeZone, CsvError> {
    TimeZone::get(name).map_err(|source| CsvError::UnknownTimeZone { name: name.to_owned(), source })
}

/// The names that a file has for our columns.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct ColumnMap(Vec<(&'static str, String)>);

impl ColumnMap {
    /// Reads `time=Zeit,float_pct=Lage`.
    ///
    /// # Errors
    /// [`CsvError::MapSyntax`] or [`CsvError::MapName`].
    pub fn parse(text: &str) -> Result<ColumnMap, CsvError> {
        let mut map = Vec::new();
        for part in text.split(',').filter(|part| !part.trim().is_empty()) {
            let syntax = || CsvError::MapSyntax { part: part.trim().to_owned() };
            let (name, column) = part.split_once('=').ok_or_else(syntax)?;
            let (name, column) = (name.trim(), column.trim());
            if column.is_empty() {
                return Err(syntax());
            }
            let known = column_names().into_iter().find(|known| *known == name);
            let known = known.ok_or_else(|| CsvError::MapName { name: name.to_owned() })?;
            map.push((known, column.to_owned()));
        }
        Ok(ColumnMap(map))
    }

    /// The name that the file has for one of our columns.
    fn name_in_file<'a>(&'a self, ours: &'a str) -> &'a str {
        self.0.iter().find(|(name, _)| *name == ours).map_or(ours, |(_, column)| column)
    }
}

/// What a column holds.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Role {
    Time,
    Channel(Channel),
    Contact(Contact),
    Unused,
}

/// The columns of a file.
#[derive(Clone, Debug)]
pub(super) struct Layout {
    pub(super) delimiter: u8,
    pub(super) roles: Vec<Role>,
    /// Names of the columns that are left out.
    pub(super) unused: Vec<String>,
}

impl Layout {
    /// Reads a header line; `line` is its number.
    pub(super) fn read(header: &[u8], options: &CsvOptions, file: &Path, line: u64) -> Result<Layout, CsvError> {
        let delimiter = delimiter(header, options, file, line)?;
        let names = cells(header, delimiter);
        let mut roles = Vec::new();
        let mut unused = Vec::new();
        for name in &names {
            let role = role_of(name.trim(), &options.columns);
            if role != Role::Unused && roles.contains(&role) {
                let column = name.trim().to_owned();
                return Err(CsvError::RepeatedColumn { file: file.to_owned(), line, column });
            }
            if role == Role::Unused {
                unused.push(name.trim().to_owned());
            }
            roles.push(role);
        }
        let missing = missing(&roles, &options.columns);
        if missing.is_empty() {
            return Ok(Layout { delimiter, roles, unused });
        }
        let found = names.iter().map(|name| name.trim().to_owned()).collect();
        Err(CsvError::MissingColumns { file: file.to_owned(), line, missing, found })
    }
}

fn delimiter(header: &[u8], options: &CsvOptions, file: &Path, line: u64) -> Result<u8, CsvError> {
    let has = |separator| memchr(separator, header).is_some();
    let refuse = |separator, advice| Err(CsvError::Separator { file: file.to_owned(), line, separator, advice });
    match (has(b','), has(b';'), has(b'\t')) {
        (_, true, _) if options.decimal_comma => Ok(b';'),
        (true, ..) => Ok(b','),
        (false, true, _) => refuse("semicolons", "save it so, or allow it with --decimal-comma"),
        (false, false, true) => refuse("tabs", "save it so"),
        // A single column: what is missing will be said.
        (false, false, false) => Ok(b','),
    }
}

fn role_of(name: &str, map: &ColumnMap) -> Role {
    let is = |ours: &str| map.name_in_file(ours) == name;
    let channel = Channel::ALL.into_iter().find(|channel| is(channel.column()));
    let contact = CONTACTS.into_iter().find(|contact| is(contact_column(*contact)));
    match (channel, contact) {
        _ if is(TIME_COLUMN) => Role::Time,
        (Some(channel), _) => Role::Channel(channel),
        (None, Some(contact)) => Role::Contact(contact),
        (None, None) => Role::Unused,
    }
}

/// The columns that must be there and are not: the required ones, and those that the user's map names.
fn missing(roles: &[Role], map: &ColumnMap) -> Vec<String> {
    let required = REQUIRED.map(Channel::column).into_iter();
    let wanted = [TIME_COLUMN].into_iter().chain(required).chain(map.0.iter().map(|(name, _)| *name));
    let mut missing: Vec<String> = Vec::new();
    for ours in wanted {
        let column = map.name_in_file(ours);
        let is_there = roles.contains(&role_of(column, map));
        if !is_there && !missing.iter().any(|name| name == column) {
            missing.push(column.to_owned());
        }
    }
    missing
}

/// The cells of a line, quotes taken off.
pub(super) fn cells(line: &[u8], delimiter: u8) -> Vec<String> {
    let text = |cell: &[u8]| String::from_utf8_lossy(cell).into_owned();
    if memchr(b'"', line).is_none() {
        return line.split(|byte| *byte == delimiter).map(text).collect();
    }
    let mut reader = ::csv::ReaderBuilder::new()
        .has_headers(false)
        .flexible(true)
        .delimiter(delimiter)
        .buffer_capacity(line.len().max(64))
        .from_reader(line);
    let mut record = ::csv::ByteRecord::new();
    match reader.read_byte_record(&mut record) {
        Ok(true) => record.iter().map(text).collect(),
        _ => Vec::new(),
    }
}
