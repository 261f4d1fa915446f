//! Promise: recordings of every released format version are read for ever, and a replay of them says the same.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

use std::{fs, path::Path};

use airvalve_telemetry::FORMAT_VERSION;
use airvalve_tests::old_recordings::Facts;

const FOLDER: &str = concat!(env!("CARGO_MANIFEST_DIR"), "/old-recordings");

#[test]
fn every_version_up_to_the_present_one_is_kept() {
    for version in 1..=FORMAT_VERSION {
        let recording = Path::new(FOLDER).join(format!("v{version}/night.airvalve"));
        let bytes = fs::metadata(&recording).map_or(0, |meta| meta.len());
        assert!((1..60_000).contains(&bytes), "{}: {bytes} bytes", recording.display());
    }
}

#[test]
fn their_facts_are_the_same_as_ever() {
    for version in 1..=FORMAT_VERSION {
        let folder = Path::new(FOLDER).join(format!("v{version}"));
        let facts = Facts::of(&folder).unwrap().to_toml();
        assert_eq!(facts, fs::read_to_string(folder.join("facts.toml")).unwrap(), "version {version}");
    }
}
