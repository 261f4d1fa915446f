//! What a device sends from time to time, and which samples it missed.

use airvalve_telemetry::Header;

/// A hole is longer than this many sample periods and than a second. Source: the contract for results.
const GAP_PERIODS: i64 = 3;
const SECOND_US: i64 = 1_000_000;

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
    last_us: i64,
    /// A step longer than one and a half periods has lost a sample.
    usual_us: i64,
    period_us: i64,
    /// Length of a burst, and from burst to burst; zeros when sampling is continuous.
    burst_us: i64,
    every_us: i64,
    burst_from_us: i64,
    samples: u32,
}

impl Losses {
    pub(super) fn new(header: &Header) -> Losses {
        let period_us = i64::from(header.sample_period_us.max(1));
        let [burst_us, every_us] = header.burst_us();
        let is_burst = every_us > burst_us;
        Losses {
            last_us: 0,
            usual_us: period_us.wrapping_add(period_us / 2),
            period_us,
            burst_us,
            every_us: if is_burst { every_us } else { 0 },
            burst_from_us: 0,
            samples: 0,
        }
    }

    /// The first sample.
    pub(super) fn begin(&mut self, time_us: i64) {
        self.last_us = time_us;
        self.burst_from_us = time_us;
    }

    /// Samples lost so far.
    pub(super) fn samples(&self) -> u32 {
        self.samples
    }

    /// Takes the time of the next sample. A clock that was set back says nothing of losses.
    #[inline(always)]
    pub(super) fn step(&mut self, time_us: i64) {
        let step_us = time_us.wrapping_sub(self.last_us);
        if step_us > self.usual_us {
            self.late(step_us, time_us);
        }
        self.last_us = time_us;
    }

    #[cold]
    #[inline(never)]
    fn late(&mut self, step_us: i64, time_us: i64) {
        let lost_us =
            if self.every_us == 0 { self.beyond_period_us(step_us) } else { self.of_bursts_us(step_us, time_us) };
        let lost = lost_us.saturating_add(self.period_us / 2).checked_div(self.period_us).unwrap_or(0);
        self.samples = self.samples.saturating_add(u32::try_from(lost).unwrap_or(u32::MAX));
    }

    fn beyond_period_us(&self, step_us: i64) -> i64 {
        step_us.wrapping_sub(self.period_us).max(0)
    }

    /// Sampling time that is missing between two samples of bursts.
    fn of_bursts_us(&mut self, step_us: i64, time_us: i64) -> i64 {
        let slack_us = SECOND_US.max(GAP_PERIODS.wrapping_mul(self.period_us));
        let ends_us = self.burst_from_us.saturating_add(self.burst_us);
        // No `clamp`: it panics where its limits are the wrong way round.
        let rest_us = ends_us.saturating_sub(self.last_us).max(0).min(self.burst_us);
        if step_us <= slack_us || step_us <= rest_us {
            return self.beyond_period_us(step_us);
        }
        self.burst_from_us = time_us;
        // The last sample of a whole burst stands a period before its end.
        let broken_off_us = if rest_us > slack_us { self.beyond_period_us(rest_us) } else { 0 };
        let pause_us = self.every_us.wrapping_sub(self.burst_us);
        let beyond_us = step_us.saturating_sub(rest_us).saturating_sub(pause_us).max(0);
        let bursts = beyond_us.saturating_add(self.every_us / 2).checked_div(self.every_us).unwrap_or(0);
        broken_off_us.saturating_add(bursts.saturating_mul(self.burst_us))
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;

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
