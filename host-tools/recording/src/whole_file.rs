//! A file that appears under its name only when it is whole.

use std::{
    ffi::OsString,
    fs::{self, File},
    io::{self, BufWriter, Write},
    path::{Path, PathBuf},
    sync::{Mutex, MutexGuard, PoisonError},
};

use tempfile::NamedTempFile;

/// Bytes held back until they are written.
const BUFFER_LEN: usize = 1 << 18;

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

/// Writes beside the final name, in a file of its own that no other can be mistaken for, and renames when whole; dropped
/// before that, it leaves nothing.
///
/// A link is followed to its target, and a target that stands there already keeps its permissions. `-` is standard output;
/// a device or a pipe is written as it stands.
#[derive(Debug)]
pub struct WholeFile {
    /// The name that was given, and where that leads.
    file: PathBuf,
    target: PathBuf,
    out: Out,
}

#[derive(Debug)]
enum Out {
    /// Not whole yet.
    Partial(BufWriter<NamedTempFile>, Listed),
    Special(BufWriter<File>),
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
            return Ok(WholeFile { target: file.clone(), file, out });
        }
        let fails = |source| WriteFileError { file: file.clone(), what: "made", source };
        let target = followed(&file);
        let existing = fs::metadata(&target).ok();
        if existing.as_ref().is_some_and(fs::Metadata::is_dir) {
            return Err(fails(io::ErrorKind::IsADirectory.into()));
        }
        let out = match existing {
            Some(meta) if !meta.is_file() => {
                let special = fs::OpenOptions::new().write(true).open(&target).map_err(fails)?;
                Out::Special(BufWriter::with_capacity(BUFFER_LEN, special))
            }
            existing => {
                let partial = partial(&target, existing.map(|meta| meta.permissions())).map_err(fails)?;
                let listed = Listed::new(partial.path());
                Out::Partial(BufWriter::with_capacity(BUFFER_LEN, partial), listed)
            }
        };
        Ok(WholeFile { file, target, out })
    }

    /// Makes the file whole: on the disk, under its final name.
    ///
    /// # Errors
    /// [`WriteFileError`]; nothing new stands under the final name then.
    pub fn finish(mut self) -> Result<(), WriteFileError> {
        self.flush().map_err(|source| self.error("written", source))?;
        let WholeFile { file, target, out } = self;
        let fails = |what, source| WriteFileError { file: file.clone(), what, source };
        let Out::Partial(out, _listed) = out else { return Ok(()) };
        let partial = out.into_inner().map_err(|error| fails("written", error.into_error()))?;
        partial.as_file().sync_all().map_err(|source| fails("written", source))?;
        partial.persist(&target).map_err(|error| fails("renamed", error.error))?;
        sync_folder(&target);
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
            Out::Partial(out, _) => out.write(bytes),
            Out::Special(out) => out.write(bytes),
            Out::Standard(out) => out.write(bytes),
        }
    }

    fn flush(&mut self) -> io::Result<()> {
        match &mut self.out {
            Out::Partial(out, _) => out.flush(),
            Out::Special(out) => out.flush(),
            Out::Standard(out) => out.flush(),
        }
    }
}

/// Files that are not whole yet: what a program that is told to stop has to remove.
static PARTIAL: Mutex<Vec<PathBuf>> = Mutex::new(Vec::new());

fn partials() -> MutexGuard<'static, Vec<PathBuf>> {
    PARTIAL.lock().unwrap_or_else(PoisonError::into_inner)
}

/// One of them, for as long as it is not whole.
#[derive(Debug)]
struct Listed(PathBuf);

impl Listed {
    fn new(name: &Path) -> Listed {
        partials().push(name.to_owned());
        Listed(name.to_owned())
    }
}

impl Drop for Listed {
    fn drop(&mut self) {
        partials().retain(|known| *known != self.0);
    }
}

/// Removes every file that is not whole yet: the program is about to be stopped.
pub fn remove_partial_files() {
    for name in partials().drain(..) {
        // Nothing more can be done about a rest that cannot be removed.
        let _ = fs::remove_file(name);
    }
}

/// A new file beside the target, under a name that nothing had before.
fn partial(target: &Path, permissions: Option<fs::Permissions>) -> io::Result<NamedTempFile> {
    let mut prefix = OsString::from(".");
    prefix.push(target.file_name().unwrap_or_default());
    prefix.push(".");
    let mut builder = tempfile::Builder::new();
    builder.prefix(&prefix).suffix(".partial");
    // As for any other new file the system takes off what the user's mask forbids.
    #[cfg(unix)]
    builder.permissions(std::os::unix::fs::PermissionsExt::from_mode(0o666));
    let folder = folder_of(target);
    let partial = builder.tempfile_in(folder).map_err(|error| plain(&error, folder))?;
    if let Some(permissions) = permissions {
        partial.as_file().set_permissions(permissions)?;
    }
    Ok(partial)
}

/// The system's reason alone: the name of a file that nobody has asked for helps nobody.
fn plain(error: &io::Error, folder: &Path) -> io::Error {
    // A folder that is not there has a reason of its own, with the system's number.
    fs::metadata(folder).err().unwrap_or_else(|| error.kind().into())
}

fn folder_of(file: &Path) -> &Path {
    file.parent().filter(|folder| !folder.as_os_str().is_empty()).unwrap_or(Path::new("."))
}

/// Where a name leads: the target of a link, be it there or not.
fn followed(file: &Path) -> PathBuf {
    if let Ok(target) = fs::canonicalize(file)
        && fs::symlink_metadata(file).is_ok_and(|meta| meta.is_symlink())
    {
        return target;
    }
    match fs::read_link(file) {
        Ok(target) => folder_of(file).join(target),
        Err(_) => file.to_owned(),
    }
}

/// Whether what is to be written would take the place of what is read, be it there yet or not; a device is no such file,
/// and `-` reads standard input and writes standard output.
pub fn is_same_file(read: &Path, written: &Path) -> bool {
    if written == Path::new("-") {
        return false;
    }
    match (identity(read), identity(written)) {
        (Some(read), Some(written)) => read == written,
        _ => false,
    }
}

#[derive(PartialEq)]
enum Identity {
    #[cfg(unix)]
    Node(u64, u64),
    Name(PathBuf),
}

fn identity(file: &Path) -> Option<Identity> {
    let file = if file == Path::new("-") { Path::new("/dev/stdin") } else { file };
    let target = followed(file);
    match fs::metadata(&target) {
        Ok(meta) if !meta.is_file() => None,
        #[cfg(unix)]
        Ok(meta) => {
            use std::os::unix::fs::MetadataExt as _;
            Some(Identity::Node(meta.dev(), meta.ino()))
        }
        #[cfg(not(unix))]
        Ok(_) => fs::canonicalize(&target).ok().map(Identity::Name),
        Err(_) => {
            let folder = fs::canonicalize(folder_of(&target)).ok()?;
            Some(Identity::Name(folder.join(target.file_name()?)))
        }
    }
}

/// The new name itself must survive a power cut; some file systems cannot sync a folder, and need not.
fn sync_folder(file: &Path) {
    if let Ok(folder) = File::open(folder_of(file)) {
        let _ = folder.sync_all();
    }
}
