//! What every decoder and importer promises on bytes of any origin, as functions that panic when it is broken.
//!
//! No input makes a reader panic, its memory stays in proportion to the input, and where an interface says that every
//! byte or row is accounted for, it is. The fuzz targets in `tests/fuzz` and the plain test `hostile_input` run the same
//! functions.

mod files;
mod telemetry;
mod texts;

pub use telemetry::resealed;

/// Folder with one folder of inputs a target.
pub const CORPUS: &str = concat!(env!("CARGO_MANIFEST_DIR"), "/fuzz/corpus");

/// One reader and its promise.
#[derive(Clone, Copy, Debug)]
pub struct Target {
    /// Name of the fuzz target and of its folder in the corpus.
    pub name: &'static str,
    /// Reads some bytes; panics where the promise is broken.
    pub check: fn(&[u8]),
    /// Memory that the check may use beside the input, bytes: buffers that are there in any case …
    pub fixed_bytes: usize,
    /// … and what may be kept of each byte of the input, bytes.
    pub bytes_per_byte: usize,
}

const fn target(name: &'static str, check: fn(&[u8]), fixed_bytes: usize, bytes_per_byte: usize) -> Target {
    Target { name, check, fixed_bytes, bytes_per_byte }
}

/// Every target.
#[rustfmt::skip] // a table: one row a target
pub const TARGETS: &[Target] = &[
    target("frames", telemetry::check_frames, 1 << 16, 10),
    target("record", telemetry::check_record, 1 << 20, 100),
    target("batch", telemetry::check_batch, 1 << 20, 100),
    target("recording", files::check_recording, 1 << 21, 100),
    // Clock steps, gaps and hours are kept; five years of hours, with or without a sample, take 40 MB.
    target("replay", files::check_replay, 1 << 26, 1000),
    target("csv", files::check_csv, 1 << 21, 20),
    target("site_file", texts::check_site_file, 1 << 18, 500),
    target("settings_file", texts::check_settings_file, 1 << 18, 500),
    target("scenario_file", texts::check_scenario_file, 1 << 18, 500),
    target("main_file", texts::check_main_file, 1 << 18, 500),
];

/// Runs the target of this name.
///
/// # Panics
/// When the promise is broken, or there is no such target.
pub fn check(name: &str, bytes: &[u8]) {
    let target = TARGETS.iter().find(|target| target.name == name);
    assert!(target.is_some(), "no target {name}");
    target.into_iter().for_each(|target| (target.check)(bytes));
}
