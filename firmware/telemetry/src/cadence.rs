//! When samples come, and what is missing between two of them: one rule for the device, for recordings and for results.

/// A gap is longer than this many sample periods, and than a second. Source: the contract for results.
const GAP_PERIODS: i64 = 3;
const SECOND_US: i64 = 1_000_000;

/// How often samples are due: all the time, or in bursts of a length every so often.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Cadence {
    period_us: i64,
    burst_us: i64,
    /// Time from burst to burst; 0 where samples come all the time.
    every_us: i64,
}

impl Cadence {
    /// A sample every so many microseconds, all the time.
    pub fn all_the_time(period_us: i64) -> Cadence {
        Cadence { period_us: period_us.max(1), burst_us: 0, every_us: 0 }
    }

    /// The same in bursts of a length every so often, both in microseconds; all the time where bursts leave no pause.
    pub fn in_bursts(period_us: i64, [burst_us, every_us]: [i64; 2]) -> Cadence {
        let always = Cadence::all_the_time(period_us);
        if every_us > burst_us { Cadence { burst_us, every_us, ..always } } else { always }
    }

    /// Longest time between two samples that is neither a gap nor a pause, microseconds.
    pub fn longest_step_us(self) -> i64 {
        SECOND_US.max(self.period_us.saturating_mul(GAP_PERIODS))
    }

    /// Planned time without samples from one burst to the next, microseconds; `None` where samples come all the time.
    pub fn pause_us(self) -> Option<i64> {
        (self.every_us > 0).then(|| self.every_us.saturating_sub(self.burst_us))
    }

    /// Whether so much time between two samples may be a pause between bursts, cut short by a burst on an event or not.
    pub fn may_be_pause(self, step_us: i64) -> bool {
        self.pause_us().is_some_and(|pause_us| step_us <= pause_us.saturating_add(self.longest_step_us()))
    }
}

/// Time without a sample that was due.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Gap {
    /// Last sample before, or start of the first burst that is missing, Unix time, microseconds.
    pub from_us: i64,
    /// First sample after, or end of the last burst that is missing, Unix time, microseconds.
    pub to_us: i64,
    /// Time for which samples are missing: the pauses between missing bursts left out, microseconds.
    pub due_us: i64,
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
    cadence: Cadence,
    longest_us: i64,
    burst_from_us: i64,
    last_us: Option<i64>,
}

impl GapFinder {
    /// For samples that are due like this.
    pub fn new(cadence: Cadence) -> GapFinder {
        GapFinder { cadence, longest_us: cadence.longest_step_us(), burst_from_us: 0, last_us: None }
    }

    /// From here on samples are due like this, after a restart or in the next file: the time to the first of them is
    /// judged as any other, from the last sample and the last burst before.
    pub fn change(&mut self, cadence: Cadence) {
        let GapFinder { burst_from_us, last_us, .. } = *self;
        *self = GapFinder { burst_from_us, last_us, ..GapFinder::new(cadence) };
    }

    /// Takes the time of the next sample and returns the interruption before it.
    #[inline]
    pub fn step(&mut self, time_us: i64) -> Option<Interruption> {
        let Some(from_us) = self.last_us.replace(time_us) else {
            self.burst_from_us = time_us;
            return None;
        };
        let step_us = time_us.saturating_sub(from_us);
        if step_us >= 0 && step_us <= self.longest_us { None } else { self.judge(from_us, time_us) }
    }

    /// Judges the time between two samples, for a caller that keeps the last one itself and asks only where they lie
    /// further apart than usual or the wrong way round; a first sample is one after itself.
    pub fn judge(&mut self, from_us: i64, time_us: i64) -> Option<Interruption> {
        let step_us = time_us.saturating_sub(from_us);
        if step_us < 0 {
            // The clock was set back, and the burst goes on.
            self.burst_from_us = self.burst_from_us.saturating_add(step_us);
        }
        (step_us > self.longest_us).then(|| self.interruption(from_us, time_us))
    }

    #[cold]
    #[inline(never)]
    fn interruption(&mut self, from_us: i64, to_us: i64) -> Interruption {
        let gap = match self.cadence.pause_us() {
            Some(pause_us) => self.missing_of_bursts(from_us, to_us, pause_us),
            None => Some(self.hole(from_us, to_us)),
        };
        Interruption { from_us, to_us, gap }
    }

    /// All of the time between two samples.
    fn hole(&self, from_us: i64, to_us: i64) -> Gap {
        Gap { from_us, to_us, due_us: to_us.saturating_sub(from_us).saturating_sub(self.cadence.period_us) }
    }

    /// What is missing of the bursts that were due between two samples.
    fn missing_of_bursts(&mut self, from_us: i64, to_us: i64, pause_us: i64) -> Option<Gap> {
        let Cadence { period_us, burst_us, every_us } = self.cadence;
        let begun_us = self.burst_from_us;
        let end_us = begun_us.saturating_add(burst_us);
        let is_whole = from_us >= end_us.saturating_sub(self.longest_us);
        let length_us = to_us.saturating_sub(from_us);
        // Samples may begin in the middle of a burst: its pause is then as long as any.
        let is_early = length_us < pause_us.saturating_sub(self.longest_us);
        if self.cadence.may_be_pause(length_us) && (is_whole || !is_early) {
            self.burst_from_us = to_us;
            return None;
        }
        if to_us < end_us {
            return Some(self.hole(from_us, to_us));
        }
        let since_us = to_us.saturating_sub(begun_us);
        let begun_bursts = since_us.checked_div(every_us).unwrap_or(0);
        let phase_us = since_us.checked_rem(every_us).unwrap_or(0);
        let to_next_us = every_us.saturating_sub(phase_us);
        let is_at_start = phase_us.min(to_next_us) <= self.longest_us;
        let is_within = !is_at_start && phase_us < burst_us;
        self.burst_from_us = if is_within { to_us.saturating_sub(phase_us) } else { to_us };
        let missing_from_us = if is_whole { begun_us.saturating_add(every_us) } else { from_us };
        let missing_to_us = if is_at_start { to_us.saturating_sub(pause_us) } else { to_us };
        // Sampling time from the start of the burst that was seen last: what was due, and what came.
        let is_before_start = is_at_start && to_next_us < phase_us;
        let bursts = begun_bursts.saturating_add(i64::from(is_before_start));
        let of_last_us = if is_at_start { 0 } else { phase_us.min(burst_us) };
        let all_us = bursts.saturating_mul(burst_us).saturating_add(of_last_us);
        let came_us = if is_whole { burst_us } else { from_us.saturating_sub(begun_us).saturating_add(period_us) };
        Some(Gap {
            from_us: missing_from_us.min(missing_to_us),
            to_us: missing_to_us,
            due_us: all_us.saturating_sub(came_us).max(0),
        })
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::arithmetic_side_effects)]
    extern crate std;

    use std::{vec, vec::Vec};

    use super::*;

    fn all_the_time(period_us: i64) -> GapFinder {
        GapFinder::new(Cadence::all_the_time(period_us))
    }

    fn gaps(mut finder: GapFinder, seconds: impl IntoIterator<Item = i64>) -> Vec<Option<Gap>> {
        let times = seconds.into_iter().map(|second| second * SECOND_US);
        times.filter_map(|time_us| finder.step(time_us)).map(|found| found.gap).collect()
    }

    /// The interruptions between samples at these seconds, those that are gaps with their ends.
    fn interruptions(finder: GapFinder, seconds: impl IntoIterator<Item = i64>) -> Vec<Option<(i64, i64)>> {
        let ends = |gap: Gap| (gap.from_us / SECOND_US, gap.to_us / SECOND_US);
        gaps(finder, seconds).into_iter().map(|gap| gap.map(ends)).collect()
    }

    /// Seconds of bursts of a minute every five for which samples are missing, a sample being due every second.
    fn due_s(seconds: impl IntoIterator<Item = i64>) -> i64 {
        let finder = GapFinder::new(minutes());
        gaps(finder, seconds).into_iter().flatten().map(|gap| gap.due_us).sum::<i64>() / SECOND_US
    }

    fn minutes() -> Cadence {
        Cadence::in_bursts(SECOND_US, [60 * SECOND_US, 300 * SECOND_US])
    }

    #[test]
    fn three_periods_and_a_second_are_no_gap_yet() {
        assert_eq!(interruptions(all_the_time(100_000), [0, 1, 2]), []);
        assert_eq!(interruptions(all_the_time(100_000), [0, 2]), [Some((0, 2))]);
        assert_eq!(interruptions(all_the_time(1_000_000), [0, 3, 7]), [Some((3, 7))]);
    }

    /// Bursts of a minute every five, a sample a second.
    fn bursts(seconds: impl IntoIterator<Item = i64>) -> Vec<Option<(i64, i64)>> {
        interruptions(GapFinder::new(minutes()), seconds)
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
    fn samples_are_missing_for_as_long_as_they_were_due() {
        let bursts = |of: &[i64]| of.iter().flat_map(|number| 300 * number..300 * number + 60).collect::<Vec<_>>();
        for (seconds, missing_s) in [
            (bursts(&[0, 1, 2]), 0),
            (bursts(&[0, 3]), 120),
            // The end of a burst; a hole within one; the beginning of one.
            ((0..40).chain(300..360).collect(), 20),
            ((0..20).chain(30..60).chain(300..360).collect(), 10),
            ((0..60).chain(330..360).chain(600..660).collect(), 30),
            // The next burst comes a second early after two that are missing.
            ((0..60).chain(899..959).collect(), 120),
            // A burst on an event.
            ((0..60).chain(170..230).chain(300..360).collect(), 0),
        ] {
            assert_eq!(due_s(seconds.iter().copied()), missing_s, "{seconds:?}");
        }
        let hole = gaps(all_the_time(SECOND_US), [0, 10]);
        assert_eq!(hole, vec![Some(Gap { from_us: 0, to_us: 10 * SECOND_US, due_us: 9 * SECOND_US })]);
    }

    #[test]
    fn a_clock_that_is_set_back_within_a_burst_moves_the_burst_with_it() {
        assert_eq!(bursts((600..630).chain(130..160).chain(400..460)), [None]);
        assert_eq!(bursts((600..630).chain(130..140).chain(150..160)), [Some((139, 150))]);
    }

    #[test]
    fn a_restart_hides_no_gap_and_makes_none_of_a_pause() {
        let restarted = |before: [std::ops::Range<i64>; 2], after: std::ops::Range<i64>| {
            let mut finder = GapFinder::new(minutes());
            for second in before.into_iter().flatten() {
                finder.step(second * SECOND_US);
            }
            finder.change(minutes());
            interruptions(finder, after)
        };
        // The next burst comes by the clock, or early since the device was started; then one is missing, then two.
        assert_eq!(restarted([0..60, 300..360], 600..660), [None]);
        assert_eq!(restarted([0..60, 300..360], 500..560), [None]);
        assert_eq!(restarted([0..60, 300..360], 900..960), [Some((600, 660))]);
        assert_eq!(restarted([0..60, 300..330], 340..360), [Some((329, 340))]);
        let mut finder = all_the_time(100_000);
        finder.step(0);
        finder.change(Cadence::all_the_time(1_000_000));
        assert_eq!(interruptions(finder, [7, 8]), [Some((0, 7))]);
    }

    #[test]
    fn no_times_overflow() {
        for (period_us, burst) in [(0, [0, 0]), (i64::MAX, [5, i64::MAX]), (1, [60, 300]), (1, [i64::MIN, i64::MAX])] {
            let mut finder = GapFinder::new(Cadence::in_bursts(period_us, burst));
            for time_us in [i64::MIN, i64::MAX, 0, i64::MIN + 1, i64::MAX] {
                finder.step(time_us);
            }
        }
    }
}
