//! The main file: several valves along one rising main.

use std::path::{Path, PathBuf};

use crate::{
    checked::Checked,
    keys::MAIN,
    problem::{Fault, FileError, read_text},
};

/// A rising main and its valves.
#[derive(Clone, Debug, PartialEq)]
pub struct Main {
    /// Name for people.
    pub name: String,
    /// Its valves, in the order of the file.
    pub valves: Vec<MainValve>,
}

/// One valve of a main; its paths are ready to open.
#[derive(Clone, Debug, PartialEq)]
pub struct MainValve {
    /// Site file.
    pub site: PathBuf,
    /// Recordings or CSV files.
    pub files: Vec<PathBuf>,
    /// Distance along the main, m.
    pub chainage_m: Option<f64>,
    /// Elevation of the main at the valve, m.
    pub elevation_m: Option<f64>,
}

impl Main {
    /// Reads a main file; the names in it are relative to it.
    ///
    /// # Errors
    /// [`FileError`] when it cannot be read, or with all that is wrong with it.
    pub fn read(path: impl AsRef<Path>) -> Result<Main, FileError> {
        let path = path.as_ref();
        Main::parse(&read_text(path)?, path)
    }

    /// Reads the text of a main file that stands at `file`.
    ///
    /// # Errors
    /// [`FileError::Refused`] with all that is wrong with it.
    pub fn parse(text: &str, file: impl AsRef<Path>) -> Result<Main, FileError> {
        let file = file.as_ref();
        let folder = file.parent().unwrap_or(Path::new(""));
        let mut checked = Checked::new(text, MAIN);
        let name = needed(&mut checked, "main.name", Checked::given_text);
        let count = checked.count("valve");
        let valves: Vec<MainValve> = (0..count).map(|place| valve(&mut checked, place, folder)).collect();
        if count == 0 && !checked.has_syntax_error() {
            let how = "at least one [[valve]]";
            let fault = Fault::Count { key: "valve".to_owned(), found: 0, allowed: "1 or more", how };
            checked.report(1, fault);
        }
        refuse_repeated(&valves, &mut checked);
        checked.finish(file)?;
        Ok(Main { name, valves })
    }
}

fn valve(checked: &mut Checked, place: usize, folder: &Path) -> MainValve {
    let key = |name: &str| format!("valve[{place}].{name}");
    let site = needed(checked, &key("site"), Checked::given_text);
    let files = needed(checked, &key("files"), Checked::given_texts);
    MainValve {
        site: folder.join(site),
        files: files.into_iter().map(|file| folder.join(file)).collect(),
        chainage_m: checked.given_number(&key("chainage_m")),
        elevation_m: checked.given_number(&key("elevation_m")),
    }
}

/// One valve twice, or one file for two valves or twice for one, counts everything in it twice.
fn refuse_repeated(valves: &[MainValve], checked: &mut Checked) {
    let mut names: Vec<(PathBuf, String)> = Vec::new();
    let mut known = |path: &Path, key: String, checked: &mut Checked| {
        let name = std::fs::canonicalize(path).unwrap_or_else(|_| path.to_owned());
        if let Some((_, before)) = names.iter().find(|(other, _)| *other == name) {
            let fault = Fault::Contradiction {
                value: format!("\"{}\"", path.display()),
                rule: "each valve and each file stands once",
                limit: format!("`{before}` is the same"),
                key: key.clone(),
            };
            let line = checked.line_of(&key);
            checked.report(line, fault);
        }
        names.push((name, key));
    };
    for (place, valve) in valves.iter().enumerate() {
        known(&valve.site, format!("valve[{place}].site"), checked);
        valve.files.iter().for_each(|file| known(file, format!("valve[{place}].files"), checked));
    }
}

fn needed<T: Default>(checked: &mut Checked, key: &str, given: impl Fn(&Checked, &str) -> Option<T>) -> T {
    given(checked, key).unwrap_or_else(|| {
        checked.report_missing(key, "…");
        T::default()
    })
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;

    #[test]
    fn a_valve_or_a_file_that_stands_twice_is_refused_with_its_line() {
        let main = |second: &str| {
            let text = format!(
                "[main]\nname = \"m\"\n[[valve]]\nsite = \"a.toml\"\nfiles = [\"a.csv\"]\n[[valve]]\n{second}\n"
            );
            Main::parse(&text, "main.toml").map_err(|error| error.to_string())
        };
        assert!(main("site = \"b.toml\"\nfiles = [\"b.csv\"]").is_ok());
        let same_site = main("site = \"a.toml\"\nfiles = [\"b.csv\"]").unwrap_err();
        assert!(same_site.contains("main.toml:7: `valve[1].site`"), "{same_site}");
        let same_file = main("site = \"b.toml\"\nfiles = [\"b.csv\", \"a.csv\"]").unwrap_err();
        assert!(
            same_file.contains("main.toml:8: `valve[1].files`") && same_file.contains("valve[0].files"),
            "{same_file}"
        );
    }
}
