//! A clock that never goes back, whatever the device's clock did.

/// Turns the times of samples into moments that rise, and back.
///
/// A device's clock may be set back. The detector needs time that rises; results want the device's own times.
#[derive(Clone, Debug, Default)]
pub(crate) struct Clock {
    offset_us: i64,
    last_us: Option<i64>,
    /// From which moment on which offset holds.
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

    /// The device's time of a moment.
    pub(crate) fn device_us(&self, moment_us: i64) -> i64 {
        let step = self.steps.iter().rev().find(|(from_us, _)| *from_us <= moment_us);
        moment_us.saturating_sub(step.map_or(0, |(_, offset_us)| *offset_us))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_clock_that_is_set_back_gives_rising_moments_and_its_own_times_again() {
        let mut clock = Clock::default();
        let moments: Vec<_> = [10, 20, 20, 5, 15].map(|time_us| clock.moment(time_us, 10)).to_vec();
        assert_eq!(moments, [Some(10), Some(20), None, Some(30), Some(40)]);
        assert_eq!(clock.device_us(20), 20);
        assert_eq!(clock.device_us(30), 5);
        assert_eq!(clock.device_us(40), 15);
        assert_eq!(clock.backward_steps(), 1);
    }

    #[test]
    fn times_at_the_ends_of_the_number_range_overflow_nothing() {
        let mut clock = Clock::default();
        for time_us in [i64::MAX, i64::MIN, i64::MAX, 0] {
            clock.moment(time_us, i64::MAX);
        }
        clock.device_us(i64::MIN);
    }
}
