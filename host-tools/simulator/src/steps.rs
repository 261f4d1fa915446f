//! The time steps: a sample period halved over and over, and what relaxes over them.
//!
//! Every step is the period over a power of two, so each exponential is worked out once, and steps end on samples.

/// Most halvings of a period: one second in steps of 0.98 ms.
const MOST_LEVELS: usize = 11;

/// The ladder of steps of one sample period.
#[derive(Clone, Debug)]
pub(crate) struct Steps {
    /// Length of a step of each level, s.
    pub(crate) seconds: [f64; MOST_LEVELS],
    /// Level of the finest step, about a millisecond.
    pub(crate) finest: usize,
}

impl Steps {
    pub(crate) fn new(period_s: f64) -> Steps {
        let mut seconds = [period_s; MOST_LEVELS];
        let mut length = period_s;
        let mut finest = 0;
        for (level, slot) in seconds.iter_mut().enumerate() {
            *slot = length;
            if length > 1.01e-3 {
                finest = (level + 1).min(MOST_LEVELS - 1);
            }
            length *= 0.5;
        }
        Steps { seconds, finest }
    }

    /// How many of the finest steps make a period.
    pub(crate) fn per_period(&self) -> u32 {
        1 << self.finest
    }

    /// The longest step that is no longer than `wanted_s` and ends on its own grid.
    #[inline]
    pub(crate) fn level_for(&self, wanted_s: f64, position: u32) -> usize {
        // A step of level l covers 2^(finest - l) positions and may begin on their multiples only.
        let aligned = if position == 0 { 0 } else { self.finest.saturating_sub(position.trailing_zeros() as usize) };
        let mut level = aligned;
        while level < self.finest && self.seconds[level] > wanted_s {
            level += 1;
        }
        level
    }

    /// How many positions a step of this level covers.
    #[inline]
    pub(crate) fn stride(&self, level: usize) -> u32 {
        1 << (self.finest - level)
    }
}

/// What is left, and what has gone, of a first-order departure after one step of each level.
#[derive(Clone, Debug)]
pub(crate) struct Relaxation {
    pub(crate) left: [f64; MOST_LEVELS],
    pub(crate) gone: [f64; MOST_LEVELS],
}

impl Relaxation {
    pub(crate) fn new(steps: &Steps, time_constant_s: f64) -> Relaxation {
        let gone = steps.seconds.map(|dt| -libm::expm1(-dt / time_constant_s.max(1e-6)));
        Relaxation { left: gone.map(|gone| 1.0 - gone), gone }
    }
}

/// A damped oscillation after one step of each level: factor of the complex amplitude.
#[derive(Clone, Debug)]
pub(crate) struct Rotation {
    pub(crate) factor: [(f64, f64); MOST_LEVELS],
}

impl Rotation {
    pub(crate) fn new(steps: &Steps, period_s: f64, decay_s: f64) -> Rotation {
        Rotation {
            factor: steps.seconds.map(|dt| {
                let size = libm::exp(-dt / decay_s);
                let angle = 2.0 * core::f64::consts::PI * dt / period_s;
                (size * libm::cos(angle), size * libm::sin(angle))
            }),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn steps_end_on_the_sample_whatever_lengths_are_wanted() {
        let steps = Steps::new(0.1);
        let mut wanted = 0.0007;
        let mut position = 0;
        let mut seconds = 0.0;
        while position < steps.per_period() {
            let level = steps.level_for(wanted, position);
            position += steps.stride(level);
            seconds += steps.seconds[level];
            wanted = (wanted * 3.7) % 0.05;
        }
        assert_eq!(position, steps.per_period());
        assert!((seconds - 0.1_f64).abs() < 1e-12);
    }

    #[test]
    fn the_finest_step_is_about_a_millisecond_at_every_rate() {
        for hz in [1.0, 2.0, 5.0, 10.0, 20.0, 50.0] {
            let steps = Steps::new(1.0 / hz);
            let finest = steps.seconds[steps.finest];
            assert!((0.0005..=0.00101).contains(&finest), "{hz} {finest}");
        }
    }
}
