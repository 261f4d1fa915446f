//! Promise: the tables of outside values are those that their README and generator name, and a test reads each of them.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

use std::{
    collections::BTreeSet,
    fs,
    path::{Path, PathBuf},
};

fn root() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("..")
}

/// Words that end in `.csv`.
fn tables_named(text: &str) -> BTreeSet<String> {
    let words = text.split(|c: char| !(c.is_ascii_alphanumeric() || c == '_' || c == '.'));
    let names = words.filter(|word| word.len() > 4 && word.ends_with(".csv"));
    names.map(|word| word.trim_start_matches('.').to_owned()).collect()
}

fn sources(folder: &Path, text: &mut String) {
    for entry in fs::read_dir(folder).unwrap() {
        let path = entry.unwrap().path();
        if path.is_dir() && path.file_name().is_some_and(|name| name != "target") {
            sources(&path, text);
        } else if path.extension().is_some_and(|extension| extension == "rs") {
            text.push_str(&fs::read_to_string(path).unwrap());
        }
    }
}

#[test]
fn every_reference_table_is_named_made_and_read() {
    let folder = root().join("tests/reference");
    let files = fs::read_dir(&folder).unwrap().map(|entry| entry.unwrap().file_name().into_string().unwrap());
    let shipped: BTreeSet<String> = files.filter(|name| name.ends_with(".csv")).collect();
    let read = |name: &str| fs::read_to_string(folder.join(name)).unwrap();
    assert_eq!(tables_named(&read("README.md")), shipped, "README.md");
    assert_eq!(tables_named(&read("generate.py")), shipped, "generate.py");

    let mut code = String::new();
    ["firmware", "host-tools", "tests"].iter().for_each(|part| sources(&root().join(part), &mut code));
    for name in &shipped {
        assert!(
            code.contains(&format!("(\"{name}\")")) || code.contains(&format!("reference/{name}\")")),
            "{name}: no test reads it"
        );
    }
}
