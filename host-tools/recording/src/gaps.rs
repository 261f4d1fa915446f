//! Stretches of time without samples.

use airvalve_telemetry::Header;

const SECOND_US: i64 = 1_000_000;

/// Time without a sample that was due.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Gap {
    /// Last sample before, or start of the first burst that is missing, Unix time, microseconds.
    pub from_us: i64,
    /// First sample after, or end of the last burst that is missing, Unix time, microseconds.
    pub to_us: i64,
}

/// Two samples that lie further apart than samples do within a burst.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Interruption {
    /// Sample before, Unix time, microseconds.
    pub from_us: i64,
    /// Sample after, Unix time, microseconds.
    pub to_us: i64,
    /// What is missing; `None` for a pause between two bursts.
    pub gap: Option<Gap>,
}

/// Finds the gaps between samples: more than three sample periods and more than one second.
///
/// Where samples come in bursts, the pause from one whole burst to the next is none, be it as long as planned or cut short
/// by a burst on an event. A hole within a burst is one, and so is the rest of a burst that breaks off.
#[derive(Clone, Copy, Debug)]
pub struct GapFinder {
    longest_us: i64,
    burst_us: i64,
    /// Time from burst to burst; 0 where samples come all the time.
    every_us: i64,
    burst_from_us: i64,
    last_us: Option<i64>,
}

impl GapFinder {
    /// For samples that are due every `period_us` microseconds, all the time or in bursts of a length every so often,
    /// both in microseconds (0: all the time).
    pub fn new(period_us: u32, [burst_us, every_us]: [i64; 2]) -> GapFinder {
        GapFinder {
            longest_us: SECOND_US.max(3 * i64::from(period_us)),
            burst_us,
            every_us: if every_us > burst_us { every_us } else { 0 },
            burst_from_us: 0,
            last_us: None,
        }
    }

    /// From here on samples come as this header says; what was seen before still counts.
    pub fn take_header(&mut self, header: &Header) {
        self.change(header.sample_period_us, header.burst_us());
    }

    /// From here on samples come as [`GapFinder::new`] has it, after a restart or in the next file: the time to the first
    /// of them is judged as any other, from the last sample and the last burst before.
    pub fn change(&mut self, period_us: u32, burst_us: [i64; 2]) {
        let GapFinder { burst_from_us, last_us, .. } = *self;
        *self = GapFinder { burst_from_us, last_us, ..GapFinder::new(period_us, burst_us) };
    }

    /// Takes the time of the next sample and returns the interruption before it.
    #[inline]
    pub fn step(&mut self, time_us: i64) -> Option<Interruption> {
        let Some(from_us) = self.last_us.replace(time_us) else {
            self.burst_from_us = time_us;
            return None;
        };
        (time_us.saturating_sub(from_us) > self.longest_us).then(|| self.interruption(from_us, time_us))
    }

    #[cold]
    fn interruption(&mut self, from_us: i64, to_us: i64) -> Interruption {
        let missing = if self.every_us == 0 { Some((from_us, to_us)) } else { self.missing_of_bursts(from_us, to_us) };
        Interruption { from_us, to_us, gap: missing.map(|(from_us, to_us)| Gap { from_us, to_us }) }
    }

    /// What is missing of the bursts that were due between two samples.
    fn missing_of_bursts(&mut self, from_us: i64, to_us: i64) -> Option<(i64, i64)> {
        let pause_us = self.every_us - self.burst_us;
        let length_us = to_us.saturating_sub(from_us);
        let begun_us = self.burst_from_us;
        let end_us = begun_us.saturating_add(self.burst_us);
        let is_whole = from_us >= end_us.saturating_sub(self.longest_us);
        // Samples may begin in the middle of a burst: its pause is then as long as any.
        let is_usual = length_us.saturating_sub(pause_us).abs() <= self.longest_us;
        if is_usual || (is_whole && length_us < pause_us) {
            self.burst_from_us = to_us;
            return None;
        }
        if to_us < end_us {
            return Some((from_us, to_us));
        }
        let phase_us = to_us.saturating_sub(begun_us).rem_euclid(self.every_us);
        let is_at_start = phase_us.min(self.every_us - phase_us) <= self.longest_us;
        let is_within = !is_at_start && phase_us < self.burst_us;
        self.burst_from_us = if is_within { to_us.saturating_sub(phase_us) } else { to_us };
        let missing_from_us = if is_whole { begun_us.saturating_add(self.every_us) } else { from_us };
        let missing_to_us = if is_at_start { to_us.saturating_sub(pause_us) } else { to_us };
        Some((missing_from_us.min(missing_to_us), missing_to_us))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The interruptions between samples at these seconds, those that are gaps with their ends.
    fn interruptions(mut finder: GapFinder, seconds: impl IntoIterator<Item = i64>) -> Vec<Option<(i64, i64)>> {
        let times = seconds.into_iter().map(|second| second * SECOND_US);
        let found = times.filter_map(|time_us| finder.step(time_us));
        found.map(|found| found.gap.map(|gap| (gap.from_us / SECOND_US, gap.to_us / SECOND_US))).collect()
    }

    #[test]
    fn three_periods_and_a_second_are_no_gap_yet() {
        assert_eq!(interruptions(GapFinder::new(100_000, [0, 0]), [0, 1, 2]), []);
        assert_eq!(interruptions(GapFinder::new(100_000, [0, 0]), [0, 2]), [Some((0, 2))]);
        assert_eq!(interruptions(GapFinder::new(1_000_000, [0, 0]), [0, 3, 7]), [Some((3, 7))]);
    }

    /// Bursts of a minute every five, a sample a second.
    fn bursts(seconds: impl IntoIterator<Item = i64>) -> Vec<Option<(i64, i64)>> {
        interruptions(GapFinder::new(1_000_000, [60 * SECOND_US, 300 * SECOND_US]), seconds)
    }

    #[test]
    fn pauses_between_bursts_are_no_gaps() {
        assert_eq!(bursts((0..60).chain(300..360).chain(600..660)), [None, None]);
        // The data begin in the middle of a burst.
        assert_eq!(bursts((20..60).chain(300..360)), [None]);
        // A burst on an event, and the next by the clock.
        assert_eq!(bursts((0..60).chain(300..360).chain(430..490).chain(600..660)), [None, None, None]);
    }

    #[test]
    fn a_hole_within_a_burst_is_a_gap() {
        assert_eq!(bursts((0..10).chain(40..60).chain(300..360)), [Some((9, 40)), None]);
        assert_eq!(bursts((0..60).chain(300..310).chain(340..360).chain(600..660)), [None, Some((309, 340)), None]);
    }

    #[test]
    fn what_is_missing_of_bursts_is_a_gap_and_the_pauses_beside_it_are_none() {
        // The rest of a burst that breaks off; two whole bursts; the beginning of a burst.
        assert_eq!(bursts((0..60).chain(300..320).chain(600..660)), [None, Some((319, 360))]);
        assert_eq!(bursts((0..60).chain(900..960).chain(1200..1260)), [Some((300, 660)), None]);
        assert_eq!(bursts((0..60).chain(330..360).chain(600..660)), [Some((300, 330)), None]);
    }

    #[test]
    fn a_restart_hides_no_gap_and_makes_none_of_a_pause() {
        let restarted = |before: [std::ops::Range<i64>; 2], after: std::ops::Range<i64>| {
            let bursts = [60 * SECOND_US, 300 * SECOND_US];
            let mut finder = GapFinder::new(1_000_000, bursts);
            for second in before.into_iter().flatten() {
                finder.step(second * SECOND_US);
            }
            finder.change(1_000_000, bursts);
            interruptions(finder, after)
        };
        // The next burst comes by the clock, or early since the device was started; then one is missing, then two.
        assert_eq!(restarted([0..60, 300..360], 600..660), [None]);
        assert_eq!(restarted([0..60, 300..360], 500..560), [None]);
        assert_eq!(restarted([0..60, 300..360], 900..960), [Some((600, 660))]);
        assert_eq!(restarted([0..60, 300..330], 340..360), [Some((329, 340))]);
        let mut finder = GapFinder::new(100_000, [0, 0]);
        finder.step(0);
        finder.change(1_000_000, [0, 0]);
        assert_eq!(interruptions(finder, [7, 8]), [Some((0, 7))]);
    }

    #[test]
    fn no_times_overflow() {
        for (period_us, burst) in [(0, [0, 0]), (u32::MAX, [5, i64::MAX]), (1, [60, 300])] {
            let mut finder = GapFinder::new(period_us, burst);
            for time_us in [i64::MIN, i64::MAX, 0, i64::MIN + 1, i64::MAX] {
                finder.step(time_us);
            }
        }
    }
}
