//! A file that appears under its name only when it is whole.

use std::{
    ffi::OsString,
    fs::{self, File},
    io::{self, BufWriter, Write},
    path::{Path, PathBuf},
};

/// Why a file could not be written; nothing stands under its final name then.
#[derive(Debug, thiserror::Error)]
#[error("{}: cannot be {what}: {source}; {}", .file.display(), advice(.source))]
pub struct WriteFileError {
    /// The final name.
    pub file: PathBuf,
    /// What was tried.
    pub what: &'static str,
    /// The system's reason.
    pub source: io::Error,
}

fn advice(error: &io::Error) -> &'static str {
    match error.kind() {
        io::ErrorKind::StorageFull | io::ErrorKind::QuotaExceeded => "free some space or write elsewhere",
        io::ErrorKind::PermissionDenied | io::ErrorKind::ReadOnlyFilesystem => "choose a folder that you may write to",
        io::ErrorKind::NotFound => "make the folder first",
        io::ErrorKind::IsADirectory => "name a file, not a folder",
        _ => "check the disk or write elsewhere",
    }
}

/// Writes beside the final name, under `NAME.partial`, and renames when whole; dropped before that, it leaves nothing.
///
/// `-` is standard output; a device or a pipe is written as it stands.
#[derive(Debug)]
pub struct WholeFile {
    file: PathBuf,
    partial: Option<PathBuf>,
    out: Out,
}

#[derive(Debug)]
enum Out {
    File(BufWriter<File>),
    Standard(BufWriter<io::Stdout>),
}

impl WholeFile {
    /// Begins a file.
    ///
    /// # Errors
    /// [`WriteFileError`] when it cannot be made there.
    pub fn create(file: impl AsRef<Path>) -> Result<WholeFile, WriteFileError> {
        let file = file.as_ref().to_owned();
        if file == Path::new("-") {
            let out = Out::Standard(BufWriter::with_capacity(1 << 16, io::stdout()));
            return Ok(WholeFile { file, partial: None, out });
        }
        let fails = |source| WriteFileError { file: file.clone(), what: "made", source };
        let existing = fs::metadata(&file).ok();
        if existing.as_ref().is_some_and(fs::Metadata::is_dir) {
            return Err(fails(io::ErrorKind::IsADirectory.into()));
        }
        let is_special = existing.is_some_and(|meta| !meta.is_file());
        let partial = (!is_special).then(|| partial_name(&file));
        let out = match &partial {
            Some(partial) => File::create(partial),
            None => fs::OpenOptions::new().write(true).open(&file),
        };
        let out = out.map_err(fails)?;
        Ok(WholeFile { file, partial, out: Out::File(BufWriter::with_capacity(1 << 18, out)) })
    }

    /// Makes the file whole: on the disk, under its final name.
    ///
    /// # Errors
    /// [`WriteFileError`]; nothing new stands under the final name then.
    pub fn finish(mut self) -> Result<(), WriteFileError> {
        self.flush().map_err(|source| self.error("written", source))?;
        let (Some(partial), Out::File(out)) = (&self.partial, &self.out) else { return Ok(()) };
        out.get_ref().sync_all().map_err(|source| self.error("written", source))?;
        fs::rename(partial, &self.file).map_err(|source| self.error("renamed", source))?;
        sync_folder(&self.file);
        self.partial = None;
        Ok(())
    }

    /// The error of a failed write to this file.
    pub fn error(&self, what: &'static str, source: io::Error) -> WriteFileError {
        WriteFileError { file: self.file.clone(), what, source }
    }
}

impl Write for WholeFile {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        match &mut self.out {
            Out::File(out) => out.write(bytes),
            Out::Standard(out) => out.write(bytes),
        }
    }

    fn flush(&mut self) -> io::Result<()> {
        match &mut self.out {
            Out::File(out) => out.flush(),
            Out::Standard(out) => out.flush(),
        }
    }
}

impl Drop for WholeFile {
    fn drop(&mut self) {
        if let Some(partial) = &self.partial {
            // Nothing more can be done about a rest that cannot be removed.
            let _ = fs::remove_file(partial);
        }
    }
}

fn partial_name(file: &Path) -> PathBuf {
    let mut name = file.file_name().map(OsString::from).unwrap_or_default();
    name.push(".partial");
    file.with_file_name(name)
}

/// The new name itself must survive a power cut; some file systems cannot sync a folder, and need not.
fn sync_folder(file: &Path) {
    let folder = file.parent().filter(|folder| !folder.as_os_str().is_empty());
    if let Ok(folder) = File::open(folder.unwrap_or(Path::new("."))) {
        let _ = folder.sync_all();
    }
}
