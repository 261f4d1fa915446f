//! What can be wrong with a file, and how it is said.

use std::{
    io::Read as _,
    path::{Path, PathBuf},
};

/// What is wrong at one place of a file.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
#[allow(missing_docs)] // the fields are what the message says
pub enum Fault {
    #[error("not TOML: {message}; correct the line")]
    Syntax { message: String },
    #[error("`{key}` is unknown{}; correct or remove it", suggestion(.nearest))]
    UnknownKey { key: String, nearest: Option<String> },
    #[error("`{key}` is missing (allowed: {allowed}); add it, as `{name} = {example}`")]
    Missing { key: String, name: String, allowed: String, example: &'static str },
    #[error("`{key}` = {value} is not allowed (allowed: {allowed}); change it")]
    NotAllowed { key: String, value: String, allowed: String },
    #[error("`{key}` = {value} does not fit: {rule} ({limit}); change one of them")]
    Contradiction { key: String, value: String, rule: &'static str, limit: String },
    #[error("`{key}` = {value} is improbable: {rule} ({limit}); check it")]
    Improbable { key: String, value: String, rule: &'static str, limit: String },
    #[error("`{key}` stands {found} times (allowed: {allowed}); write {how}")]
    Count { key: String, found: usize, allowed: &'static str, how: &'static str },
}

fn suggestion(nearest: &Option<String>) -> String {
    match nearest {
        Some(key) => format!(", did you mean `{key}`?"),
        None => String::new(),
    }
}

/// One thing that is wrong, with its line.
#[derive(Clone, Debug, PartialEq)]
pub struct Problem {
    /// Line, from 1.
    pub line: usize,
    /// What is wrong there.
    pub fault: Fault,
}

/// Why a file was refused: all that is wrong with it at once.
#[derive(Debug, thiserror::Error)]
#[allow(missing_docs)]
pub enum FileError {
    #[error("{}: cannot be read: {source}; check the name and the permissions", .file.display())]
    Unreadable { file: PathBuf, source: std::io::Error },
    #[error("{}: is no text file ({what}); name a TOML file in UTF-8", .file.display())]
    NoText { file: PathBuf, what: &'static str },
    #[error("{}", lines_of(.file, .problems))]
    Refused { file: PathBuf, problems: Vec<Problem> },
}

fn lines_of(file: &Path, problems: &[Problem]) -> String {
    let lines = problems.iter().map(|problem| format!("{}:{}: {}", file.display(), problem.line, problem.fault));
    lines.collect::<Vec<_>>().join("\n")
}

/// Reads a file that is to be checked; `-` is standard input, and a mark of UTF-8 at the beginning is no part of it.
///
/// # Errors
/// [`FileError::Unreadable`], or [`FileError::NoText`].
pub fn read_text(path: &Path) -> Result<String, FileError> {
    let bytes = if path == Path::new("-") { standard_input() } else { std::fs::read(path) };
    let bytes = bytes.map_err(|source| FileError::Unreadable { file: path.to_owned(), source })?;
    let no_text = |what| FileError::NoText { file: path.to_owned(), what };
    if bytes.starts_with(&[0xff, 0xfe]) || bytes.starts_with(&[0xfe, 0xff]) {
        return Err(no_text("it looks like UTF-16"));
    }
    if bytes.contains(&0) {
        return Err(no_text("it is binary"));
    }
    let text = String::from_utf8(bytes).map_err(|_| no_text("it holds bytes that are no UTF-8"))?;
    Ok(text.strip_prefix('\u{feff}').map(str::to_owned).unwrap_or(text))
}

fn standard_input() -> std::io::Result<Vec<u8>> {
    let mut bytes = Vec::new();
    std::io::stdin().read_to_end(&mut bytes)?;
    Ok(bytes)
}
