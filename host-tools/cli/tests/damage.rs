//! Promise: whoever uses a damaged recording is told file, place, loss and what to do.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

use std::{fs, path::Path, process::Command};

const FOLDER: &str = concat!(env!("CARGO_MANIFEST_DIR"), "/tests/transcripts/reports.in");

/// What the program says on standard error; it must succeed.
fn said(folder: &Path, arguments: &[&str]) -> String {
    let output = Command::new(env!("CARGO_BIN_EXE_airvalve")).current_dir(folder).args(arguments).output().unwrap();
    let said = String::from_utf8_lossy(&output.stderr).into_owned();
    assert!(output.status.success(), "{arguments:?}: {said}");
    said
}

/// Where the frames end.
fn ends(bytes: &[u8]) -> Vec<usize> {
    bytes.iter().zip(1..).filter(|(byte, _)| **byte == 0).map(|(_, end)| end).collect()
}

/// A recording of which one frame is spoilt, the frame after it is missing, and the end is cut off.
fn damaged(folder: &Path) -> [usize; 3] {
    for file in ["short.csv", "valve-a.toml"] {
        fs::copy(Path::new(FOLDER).join(file), folder.join(file)).unwrap();
    }
    said(folder, &["import", "short.csv", "--site", "valve-a.toml", "-o", "one.airvalve"]);
    let part = fs::read(folder.join("one.airvalve")).unwrap();
    let ends = ends(&part);
    assert!(ends.len() >= 2, "header and batches");
    // The part twice over: a joined recording.
    let mut bytes = part.clone();
    let spoilt_at = ends[0];
    bytes[spoilt_at + 40] ^= 0x11;
    bytes.extend_from_slice(&part[..part.len() - 5]);
    let cut_at = part.len() + ends[ends.len() - 2];
    fs::write(folder.join("night.airvalve"), &bytes).unwrap();
    [spoilt_at, ends[1], cut_at]
}

#[test]
fn replay_and_export_of_a_damaged_recording_say_what_is_lost_and_where() {
    let folder = tempfile::tempdir().unwrap();
    let [spoilt_at, spoilt_end, cut_at] = damaged(folder.path());
    let replay = ["replay", "night.airvalve", "--site", "valve-a.toml", "--json"];
    let csv = ["export", "night.airvalve", "-o", "night.csv"];
    let parquet = ["export", "night.airvalve", "-o", "night.parquet"];
    for arguments in [&replay[..], &csv, &parquet] {
        let said = said(folder.path(), arguments);
        let bytes = spoilt_end - spoilt_at;
        let damage = format!(
            "night.airvalve: 1 damaged place, the first at byte {spoilt_at} (checksum), {bytes} bytes in all: "
        );
        assert!(said.contains(&damage), "{arguments:?}: {said}");
        assert!(said.contains("copy the file again from where it was recorded"), "{arguments:?}: {said}");
        let cut = format!("night.airvalve: breaks off inside the frame at byte {cut_at}: ");
        assert!(said.contains(&cut), "{arguments:?}: {said}");
    }
}

#[test]
fn a_whole_recording_is_exported_without_a_word() {
    let folder = tempfile::tempdir().unwrap();
    damaged(folder.path());
    assert_eq!(said(folder.path(), &["export", "one.airvalve", "-o", "one.csv"]), "");
}
