//! What can be wrong with a file, and how it is said.

use std::path::{Path, PathBuf};

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
    #[error("{}", lines_of(.file, .problems))]
    Refused { file: PathBuf, problems: Vec<Problem> },
}

fn lines_of(file: &Path, problems: &[Problem]) -> String {
    let lines = problems.iter().map(|problem| format!("{}:{}: {}", file.display(), problem.line, problem.fault));
    lines.collect::<Vec<_>>().join("\n")
}

/// Reads a file that is to be checked; `-` is standard input.
///
/// # Errors
/// [`FileError::Unreadable`] when the system refuses it or it is no UTF-8 text.
pub fn read_text(path: &Path) -> Result<String, FileError> {
    let text =
        if path == Path::new("-") { std::io::read_to_string(std::io::stdin()) } else { std::fs::read_to_string(path) };
    text.map_err(|source| FileError::Unreadable { file: path.to_owned(), source })
}
