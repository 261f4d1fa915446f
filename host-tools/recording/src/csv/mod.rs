//! CSV files: quantities in named columns, one sample a row.

mod advice;
mod believed;
mod layout;
mod lines;
mod number;
mod reader;
mod row;
mod time;
mod writer;

use std::{io, path::PathBuf};

use airvalve_sensors::{Channel, Contact};

pub use layout::{ColumnMap, CsvOptions, time_zone};
pub use reader::{CsvReader, CsvReport};
pub use writer::CsvWriter;

pub use crate::gate::{RowCounts, Tally};
use crate::input::InputError;

/// Why a CSV file cannot be read, or not further.
#[derive(Debug, thiserror::Error)]
#[allow(missing_docs)] // the fields are what the message says
pub enum CsvError {
    #[error(transparent)]
    Input(#[from] InputError),
    #[error("{}: a recording, not a CSV file; export it first", .file.display())]
    NotCsv { file: PathBuf },
    #[error("{}: reading failed after line {line}: {source}; check the disk", .file.display())]
    Reading { file: PathBuf, line: u64, source: io::Error },
    #[error(
        "{}:{line}: no column {} (found: {}); name the file's columns, as --columns time=Zeit,float_pct=Lage",
        .file.display(), .missing.join(", "), .found.join(", ")
    )]
    MissingColumns { file: PathBuf, line: u64, missing: Vec<String>, found: Vec<String> },
    #[error("{}: lines end with a carriage return alone; save it with line feeds", .file.display())]
    LineEnds { file: PathBuf },
    #[error("{}:{line}: column `{column}` stands twice; remove one", .file.display())]
    RepeatedColumn { file: PathBuf, line: u64, column: String },
    #[error(
        "{}:{line}: columns are separated by {separator} (allowed: comma, decimals with a point); {advice}",
        .file.display()
    )]
    Separator { file: PathBuf, line: u64, separator: &'static str, advice: &'static str },
    #[error(
        "{}:{line}: {found} cells under {columns} columns (decimal commas in a file separated by commas?); write decimals with a point",
        .file.display()
    )]
    DecimalComma { file: PathBuf, line: u64, found: usize, columns: usize },
    #[error(
        "{}:{line}: time `{cell}` has no offset; give the clock's zone, as --time-zone CET",
        .file.display()
    )]
    NoTimeZone { file: PathBuf, line: u64, cell: String },
    #[error("time zone `{name}`: not known ({source}); use a name of the tz database, as CET")]
    UnknownTimeZone { name: String, source: jiff::Error },
    #[error("column map `{part}`: not NAME=COLUMN; write it as time=Zeit,float_pct=Lage")]
    MapSyntax { part: String },
    #[error("column map: `{name}` is no column of ours (allowed: {}); correct it", column_names().join(", "))]
    MapName { name: String },
}

/// Column of the time.
pub const TIME_COLUMN: &str = "time";

/// The contacts, in the order of their columns.
pub const CONTACTS: [Contact; 3] = [Contact::PumpRunning, Contact::CoverOpen, Contact::VaultWater];

/// The columns that every file must have.
pub const REQUIRED: [Channel; 3] = [Channel::FloatPosition, Channel::ChamberPressure, Channel::Odour];

/// Column of a contact.
pub const fn contact_column(contact: Contact) -> &'static str {
    match contact {
        Contact::PumpRunning => "pump_on",
        Contact::CoverOpen => "cover_open",
        Contact::VaultWater => "vault_water",
    }
}

/// All columns that are known.
fn column_names() -> Vec<&'static str> {
    let channels = Channel::ALL.into_iter().map(Channel::column);
    let contacts = CONTACTS.into_iter().map(contact_column);
    [TIME_COLUMN].into_iter().chain(channels).chain(contacts).collect()
}
