//! Promise: the size table of the format document is what the demo recordings take, and they stay within the goal.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

#[path = "../examples/size_table/table.rs"]
mod table;

use std::{fs, path::Path};

use table::{DOCUMENT, demo_recordings, with_table};

#[test]
fn the_size_table_is_what_the_demo_recordings_take() {
    let root = Path::new(env!("CARGO_MANIFEST_DIR")).join("../..");
    let made = table::table(&demo_recordings(&root));
    let document = fs::read_to_string(root.join(DOCUMENT)).unwrap();
    assert!(
        document == with_table(&document, &made),
        "{DOCUMENT}: its size table is another than the recordings give now:\n{made}\
         `cargo run --release -p airvalve-columnar --example size_table` writes it"
    );
    assert_eq!(made.lines().count(), 2 + 4);
    for row in made.lines().skip(2) {
        let cell = row.split('|').nth(5).unwrap();
        let above_pct: f64 = cell.trim().trim_end_matches(" %").parse().unwrap();
        assert!(above_pct <= 4.0, "above the entropy by more than 4 %: {row}");
    }
}
