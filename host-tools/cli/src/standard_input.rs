//! `-` for a file: standard input, which can be read once only.

use std::path::Path;

use crate::failure::Failure;

/// Refuses a second `-`; each file comes with the argument that names it.
pub(crate) fn refuse_second<'a>(files: impl IntoIterator<Item = (&'a str, &'a Path)>) -> Result<(), Failure> {
    let named: Vec<&str> =
        files.into_iter().filter(|(_, file)| *file == Path::new("-")).map(|(argument, _)| argument).collect();
    if named.len() < 2 {
        return Ok(());
    }
    Err(Failure::arguments(format!(
        "standard input (`-`) is named {} times: as {} (allowed: once); name files for the others",
        named.len(),
        named.join(" and ")
    )))
}
