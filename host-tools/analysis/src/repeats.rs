//! Data that stand in a file twice: the same times, with the same readings, once more from the beginning.
//!
//! A clock that is set back meets its own times again, but not its own readings.

use std::hash::{DefaultHasher, Hash, Hasher};

/// So many samples are compared; where there are fewer, all of them.
const MOST: usize = 600;
/// Fewer samples prove nothing.
const LEAST: usize = 10;

/// Compares what comes after the clock was set back with the beginning of the data.
#[derive(Clone, Debug, Default)]
pub(crate) struct Repeats {
    /// Digests of the first samples.
    first: Vec<u64>,
    first_us: i64,
    has_stepped: bool,
    /// So many samples after a step back are like the first ones.
    alike: Option<usize>,
    found_us: Option<i64>,
}

impl Repeats {
    /// Whether the next sample must be shown.
    #[inline(always)]
    pub(crate) fn is_watching(&self) -> bool {
        self.alike.is_some() || (!self.has_stepped && self.first.len() < MOST)
    }

    /// The clock was set back before the next sample.
    pub(crate) fn stepped_back(&mut self) {
        self.has_stepped = true;
        self.alike = Some(0);
    }

    /// Takes one sample with its own time.
    #[cold]
    pub(crate) fn step(&mut self, time_us: i64, readings: [f32; 3]) {
        let mut hasher = DefaultHasher::new();
        (time_us, readings.map(f32::to_bits)).hash(&mut hasher);
        let digest = hasher.finish();
        let Some(alike) = self.alike else {
            if self.first.is_empty() {
                self.first_us = time_us;
            }
            self.first.push(digest);
            return;
        };
        self.alike = (self.first.get(alike) == Some(&digest)).then_some(alike + 1);
        if self.first.len() >= LEAST && self.alike == Some(self.first.len()) {
            self.found_us = Some(self.first_us);
            self.alike = None;
        }
    }

    /// The time at which data begin that stand there twice.
    pub(crate) fn found_us(&self) -> Option<i64> {
        self.found_us
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn found(first: i64, again: impl Iterator<Item = (i64, f32)>) -> Option<i64> {
        let mut repeats = Repeats::default();
        for time_us in 0..first {
            if repeats.is_watching() {
                repeats.step(time_us, [time_us as f32, f32::NAN, 1.0]);
            }
        }
        repeats.stepped_back();
        for (time_us, float_pct) in again {
            if repeats.is_watching() {
                repeats.step(time_us, [float_pct, f32::NAN, 1.0]);
            }
        }
        repeats.found_us()
    }

    #[test]
    fn the_same_times_with_the_same_readings_are_the_same_data() {
        for first in [10, 100, 5000] {
            assert_eq!(found(first, (0..first).map(|time_us| (time_us, time_us as f32))), Some(0));
            // Other readings; another beginning; only the first few.
            assert_eq!(found(first, (0..first).map(|time_us| (time_us, 0.5))), None);
            assert_eq!(found(first, (1..first).map(|time_us| (time_us, time_us as f32))), None);
            assert_eq!(found(first, (0..9).map(|time_us| (time_us, time_us as f32))), None);
        }
    }
}
