//! Reading CSV files: a fast path for plain rows, a patient one for the others, blocks of quantities out.

use std::{
    fs::File,
    io::Read,
    path::{Path, PathBuf},
};

use airvalve_sensors::Channel;
use airvalve_site::Site;
use serde::Serialize;

use super::{
    CsvError, RowCounts, Tally,
    believed::believed,
    layout::{CsvOptions, Layout, Role},
    lines::Lines,
    row::{Row, RowReader},
};
use crate::{
    admission::Admission,
    block::{BlockBuffer, QuantityBlock},
    input::{FileKind, Input},
};

/// Rows in a block, up to the few that a clock step adds.
const BLOCK_ROWS: usize = 4096;

/// What was met in a CSV file so far.
#[derive(Clone, Debug, Default, PartialEq, Serialize)]
pub struct CsvReport {
    /// Rows, by what became of them.
    pub rows: RowCounts,
    /// Cells that could not be read, or hold what no transmitter of the site can say, by column: missing samples.
    pub bad_cells: Vec<(&'static str, Tally)>,
    /// The first such cell of each column, as it stands.
    pub first_bad_cells: Vec<(&'static str, String)>,
    /// Rows with more cells than the header has columns: their samples are missing.
    pub long_rows: Tally,
    /// Rows with fewer cells than the header has columns: the samples of the others are missing.
    pub short_rows: Tally,
    /// Columns that are not known, and left out.
    pub unused_columns: Vec<String>,
    /// The first time that could not be read, as it stands.
    pub first_unreadable_time: Option<String>,
}

/// A CSV file that is being read.
///
/// # Example
/// ```no_run
/// use airvalve_recording::csv::{CsvOptions, CsvReader};
/// let mut csv = CsvReader::open("night.csv", CsvOptions::default())?;
/// while let Some(block) = csv.next_block()? {
///     println!("{} samples", block.len());
/// }
/// println!("{} rows rejected", csv.report().rows.rejected());
/// # Ok::<(), airvalve_recording::csv::CsvError>(())
/// ```
pub struct CsvReader<R = File> {
    lines: Lines<R>,
    rows: RowReader,
    admission: Admission<Row>,
    block: BlockBuffer<f32>,
}

impl CsvReader<File> {
    /// Opens a CSV file; `-` is standard input.
    ///
    /// # Errors
    /// [`CsvError`] when it cannot be read, is no CSV file, or lacks columns.
    pub fn open(file: impl AsRef<Path>, options: CsvOptions) -> Result<CsvReader, CsvError> {
        CsvReader::from_input(Input::open(file)?, options)
    }

    /// A CSV file that has been opened and recognised.
    ///
    /// # Errors
    /// As [`CsvReader::open`].
    pub fn from_input(input: Input, options: CsvOptions) -> Result<CsvReader, CsvError> {
        if input.kind != FileKind::Csv {
            return Err(CsvError::NotCsv { file: input.file });
        }
        let (content, file) = input.begin()?;
        CsvReader::new(content, file, options)
    }
}

impl<R: Read> CsvReader<R> {
    /// Reads rows from a source; `file` names it in messages.
    ///
    /// # Errors
    /// As [`CsvReader::open`].
    pub fn new(source: R, file: impl Into<PathBuf>, options: CsvOptions) -> Result<CsvReader<R>, CsvError> {
        let mut lines = Lines::new(source, file.into());
        let (header, number) = loop {
            if !lines.fill()? {
                break (Vec::new(), lines.number);
            }
            let line = lines.take_line().trim_ascii();
            if !line.is_empty() {
                break (line.to_vec(), lines.number);
            }
        };
        if header.contains(&b'\r') {
            return Err(CsvError::LineEnds { file: lines.file });
        }
        let layout = Layout::read(&header, &options, &lines.file, number)?;
        Ok(CsvReader {
            lines,
            rows: RowReader::new(layout, options),
            admission: Admission::default(),
            block: BlockBuffer::empty(BLOCK_ROWS + 16),
        })
    }

    /// Takes for missing what no transmitter of a site can say.
    #[must_use]
    pub fn for_site(mut self, site: &Site) -> CsvReader<R> {
        self.rows.believed = believed(site);
        self
    }

    /// The channels that the file has columns for.
    pub fn channels(&self) -> Vec<Channel> {
        let channel = |role: &Role| match role {
            Role::Channel(channel) => Some(*channel),
            _ => None,
        };
        self.rows.layout.roles.iter().filter_map(channel).collect()
    }

    /// What was met so far; whole once the last block is out.
    pub fn report(&self) -> CsvReport {
        CsvReport {
            rows: self.admission.counts(),
            bad_cells: self.rows.bad_cells(),
            first_bad_cells: self.rows.first_bad_cells(),
            long_rows: self.rows.long_rows,
            short_rows: self.rows.short_rows,
            unused_columns: self.rows.layout.unused.clone(),
            first_unreadable_time: self.rows.first_unreadable.clone(),
        }
    }

    /// The next samples that are used, in the order of the file; `None` at the end.
    ///
    /// # Errors
    /// [`CsvError`] when the source fails, or the first times or rows show that the file is of another shape.
    pub fn next_block(&mut self) -> Result<Option<QuantityBlock<'_>>, CsvError> {
        self.block.clear();
        let mut is_at_end = false;
        while self.block.len() < BLOCK_ROWS && !is_at_end {
            is_at_end = !self.lines.fill()?;
            self.take_rows()?;
        }
        if is_at_end {
            self.admission.settle();
            self.fill_block();
        }
        Ok((self.block.len() > 0).then(|| self.block.block(0..self.block.len())))
    }

    /// Reads rows from the lines at hand until the block is full.
    fn take_rows(&mut self) -> Result<(), CsvError> {
        while self.block.len() < BLOCK_ROWS {
            let ahead = self.lines.ahead();
            if ahead.is_empty() {
                return Ok(());
            }
            let row = match self.rows.plain_row(ahead) {
                Some((row, len)) => {
                    self.lines.skip_line(len);
                    row
                }
                None => {
                    let line = self.lines.take_line().trim_ascii().to_vec();
                    if line.is_empty() {
                        continue;
                    }
                    let (number, is_first) = (self.lines.number, self.admission.counts().read == 0);
                    self.rows.any_row(&line, number, is_first, &self.lines.file)?
                }
            };
            self.admission.take(row.time_us, self.lines.number, row);
            self.fill_block();
        }
        Ok(())
    }

    /// Moves the rows that are used for sure into the block.
    #[inline]
    fn fill_block(&mut self) {
        while let Some(row) = self.admission.next_used() {
            self.block.push(row.time_us.unwrap_or_default(), &row.values, row.contacts.0);
        }
    }
}
