//! What a device sends from time to time, and which samples it missed.

use airvalve_telemetry::{GapFinder, Header};

/// Something that is sent from time to time.
#[derive(Clone, Copy, Debug)]
pub(super) struct Due {
    every_us: i64,
    sent_us: i64,
}

impl Due {
    pub(super) fn every(every_us: i64) -> Due {
        Due { every_us, sent_us: 0 }
    }

    /// Whether it is late at a time; after the clock was set back, too.
    pub(super) fn is_late(&self, time_us: i64) -> bool {
        !(0..=self.every_us).contains(&time_us.wrapping_sub(self.sent_us))
    }

    pub(super) fn sent(&mut self, time_us: i64) {
        self.sent_us = time_us;
    }
}

/// Counts the samples that were due and did not arrive; pauses between bursts are by intent.
#[derive(Clone, Copy, Debug)]
pub(super) struct Losses {
    finder: GapFinder,
    last_us: i64,
    period_us: i64,
    /// A step longer than one and a half periods has lost a sample.
    usual_us: i64,
    samples: u32,
}

impl Losses {
    pub(super) fn new(header: &Header) -> Losses {
        let period_us = i64::from(header.sample_period_us.max(1));
        Losses {
            finder: GapFinder::new(header.cadence()),
            last_us: 0,
            period_us,
            usual_us: period_us.wrapping_add(period_us / 2),
            samples: 0,
        }
    }

    /// The first sample.
    pub(super) fn begin(&mut self, time_us: i64) {
        self.finder.step(time_us);
        self.last_us = time_us;
    }

    /// Samples lost so far.
    pub(super) fn samples(&self) -> u32 {
        self.samples
    }

    /// Takes the time of the next sample. A clock that was set back says nothing of losses.
    #[inline(always)]
    pub(super) fn step(&mut self, time_us: i64) {
        let step_us = time_us.wrapping_sub(self.last_us);
        if !(0..=self.usual_us).contains(&step_us) {
            self.unusual(step_us, time_us);
        }
        self.last_us = time_us;
    }

    #[cold]
    #[inline(never)]
    fn unusual(&mut self, step_us: i64, time_us: i64) {
        let interruption = self.finder.judge(self.last_us, time_us);
        if step_us < 0 {
            return;
        }
        // A few samples may be missing without a gap.
        let beyond_us = step_us.wrapping_sub(self.period_us);
        let due_us = interruption.map_or(beyond_us, |found| found.gap.map_or(0, |gap| gap.due_us));
        let lost = due_us.saturating_add(self.period_us / 2).checked_div(self.period_us).unwrap_or(0);
        self.samples = self.samples.saturating_add(u32::try_from(lost).unwrap_or(u32::MAX));
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;

    const SECOND_US: i64 = 1_000_000;

    /// Samples lost at these times, s; a sample is due every second.
    fn lost(burst: [u32; 2], seconds: impl IntoIterator<Item = i64>) -> u32 {
        let [burst_s, burst_every_s] = burst;
        let mut losses =
            Losses::new(&Header { sample_period_us: 1_000_000, burst_s, burst_every_s, ..Header::default() });
        let mut times = seconds.into_iter().map(|second| second * SECOND_US);
        losses.begin(times.next().unwrap());
        times.for_each(|time_us| losses.step(time_us));
        losses.samples()
    }

    #[test]
    fn single_samples_and_gaps_are_counted_alike() {
        assert_eq!(lost([0, 0], 0..100), 0);
        assert_eq!(lost([0, 0], (0..100).filter(|second| second % 10 != 5)), 10);
        assert_eq!(lost([0, 0], (0..20).chain(80..100)), 60);
    }

    #[test]
    fn a_clock_that_is_set_back_loses_nothing() {
        assert_eq!(lost([0, 0], (0..20).chain(5..30)), 0);
    }

    #[test]
    fn pauses_between_bursts_are_no_losses() {
        let bursts = |of: &'static [i64]| of.iter().flat_map(|number| 300 * number..300 * number + 60);
        assert_eq!(lost([60, 300], bursts(&[0, 1, 2])), 0);
        assert_eq!(lost([60, 300], bursts(&[0, 3])), 120, "two whole bursts");
        assert_eq!(lost([60, 300], (0..40).chain(bursts(&[1]))), 20, "the end of a burst");
        assert_eq!(lost([60, 300], (0..60).chain(330..360).chain(bursts(&[2]))), 30, "the beginning of a burst");
        assert_eq!(lost([60, 300], (0..20).chain(30..60).chain(bursts(&[1]))), 10, "a hole within a burst");
        assert_eq!(lost([60, 300], bursts(&[0]).chain(170..230).chain(bursts(&[1]))), 0, "a burst on an event");
    }

    #[test]
    fn no_times_overflow() {
        for burst in [[0, 0], [60, 300], [1, u32::MAX]] {
            lost(burst, [i64::MIN / SECOND_US, i64::MAX / SECOND_US, 0, i64::MIN / SECOND_US]);
        }
    }

    #[test]
    fn what_is_due_is_late_after_its_time_and_after_a_step_back() {
        let mut due = Due::every(600);
        due.sent(1_000);
        assert_eq!([1_000, 1_600, 1_601, 999].map(|time_us| due.is_late(time_us)), [false, false, true, true]);
    }
}
