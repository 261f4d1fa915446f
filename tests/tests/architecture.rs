//! The structure that `DEVELOPERS.md` draws, held against the manifests.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

use std::{collections::BTreeSet, fs, path::Path};

/// For each crate of ours, the crates of ours that it may depend on.
const ARROWS: [(&str, &[&str]); 11] = [
    ("firmware/telemetry", &[]),
    ("firmware/sensors", &[]),
    ("firmware/monitor", &["airvalve-sensors", "airvalve-telemetry"]),
    ("host-tools/site", &["airvalve-monitor", "airvalve-sensors"]),
    ("host-tools/simulator", &["airvalve-sensors", "airvalve-site"]),
    ("host-tools/second-model", &["airvalve-sensors", "airvalve-simulator", "airvalve-site"]),
    ("host-tools/recording", &["airvalve-monitor", "airvalve-sensors", "airvalve-site", "airvalve-telemetry"]),
    ("host-tools/columnar", &["airvalve-recording", "airvalve-sensors", "airvalve-telemetry"]),
    (
        "host-tools/analysis",
        &["airvalve-monitor", "airvalve-recording", "airvalve-sensors", "airvalve-site", "airvalve-telemetry"],
    ),
    (
        "host-tools/trials",
        &[
            "airvalve-analysis",
            "airvalve-monitor",
            "airvalve-recording",
            "airvalve-second-model",
            "airvalve-sensors",
            "airvalve-simulator",
            "airvalve-site",
        ],
    ),
    (
        "host-tools/cli",
        &[
            "airvalve-analysis",
            "airvalve-columnar",
            "airvalve-monitor",
            "airvalve-recording",
            "airvalve-sensors",
            "airvalve-simulator",
            "airvalve-site",
            "airvalve-telemetry",
            "airvalve-trials",
        ],
    ),
];

/// What may stand at the top level, beside files whose name begins with a dot.
const TOP_LEVEL: [&str; 11] = [
    "Cargo.toml",
    "Cargo.lock",
    "README.md",
    "DEVELOPERS.md",
    "LICENSE-MIT",
    "LICENSE-APACHE",
    "firmware",
    "host-tools",
    "tests",
    "recordings-demo",
    "target",
];

fn root() -> &'static Path {
    Path::new(concat!(env!("CARGO_MANIFEST_DIR"), "/.."))
}

/// Our crates that a manifest names, by the table that names them: `[dependencies]` and all tables beside it for tests,
/// build scripts and single targets.
fn our_dependencies(manifest: &str) -> BTreeSet<(String, String)> {
    let mut found = BTreeSet::new();
    let mut table = String::new();
    for line in manifest.lines().map(str::trim) {
        if let Some(head) = line.strip_prefix('[') {
            table = head.trim_end_matches(']').to_owned();
            // A dependency may be a table of its own.
            if let Some((of, name)) = table.rsplit_once("dependencies.") {
                add_ours(&mut found, &format!("{of}dependencies"), name);
            }
        } else if table.ends_with("dependencies") {
            add_ours(&mut found, &table, line.split(['.', ' ', '=']).next().unwrap_or_default());
        }
    }
    found
}

fn add_ours(found: &mut BTreeSet<(String, String)>, table: &str, name: &str) {
    if name.starts_with("airvalve") {
        found.insert((table.to_owned(), name.to_owned()));
    }
}

#[test]
fn every_table_of_dependencies_is_read() {
    let manifest = "[dependencies]\nairvalve-a.workspace = true\nserde = \"1\"\n[dev-dependencies]\nairvalve-b = { path = \"b\" }\n\
                    [build-dependencies.airvalve-c]\npath = \"c\"\n[target.'cfg(unix)'.dependencies]\nairvalve-d.workspace = true\n\
                    [features]\nairvalve-e = []\n";
    let found: Vec<_> =
        our_dependencies(manifest).into_iter().map(|(table, name)| format!("{table}: {name}")).collect();
    assert_eq!(
        found,
        [
            "build-dependencies: airvalve-c",
            "dependencies: airvalve-a",
            "dev-dependencies: airvalve-b",
            "target.'cfg(unix)'.dependencies: airvalve-d"
        ]
    );
}

#[test]
fn the_arrows_run_one_way() {
    for (folder, allowed) in ARROWS {
        let manifest = fs::read_to_string(root().join(folder).join("Cargo.toml")).expect("a manifest");
        for (table, dependency) in our_dependencies(&manifest) {
            assert!(allowed.contains(&dependency.as_str()), "{folder} must not depend on {dependency} ([{table}])");
        }
    }
}

/// The sources of a folder and of those below it, with their paths.
fn sources(folder: &Path, found: &mut Vec<(String, String)>) {
    for entry in fs::read_dir(folder).unwrap() {
        let path = entry.unwrap().path();
        if path.is_dir() {
            sources(&path, found);
        } else if path.extension().is_some_and(|extension| extension == "rs") {
            found.push((path.display().to_string(), fs::read_to_string(&path).unwrap()));
        }
    }
}

#[test]
fn the_truth_never_calls_the_detector() {
    for folder in ["host-tools/simulator", "host-tools/second-model"] {
        let mut found = Vec::new();
        sources(&root().join(folder), &mut found);
        assert!(found.len() > 10, "{folder}");
        for (path, text) in found {
            // What the site crate hands over is plain data; the detector's own names must not be met.
            assert!(!text.contains("airvalve_monitor"), "{path} names the detector");
            assert!(!text.contains("Monitor::"), "{path} runs a detector");
        }
    }
}

#[test]
fn every_crate_has_its_arrows_written_down() {
    let text = fs::read_to_string(root().join("Cargo.toml")).unwrap();
    let members = text.split("members = [").nth(1).unwrap().split(']').next().unwrap();
    for member in members.split('"').filter(|part| part.contains('/')) {
        assert!(ARROWS.iter().any(|(folder, _)| *folder == member), "{member} has no row");
    }
}

#[test]
fn firmware_needs_no_standard_library() {
    for folder in ["telemetry", "sensors", "monitor"] {
        let lib = fs::read_to_string(root().join("firmware").join(folder).join("src/lib.rs")).unwrap();
        assert!(lib.contains("#![no_std]"), "{folder}");
        assert!(lib.contains("clippy::indexing_slicing"), "{folder}");
        assert!(!lib.contains("extern crate alloc"), "{folder}");
    }
}

#[test]
fn only_the_given_names_stand_at_the_top() {
    for entry in fs::read_dir(root()).unwrap() {
        let name = entry.unwrap().file_name().into_string().unwrap();
        assert!(name.starts_with('.') || TOP_LEVEL.contains(&name.as_str()), "{name} must not stand at the top level");
    }
}

/// Where a path that a guide names may begin.
const ROOTS: [&str; 3] = ["", "firmware", "host-tools"];

/// The words in backticks that are paths within the repository: they begin with one of its folders, or name a source or a
/// document.
fn paths_named(text: &str) -> BTreeSet<String> {
    let words = text.split('`').skip(1).step_by(2).flat_map(str::split_whitespace);
    let is_path = |word: &&str| {
        let plain = word.chars().all(|c| c.is_ascii_alphanumeric() || "/._-".contains(c));
        let begins_here = TOP_LEVEL.iter().any(|top| word.starts_with(&format!("{top}/"))) || word.starts_with(".ci/");
        let is_file = word.ends_with(".rs") || word.ends_with(".md");
        plain && (begins_here || is_file) && !word.starts_with("target/")
    };
    words.filter(is_path).map(str::to_owned).collect()
}

/// Whether a path is there; a bare name may be that of any source.
fn is_there(path: &str, names: &BTreeSet<String>) -> bool {
    ROOTS.iter().any(|from| root().join(from).join(path).exists()) || (!path.contains('/') && names.contains(path))
}

#[test]
fn every_path_that_the_guides_name_is_there() {
    let mut found = Vec::new();
    ["firmware", "host-tools"].iter().for_each(|folder| sources(&root().join(folder), &mut found));
    let name = |(path, _): &(String, String)| path.rsplit('/').next().unwrap_or_default().to_owned();
    let mut names: BTreeSet<String> = found.iter().map(name).collect();
    names.extend(["FORMAT.md", "SCENARIOS.md"].map(str::to_owned));
    for (guide, least) in [("README.md", 8), ("DEVELOPERS.md", 30)] {
        let text = fs::read_to_string(root().join(guide)).unwrap();
        let named = paths_named(&text);
        assert!(named.len() >= least, "{guide}: {named:?}");
        for path in named {
            assert!(is_there(&path, &names), "{guide} names {path}, which is not there");
        }
    }
}

#[test]
fn the_guides_name_every_crate() {
    let [readme, developers] =
        ["README.md", "DEVELOPERS.md"].map(|guide| fs::read_to_string(root().join(guide)).unwrap());
    for (folder, _) in ARROWS {
        let name = folder.rsplit('/').next().unwrap();
        assert!(readme.contains(name), "README.md does not name {folder}");
        assert!(developers.contains(name), "DEVELOPERS.md does not name {folder}");
    }
}
