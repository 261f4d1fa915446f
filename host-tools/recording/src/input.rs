//! Opening a file and telling by its content what it is.

use std::{
    fs::File,
    io::{self, Read, Seek, SeekFrom},
    path::{Path, PathBuf},
};

use airvalve_telemetry::{Event, frames};
use memchr::memchr;

/// How much of a file is looked at to tell what it is, bytes: many frames, even behind a damaged stretch.
const PROBE_LEN: u64 = 1 << 18;

/// What a file is, by its content.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum FileKind {
    /// Frames of telemetry.
    Recording,
    /// Text in columns.
    Csv,
}

/// Why a file cannot be used.
#[derive(Debug, thiserror::Error)]
#[allow(missing_docs)] // the fields are what the message says
pub enum InputError {
    #[error("{}: cannot be read: {source}; check the name and the permissions", .file.display())]
    Unreadable { file: PathBuf, source: io::Error },
    #[error("{}: the file is empty (0 bytes); name a recording or a CSV file", .file.display())]
    Empty { file: PathBuf },
    #[error("{}: looks like UTF-16 text (allowed: UTF-8); save it as UTF-8", .file.display())]
    Utf16 { file: PathBuf },
    #[error(
        "{}: neither a recording nor a CSV file (begins with {begins}); name a recording or a CSV file with a header line",
        .file.display()
    )]
    Unknown { file: PathBuf, begins: String },
}

/// An open file of a known kind.
#[derive(Debug)]
pub struct Input {
    /// Name, for messages.
    pub file: PathBuf,
    /// What it is.
    pub kind: FileKind,
    content: File,
}

impl Input {
    /// Opens a file, or standard input for `-` (which is first copied to a temporary file), and tells what it is.
    ///
    /// # Errors
    /// [`InputError`] when it cannot be read, is empty or is of no known kind.
    pub fn open(file: impl AsRef<Path>) -> Result<Input, InputError> {
        let file = file.as_ref().to_owned();
        let unreadable = |source| InputError::Unreadable { file: file.clone(), source };
        let mut content = open_content(&file).map_err(unreadable)?;
        let mut probe = Vec::new();
        content.by_ref().take(PROBE_LEN).read_to_end(&mut probe).map_err(unreadable)?;
        if probe.is_empty() {
            return Err(InputError::Empty { file });
        }
        match kind_of(&probe) {
            Some(kind) => Ok(Input { file, kind, content }),
            None if probe.starts_with(&[0xff, 0xfe]) || probe.starts_with(&[0xfe, 0xff]) => {
                Err(InputError::Utf16 { file })
            }
            None => Err(InputError::Unknown { begins: beginning(&probe), file }),
        }
    }
}

impl Input {
    /// The same file for one more pass, to be begun when the pass before is done.
    ///
    /// # Errors
    /// [`InputError::Unreadable`] when the system refuses another handle.
    pub fn another_pass(&self) -> Result<Input, InputError> {
        let content = self.content.try_clone().map_err(|source| self.unreadable(source))?;
        Ok(Input { file: self.file.clone(), kind: self.kind, content })
    }

    /// Begins a pass: the content, at its beginning.
    pub(crate) fn begin(mut self) -> Result<(File, PathBuf), InputError> {
        let start = self.content.seek(SeekFrom::Start(0));
        start.map_err(|source| self.unreadable(source))?;
        Ok((self.content, self.file))
    }

    /// Size of the content, bytes.
    ///
    /// # Errors
    /// [`InputError::Unreadable`] when the system does not say.
    pub fn size_bytes(&self) -> Result<u64, InputError> {
        Ok(self.content.metadata().map_err(|source| self.unreadable(source))?.len())
    }

    fn unreadable(&self, source: io::Error) -> InputError {
        InputError::Unreadable { file: self.file.clone(), source }
    }
}

/// A file, or what standard input holds; a second pass needs to go back, so a pipe is copied to a temporary file.
fn open_content(file: &Path) -> io::Result<File> {
    let mut spool = if file == Path::new("-") {
        let mut spool = tempfile::tempfile()?;
        io::copy(&mut io::stdin().lock(), &mut spool)?;
        spool
    } else {
        let content = File::open(file)?;
        let meta = content.metadata()?;
        if meta.is_file() {
            return Ok(content);
        }
        if meta.is_dir() {
            return Err(io::ErrorKind::IsADirectory.into());
        }
        let mut spool = tempfile::tempfile()?;
        io::copy(&mut { content }, &mut spool)?;
        spool
    };
    spool.seek(SeekFrom::Start(0))?;
    Ok(spool)
}

/// What these first bytes of a file say it is; `None` when they fit nothing.
fn kind_of(probe: &[u8]) -> Option<FileKind> {
    let mut events = frames(probe);
    while let Some(event) = events.next() {
        if matches!(event, Event::Frame(_)) {
            return Some(FileKind::Recording);
        }
    }
    let text = probe.strip_prefix(b"\xef\xbb\xbf").unwrap_or(probe);
    let first = text.split(|byte| *byte == b'\n').find(|line| !line.trim_ascii().is_empty())?;
    // Other encodings than UTF-8 are met in the names of columns that are left out anyway.
    let is_text = memchr(0, text).is_none() && !first.iter().any(|byte| matches!(byte, 1..=8 | 14..=31));
    let has_columns = first.iter().any(|byte| matches!(byte, b',' | b';' | b'\t'));
    (is_text && has_columns).then_some(FileKind::Csv)
}

/// The first characters of a file, printable.
fn beginning(probe: &[u8]) -> String {
    let start = probe.get(..16).unwrap_or(probe);
    format!("\"{}\"", start.escape_ascii())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn text_without_columns_is_no_csv() {
        assert_eq!(kind_of(b"[site]\nname = \"x\"\n"), None);
        assert_eq!(kind_of(b"\x7fELF\0\0\0\0,"), None);
        assert_eq!(kind_of(b""), None);
    }

    #[test]
    fn a_header_line_makes_a_csv() {
        assert_eq!(kind_of(b"\xef\xbb\xbf\r\ntime,float_pct\r\n"), Some(FileKind::Csv));
        assert_eq!(kind_of(b"time;float_pct\n"), Some(FileKind::Csv));
    }
}
