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

/// Names under `[dependencies]` of a manifest that are ours.
fn our_dependencies(folder: &str) -> BTreeSet<String> {
    let text = fs::read_to_string(root().join(folder).join("Cargo.toml")).expect("a manifest");
    let section = text.split("[dependencies]").nth(1).unwrap_or_default();
    let section = section.split("\n[").next().unwrap_or_default();
    section
        .lines()
        .filter_map(|line| line.split(['.', ' ', '=']).next())
        .filter(|name| name.starts_with("airvalve"))
        .map(String::from)
        .collect()
}

#[test]
fn the_arrows_run_one_way() {
    for (folder, allowed) in ARROWS {
        for dependency in our_dependencies(folder) {
            assert!(allowed.contains(&dependency.as_str()), "{folder} must not depend on {dependency}");
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
