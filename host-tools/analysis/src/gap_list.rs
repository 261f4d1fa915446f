//! The gaps of a result.

use airvalve_telemetry::Gap;

use crate::{
    result::{GapResult, rounded},
    time::Time,
};

/// Most gaps that are listed one by one: a damaged file may have one a sample.
const MOST: usize = 100_000;

/// Lists the first gaps, and counts the others.
#[derive(Clone, Debug, Default)]
pub(crate) struct GapList {
    pub(crate) listed: Vec<GapResult>,
    pub(crate) unlisted: u64,
    /// Length of all of them, microseconds.
    length_us: f64,
}

impl GapList {
    pub(crate) fn add(&mut self, gap: &Gap) {
        self.length_us += gap.to_us.saturating_sub(gap.from_us) as f64;
        if self.listed.len() < MOST {
            self.listed.push(GapResult { from: Time(gap.from_us), to: Time(gap.to_us) });
        } else {
            self.unlisted += 1;
        }
    }

    /// Length of all gaps, h.
    pub(crate) fn hours(&self) -> f64 {
        rounded(self.length_us / 3.6e9)
    }
}
