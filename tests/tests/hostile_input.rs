//! Bytes of any origin make no reader panic or hoard memory: the fuzz corpus, and what a seeded mutator makes of it.
//!
//! The fuzz targets of `tests/fuzz` run the same checks with a fuzzer behind them.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

use std::{collections::BTreeSet, fs, panic, path::Path, sync::Mutex};

use airvalve_tests::hostile::{CORPUS, TARGETS, Target, resealed};
use peak_alloc::PeakAlloc;

#[global_allocator]
static MEMORY: PeakAlloc = PeakAlloc;

/// Memory is counted for the whole process: one target at a time.
static ALONE: Mutex<()> = Mutex::new(());

/// All files of a target, with their names, in order of the names.
fn corpus(target: &Target) -> Vec<(String, Vec<u8>)> {
    let folder = Path::new(CORPUS).join(target.name);
    let entries = fs::read_dir(&folder).unwrap().map(|entry| entry.unwrap().path());
    let mut files: Vec<_> =
        entries.map(|path| (path.file_name().unwrap().to_str().unwrap().to_owned(), fs::read(path).unwrap())).collect();
    files.sort();
    files
}

/// Runs a check and holds its memory against the target's limit; `name` says what these bytes are.
fn check(target: &Target, bytes: &[u8], name: &str) {
    MEMORY.reset_peak_usage();
    let before = MEMORY.current_usage();
    if panic::catch_unwind(|| (target.check)(bytes)).is_err() {
        let kept = std::env::temp_dir().join(format!("hostile-{}", target.name));
        fs::write(&kept, bytes).unwrap();
        panic!("{}: {name} breaks the promise; the bytes are kept in {}", target.name, kept.display());
    }
    let used = MEMORY.peak_usage().saturating_sub(before);
    let limit = target.fixed_bytes + target.bytes_per_byte * bytes.len();
    assert!(used <= limit, "{}: {name} of {} bytes took {used} bytes (limit {limit})", target.name, bytes.len());
}

/// A generator of pseudo-random numbers (SplitMix64), for repeatable mutations.
///
/// Source: Steele, Lea and Flood, "Fast splittable pseudorandom number generators", OOPSLA 2014, figure 17.
struct Random(u64);

impl Random {
    fn next(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let z = (self.0 ^ (self.0 >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        let z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        z ^ (z >> 31)
    }

    /// Below `end`, 0 where `end` is 0.
    fn below(&mut self, end: usize) -> usize {
        (self.next() % end.max(1) as u64) as usize
    }

    fn range(&mut self, len: usize) -> std::ops::Range<usize> {
        let from = self.below(len + 1);
        let longest = if self.below(4) == 0 { len } else { 16 };
        from..(from + self.below(longest) + 1).min(len).max(from)
    }
}

/// What is put in: ends of number ranges, and what means something in text.
const TOKENS: &[&[u8]] = &[
    b"\0",
    b"\xff",
    b"\x7f",
    b"\x80\x80\x80\x80\x10",
    b"\xff\xff\xff\xff\xff\xff\xff\xff\xff\x01",
    b"\0\0\xc0\x7f",
    b"\0\0\x80\xff",
    b"nan",
    b"-inf",
    b"1e308",
    b"-1",
    b"0",
    b"9223372036854775807",
    b"\"\"\"",
    b"[[",
    b"]]",
    b"{",
    b"}",
    b"=",
    b",",
    b"\n",
    b"\"",
    b"#",
    b".",
    b";",
    b"\xc3\xa9",
    b"\xed\xa0\x80",
    b"2031-03-01T18:00:00Z",
    b"true",
];

/// One to four changes: a flip, a cut, a repetition, a token, a splice with another file, an end too soon.
fn mutated(bytes: &[u8], other: &[u8], random: &mut Random) -> Vec<u8> {
    let mut bytes = bytes.to_vec();
    for _ in 0..=random.below(4) {
        let range = random.range(bytes.len());
        let at = range.start;
        match random.below(7) {
            0 | 1 => {
                if let Some(byte) = bytes.get_mut(at) {
                    *byte ^= 1 << random.below(8);
                }
            }
            2 => drop(bytes.drain(range)),
            3 => {
                let again = bytes[range].to_vec();
                bytes.splice(at..at, again);
            }
            4 => {
                let token = TOKENS[random.below(TOKENS.len())];
                let over = at..(at + random.below(2) * token.len()).min(bytes.len());
                bytes.splice(over, token.iter().copied());
            }
            5 => {
                let piece = random.range(other.len());
                bytes.splice(range, other[piece].iter().copied());
            }
            _ => bytes.truncate(at),
        }
    }
    bytes
}

/// The corpus of a target and so many mutations of it.
fn check_target(name: &str, cases: u64) {
    let _alone = ALONE.lock().unwrap_or_else(|broken| broken.into_inner());
    let target = TARGETS.iter().find(|target| target.name == name).unwrap();
    let files = corpus(target);
    for (name, bytes) in &files {
        check(target, bytes, name);
    }
    for seed in 0..cases {
        let mut random = Random(seed);
        let (from, bytes) = &files[random.below(files.len())];
        let (_, other) = &files[random.below(files.len())];
        let bytes = mutated(bytes, other, &mut random);
        check(target, &bytes, &format!("mutation {seed} of {from}"));
    }
}

#[test]
fn every_target_has_a_corpus_and_every_corpus_a_target() {
    let folders: BTreeSet<_> =
        fs::read_dir(CORPUS).unwrap().map(|entry| entry.unwrap().file_name().into_string().unwrap()).collect();
    let targets: BTreeSet<_> = TARGETS.iter().map(|target| target.name.to_owned()).collect();
    assert_eq!(folders, targets);
    let programs = Path::new(CORPUS).join("../fuzz_targets");
    for target in &targets {
        assert!(programs.join(format!("{target}.rs")).is_file(), "{target} has no fuzz target");
    }
}

#[test]
fn the_corpus_is_small() {
    let bytes: usize = TARGETS.iter().flat_map(corpus).map(|(_, bytes)| bytes.len()).sum();
    assert!(bytes < 300_000, "{bytes} bytes; shorten what was found with `cargo fuzz tmin`");
}

#[test]
fn a_good_recording_is_resealed_to_itself() {
    for (_, bytes) in corpus(TARGETS.iter().find(|target| target.name == "recording").unwrap()) {
        assert!(resealed(&bytes) == bytes || !bytes.ends_with(&[0]));
    }
}

#[test]
fn frames_account_for_every_byte() {
    check_target("frames", 5000);
}

#[test]
fn records_and_batches_are_read_or_refused() {
    check_target("record", 5000);
    check_target("batch", 5000);
}

#[test]
fn recordings_tell_all_that_they_hold_and_all_that_is_lost() {
    check_target("recording", 2000);
}

#[test]
fn a_replay_of_any_file_ends_with_a_result_or_an_error() {
    check_target("replay", 2000);
}

#[test]
fn every_row_of_a_csv_file_is_used_or_rejected() {
    check_target("csv", 2000);
}

#[test]
fn site_settings_and_main_files_are_accepted_or_refused_with_their_lines() {
    check_target("site_file", 2000);
    check_target("settings_file", 2000);
    check_target("main_file", 2000);
}

#[test]
fn scenarios_are_playable_or_refused() {
    check_target("scenario_file", 2000);
}
