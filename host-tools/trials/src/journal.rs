//! Outcomes on disk, one line a case, only ever appended: an evaluation that was stopped goes on where it was.

use std::{
    collections::hash_map::DefaultHasher,
    fs::{File, OpenOptions},
    hash::Hasher,
    io::{self, BufRead, BufReader, Seek, SeekFrom, Write},
    path::{Path, PathBuf},
    sync::Mutex,
};

use serde::{Deserialize, Serialize};

use crate::play::Outcome;

/// What the outcomes were made with; a journal is gone on with only by the same.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
struct Header {
    program: String,
    settings_digest: String,
}

/// Why a journal cannot be used.
#[derive(Debug, thiserror::Error)]
#[allow(missing_docs)] // the fields are what the message says
pub enum JournalError {
    #[error("{}: cannot be used: {source}; check the name and the permissions", .file.display())]
    Io { file: PathBuf, source: io::Error },
    #[error("{}: line {line} is no outcome of an evaluation; name another file", .file.display())]
    NotAnOutcome { file: PathBuf, line: usize },
    #[error(
        "{}: begun by another build of the program or on other settings (program {program}, settings {settings_digest}); name another file",
        .file.display()
    )]
    MadeOtherwise { file: PathBuf, program: String, settings_digest: String },
}

/// An open journal.
pub struct Journal {
    file: PathBuf,
    out: Mutex<File>,
    outcomes: Vec<Outcome>,
}

impl Journal {
    /// Opens or begins a journal; a last line that was cut off is dropped.
    ///
    /// # Errors
    /// [`JournalError`] when the file is something else or was made otherwise.
    pub fn open(file: &Path, settings_digest: u32) -> Result<Journal, JournalError> {
        let io_error = |source| JournalError::Io { file: file.to_owned(), source };
        let wanted = Header { program: build_digest(), settings_digest: format!("{settings_digest:08x}") };
        let opened = OpenOptions::new().read(true).append(true).create(true).open(file);
        let mut out = opened.map_err(io_error)?;
        let (outcomes, whole_bytes) = read(file, &out, &wanted)?;
        out.set_len(whole_bytes).map_err(io_error)?;
        out.seek(SeekFrom::End(0)).map_err(io_error)?;
        if whole_bytes == 0 {
            write_line(&mut out, &wanted).map_err(io_error)?;
        }
        Ok(Journal { file: file.to_owned(), out: Mutex::new(out), outcomes })
    }

    /// Outcomes that were there already.
    pub fn outcomes(&self) -> &[Outcome] {
        &self.outcomes
    }

    /// Appends one outcome.
    ///
    /// # Errors
    /// [`JournalError::Io`] when it cannot be written.
    pub fn append(&self, outcome: &Outcome) -> Result<(), JournalError> {
        let io_error = |source| JournalError::Io { file: self.file.clone(), source };
        let mut out = self.out.lock().unwrap_or_else(std::sync::PoisonError::into_inner);
        write_line(&mut out, outcome).map_err(io_error)
    }
}

/// Of the running program's file: another build may judge otherwise, whatever its version says.
pub fn build_digest() -> String {
    let bytes = std::env::current_exe().and_then(std::fs::read);
    let mut hasher = DefaultHasher::new();
    // A program that cannot read itself is known by its version.
    hasher.write(bytes.as_deref().unwrap_or(env!("CARGO_PKG_VERSION").as_bytes()));
    format!("{:016x}", hasher.finish())
}

/// One write a line: what a stop cuts off is a line without its end.
fn write_line(out: &mut File, what: &impl Serialize) -> io::Result<()> {
    let mut line = serde_json::to_vec(what)?;
    line.push(b'\n');
    out.write_all(&line)
}

/// The outcomes of a journal, and the length of its whole lines, bytes.
fn read(file: &Path, from: &File, wanted: &Header) -> Result<(Vec<Outcome>, u64), JournalError> {
    let io_error = |source| JournalError::Io { file: file.to_owned(), source };
    let mut reader = BufReader::new(from);
    let (mut outcomes, mut whole_bytes, mut text) = (Vec::new(), 0, String::new());
    for line in 1.. {
        text.clear();
        reader.read_line(&mut text).map_err(io_error)?;
        if !text.ends_with('\n') {
            break;
        }
        let not_an_outcome = |_| JournalError::NotAnOutcome { file: file.to_owned(), line };
        if line == 1 {
            let found: Header = serde_json::from_str(&text).map_err(not_an_outcome)?;
            if found != *wanted {
                return Err(JournalError::MadeOtherwise {
                    file: file.to_owned(),
                    program: found.program,
                    settings_digest: found.settings_digest,
                });
            }
        } else {
            outcomes.push(serde_json::from_str(&text).map_err(not_an_outcome)?);
        }
        whole_bytes += text.len() as u64;
    }
    Ok((outcomes, whole_bytes))
}
