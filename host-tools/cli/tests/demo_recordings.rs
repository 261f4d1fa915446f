//! Promise: each demo recording is what `simulate` makes of its scenario now, byte for byte, on the default thresholds.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

use std::{
    fs,
    path::{Path, PathBuf},
    process::Command,
};

use airvalve_monitor::{Settings, device::digest};
use airvalve_recording::Recording;

const REMAKE: &str = "`recordings-demo/make.sh` makes all of them again";

fn folder() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("../../recordings-demo")
}

/// The names of the demo recordings.
fn names() -> Vec<String> {
    let files = fs::read_dir(folder()).unwrap().map(|entry| entry.unwrap().file_name().into_string().unwrap());
    let names: Vec<String> = files.filter_map(|file| file.strip_suffix(".scenario.toml").map(str::to_owned)).collect();
    assert_eq!(names.len(), 4);
    names
}

#[test]
fn demo_recordings_are_of_the_default_thresholds() {
    let ours = digest(&Settings::default());
    for name in names() {
        let recording = Recording::open(folder().join(format!("{name}.airvalve"))).unwrap();
        let theirs = recording.header().settings_digest;
        assert_eq!(theirs, ours, "{name}: digest {theirs:08x}, the defaults have {ours:08x}; {REMAKE}");
    }
}

#[test]
fn demo_recordings_are_what_their_scenarios_give() {
    let made = tempfile::tempdir().unwrap();
    for name in names() {
        let [recording, truth] = ["airvalve", "truth.json"].map(|ending| format!("{name}.{ending}"));
        let status = Command::new(env!("CARGO_BIN_EXE_airvalve"))
            .arg("simulate")
            .arg(folder().join(format!("{name}.scenario.toml")))
            .arg("-o")
            .arg(made.path().join(&recording))
            .arg("--truth")
            .arg(made.path().join(&truth))
            .status();
        assert!(status.unwrap().success(), "{name}");
        for file in [recording, truth] {
            let [kept, now] = [folder().as_path(), made.path()].map(|folder| fs::read(folder.join(&file)).unwrap());
            let same = kept.iter().zip(&now).take_while(|(kept, now)| kept == now).count();
            assert_eq!(
                (same, kept.len()),
                (now.len(), now.len()),
                "{file}: not what its scenario gives now, from byte {same} on; {REMAKE}"
            );
        }
    }
}
