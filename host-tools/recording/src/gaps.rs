//! Stretches of time without samples.

use airvalve_telemetry::Header;

const SECOND_US: i64 = 1_000_000;

/// Time without a sample.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Gap {
    /// Last sample before, Unix time, microseconds.
    pub from_us: i64,
    /// First sample after, Unix time, microseconds.
    pub to_us: i64,
}

/// Finds the gaps between samples: more than three sample periods and more than one second; burst pauses are none.
#[derive(Clone, Copy, Debug)]
pub struct GapFinder {
    longest_us: i64,
    last_us: Option<i64>,
}

impl GapFinder {
    /// For samples that are due every `period_us` microseconds, all the time or in bursts of `burst_s` every `every_s`
    /// seconds (0: all the time).
    pub fn new(period_us: u32, burst_s: u32, every_s: u32) -> GapFinder {
        let pause_s = every_s.saturating_sub(burst_s);
        let longest_us = SECOND_US.max(3 * i64::from(period_us)) + i64::from(pause_s) * SECOND_US;
        GapFinder { longest_us, last_us: None }
    }

    /// For the samples of a recording.
    pub fn for_header(header: &Header) -> GapFinder {
        GapFinder::new(header.sample_period_us, header.burst_s, header.burst_every_s)
    }

    /// Takes the time of the next sample and returns the gap before it.
    #[inline]
    pub fn step(&mut self, time_us: i64) -> Option<Gap> {
        let from_us = self.last_us.replace(time_us)?;
        let gap = Gap { from_us, to_us: time_us };
        (time_us.saturating_sub(from_us) > self.longest_us).then_some(gap)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn gaps(mut finder: GapFinder, seconds: &[i64]) -> usize {
        seconds.iter().filter(|second| finder.step(**second * SECOND_US).is_some()).count()
    }

    #[test]
    fn three_periods_and_a_second_are_no_gap_yet() {
        assert_eq!(gaps(GapFinder::new(100_000, 0, 0), &[0, 1, 2]), 0);
        assert_eq!(gaps(GapFinder::new(100_000, 0, 0), &[0, 2]), 1);
        assert_eq!(gaps(GapFinder::new(1_000_000, 0, 0), &[0, 3, 7]), 1);
    }

    #[test]
    fn pauses_between_bursts_are_no_gaps() {
        assert_eq!(gaps(GapFinder::new(1_000_000, 20, 300), &[0, 20, 300, 320, 900]), 1);
    }
}
