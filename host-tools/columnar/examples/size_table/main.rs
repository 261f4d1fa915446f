//! Writes the table "Size on the demo recordings" of the telemetry's format document.
//!
//! Run: `cargo run --release -p airvalve-columnar --example size_table` (in the project's root; `-- FILE…` for others,
//! which only prints)
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

mod table;

use std::{
    fs,
    path::{Path, PathBuf},
};

use table::{DOCUMENT, demo_recordings, with_table};

fn main() {
    let named: Vec<PathBuf> = std::env::args().skip(1).map(PathBuf::from).collect();
    if !named.is_empty() {
        print!("{}", table::table(&named));
        return;
    }
    let table = table::table(&demo_recordings(Path::new(".")));
    print!("{table}");
    let document = fs::read_to_string(DOCUMENT).expect("run in the project's root");
    fs::write(DOCUMENT, with_table(&document, &table)).unwrap();
}
