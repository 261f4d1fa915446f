//! A clock that never goes back, whatever the device's clock did: the one rule for all times of a result.

/// Turns the times of samples into moments that rise.
///
/// Which times are believed is decided before ([`airvalve_recording::Admission`]): where they go back here, ten of them
/// rise, and the device's clock was set back. From then on its times are told as if it had not been: results are in
/// moments, so that nothing ends before it began, and the warning says by how much they differ from the times of the file.
#[derive(Clone, Debug, Default)]
pub(crate) struct Clock {
    offset_us: i64,
    last_us: Option<i64>,
    /// Moments of the steps, and what is added to the device's times from there on.
    steps: Vec<(i64, i64)>,
}

impl Clock {
    /// The moment of a sample; `None` for a repeated time. A backward time is a step: it comes one period after the
    /// sample before.
    #[inline(always)]
    pub(crate) fn moment(&mut self, time_us: i64, period_us: i64) -> Option<i64> {
        let moment_us = time_us.saturating_add(self.offset_us);
        match self.last_us {
            Some(last_us) if moment_us <= last_us => self.step_back(moment_us, last_us, period_us),
            _ => {
                self.last_us = Some(moment_us);
                Some(moment_us)
            }
        }
    }

    #[cold]
    fn step_back(&mut self, moment_us: i64, last_us: i64, period_us: i64) -> Option<i64> {
        if moment_us == last_us {
            return None;
        }
        let next_us = last_us.saturating_add(period_us.max(1));
        self.offset_us = self.offset_us.saturating_add(next_us.saturating_sub(moment_us));
        self.steps.push((next_us, self.offset_us));
        self.last_us = Some(next_us);
        Some(next_us)
    }

    /// What is added to the device's times now.
    pub(crate) fn offset_us(&self) -> i64 {
        self.offset_us
    }

    /// Steps back so far.
    pub(crate) fn backward_steps(&self) -> usize {
        self.steps.len()
    }

    /// Moment of the first step and of the last, and what is added to the device's times after them.
    pub(crate) fn first_and_last_step(&self) -> Option<[(i64, i64); 2]> {
        Some([*self.steps.first()?, *self.steps.last()?])
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_clock_that_is_set_back_gives_rising_moments_and_says_by_how_much_they_differ() {
        let mut clock = Clock::default();
        let moments: Vec<_> = [10, 20, 20, 5, 15].map(|time_us| clock.moment(time_us, 10)).to_vec();
        assert_eq!(moments, [Some(10), Some(20), None, Some(30), Some(40)]);
        assert_eq!((clock.backward_steps(), clock.offset_us()), (1, 25));
        assert_eq!(clock.first_and_last_step(), Some([(30, 25), (30, 25)]));
    }

    #[test]
    fn times_at_the_ends_of_the_number_range_overflow_nothing() {
        let mut clock = Clock::default();
        for time_us in [i64::MAX, i64::MIN, i64::MAX, 0] {
            clock.moment(time_us, i64::MAX);
        }
        assert!(clock.backward_steps() > 0);
    }
}
