//! From a line to a row: a fast path for plain spellings, a patient one for the others.

use std::path::Path;

use airvalve_sensors::{CHANNELS, Channel, Contacts};

use super::{
    CsvError, Tally,
    believed::{Believed, EVERYTHING},
    layout::{CsvOptions, Layout, Role, cells},
    number::{any_number, plain_decimal},
    time::{LocalClock, Moment, TimeParser, any_time, unix_seconds_us},
};

/// One row, its missing cells NaN or unknown.
#[derive(Clone, Copy, Debug)]
pub(super) struct Row {
    pub(super) time_us: Option<i64>,
    pub(super) values: [f32; CHANNELS],
    pub(super) contacts: Contacts,
}

/// Turns lines into rows.
pub(super) struct RowReader {
    pub(super) layout: Layout,
    has_decimal_comma: bool,
    times: TimeParser,
    clock: Option<LocalClock>,
    pub(super) believed: Believed,
    /// Cells of each column that cannot be read or are not believed, and the first of them as it stands.
    bad: Vec<Tally>,
    first_bad: Vec<String>,
    pub(super) long_rows: Tally,
    pub(super) short_rows: Tally,
    pub(super) first_unreadable: Option<String>,
}

impl RowReader {
    pub(super) fn new(layout: Layout, options: CsvOptions) -> RowReader {
        RowReader {
            believed: EVERYTHING,
            bad: vec![Tally::default(); layout.roles.len()],
            first_bad: vec![String::new(); layout.roles.len()],
            layout,
            has_decimal_comma: options.decimal_comma,
            times: TimeParser::default(),
            clock: options.time_zone.map(LocalClock::new),
            long_rows: Tally::default(),
            short_rows: Tally::default(),
            first_unreadable: None,
        }
    }

    /// Reads a row of the usual spelling at the start of `bytes`; returns it and its length with the line's end.
    #[inline]
    pub(super) fn plain_row(&mut self, bytes: &[u8]) -> Option<(Row, usize)> {
        let mut row = Row { time_us: None, values: [f32::NAN; CHANNELS], contacts: Contacts(0) };
        let mut at = 0;
        let mut local_us = None;
        let delimiter = self.layout.delimiter;
        for (place, role) in self.layout.roles.iter().enumerate() {
            if place > 0 {
                if bytes.get(at) != Some(&delimiter) {
                    return None;
                }
                at += 1;
            }
            let cell = bytes.get(at..)?;
            let first = *cell.first()?;
            let is_empty = first == delimiter || first == b'\n' || first == b'\r';
            match role {
                Role::Time => {
                    let (moment, len) = match self.times.rfc3339(cell) {
                        Some(found) => found,
                        None => plain_unix(cell, delimiter)?,
                    };
                    match moment {
                        Moment::At(time_us) => row.time_us = Some(time_us),
                        Moment::Local(time_us) => local_us = Some(time_us),
                        Moment::Unreadable => return None,
                    }
                    at += len;
                }
                Role::Channel(channel) if !is_empty => {
                    let (value, len) = plain_decimal(cell)?;
                    if !self.believes(*channel, value) {
                        return None;
                    }
                    if let Some(slot) = row.values.get_mut(channel.index()) {
                        *slot = value;
                    }
                    at += len;
                }
                Role::Contact(contact) if !is_empty => {
                    let state = match first {
                        b'0' => false,
                        b'1' => true,
                        _ => return None,
                    };
                    row.contacts = row.contacts.with(*contact, Some(state));
                    at += 1;
                }
                Role::Channel(_) | Role::Contact(_) => {}
                Role::Unused => at += unquoted_len(cell, delimiter)?,
            }
        }
        at += usize::from(bytes.get(at) == Some(&b'\r'));
        if bytes.get(at) != Some(&b'\n') {
            return None;
        }
        if let Some(local_us) = local_us {
            row.time_us = Some(self.clock.as_mut()?.at_us(local_us)?);
        }
        Some((row, at + 1))
    }

    /// Reads a row of any spelling, and counts what is wrong with it.
    pub(super) fn any_row(&mut self, line: &[u8], number: u64, is_first: bool, file: &Path) -> Result<Row, CsvError> {
        let cells = cells(line, self.layout.delimiter);
        let columns = self.layout.roles.len();
        let is_long = cells.len() > columns;
        if is_long && is_first {
            let found = cells.len();
            return Err(CsvError::DecimalComma { file: file.to_owned(), line: number, found, columns });
        }
        if is_long {
            self.long_rows.add(number);
        }
        if cells.len() < columns {
            self.short_rows.add(number);
        }
        let mut row = Row { time_us: None, values: [f32::NAN; CHANNELS], contacts: Contacts(0) };
        for place in 0..columns {
            let cell = cells.get(place).map_or("", |cell| cell.trim());
            let role = self.layout.roles.get(place).copied().unwrap_or(Role::Unused);
            if role == Role::Time {
                row.time_us = self.time_us(cell, number, is_first, file)?;
            } else if !is_long && self.read_cell(role, cell, &mut row).is_none() {
                self.count_bad(place, cell, number);
            }
        }
        Ok(row)
    }

    fn count_bad(&mut self, place: usize, cell: &str, line: u64) {
        let (Some(tally), Some(first)) = (self.bad.get_mut(place), self.first_bad.get_mut(place)) else { return };
        tally.add(line);
        if tally.count == 1 {
            *first = excerpt(cell);
        }
    }

    /// Reads one cell into a row; `None` for a cell that is not good, whose sample is missing then.
    fn read_cell(&self, role: Role, cell: &str, row: &mut Row) -> Option<()> {
        if cell.is_empty() || matches!(role, Role::Time | Role::Unused) {
            return Some(());
        }
        let value = any_number(cell, self.has_decimal_comma)?;
        match role {
            Role::Channel(channel) if self.believes(channel, value) => {
                *row.values.get_mut(channel.index())? = value;
            }
            Role::Contact(contact) if value == 0.0 || value == 1.0 => {
                row.contacts = row.contacts.with(contact, Some(value == 1.0));
            }
            _ => return None,
        }
        Some(())
    }

    fn believes(&self, channel: Channel, value: f32) -> bool {
        let (least, greatest) = self.believed.get(channel);
        (least..=greatest).contains(&value)
    }

    fn time_us(&mut self, cell: &str, line: u64, is_first: bool, file: &Path) -> Result<Option<i64>, CsvError> {
        let time_us = match (any_time(cell), &mut self.clock) {
            (Moment::At(time_us), _) => Some(time_us),
            (Moment::Local(local_us), Some(clock)) => clock.at_us(local_us),
            (Moment::Local(_), None) if is_first => {
                let cell = cell.to_owned();
                return Err(CsvError::NoTimeZone { file: file.to_owned(), line, cell });
            }
            _ => None,
        };
        if time_us.is_none() && self.first_unreadable.is_none() {
            self.first_unreadable = Some(excerpt(cell));
        }
        Ok(time_us)
    }

    /// Cells that are not good, by column.
    pub(super) fn bad_cells(&self) -> Vec<(&'static str, Tally)> {
        let tallies = self.layout.roles.iter().zip(&self.bad);
        let met = tallies.filter(|(_, tally)| tally.count > 0);
        met.filter_map(|(role, tally)| Some((column(*role)?, *tally))).collect()
    }

    /// The first cell of each of those columns, as it stands.
    pub(super) fn first_bad_cells(&self) -> Vec<(&'static str, String)> {
        let columns = self.layout.roles.iter().zip(&self.first_bad).filter(|(_, cell)| !cell.is_empty());
        columns.filter_map(|(role, cell)| Some((column(*role)?, cell.clone()))).collect()
    }
}

/// Our name of a column.
fn column(role: Role) -> Option<&'static str> {
    match role {
        Role::Channel(channel) => Some(channel.column()),
        Role::Contact(contact) => Some(super::contact_column(contact)),
        Role::Time | Role::Unused => None,
    }
}

/// A cell for a message: its beginning.
fn excerpt(cell: &str) -> String {
    cell.chars().take(40).collect()
}

#[inline]
fn plain_unix(cell: &[u8], delimiter: u8) -> Option<(Moment, usize)> {
    let len = unquoted_len(cell, delimiter)?;
    let text = std::str::from_utf8(cell.get(..len)?).ok()?;
    Some((Moment::At(unix_seconds_us(text)?), len))
}

/// Length of a cell without quotes.
#[inline]
fn unquoted_len(cell: &[u8], delimiter: u8) -> Option<usize> {
    let is_end = |byte: &u8| *byte == delimiter || matches!(byte, b'\n' | b'\r' | b'"');
    let len = cell.iter().position(is_end)?;
    (cell.get(len) != Some(&b'"')).then_some(len)
}
