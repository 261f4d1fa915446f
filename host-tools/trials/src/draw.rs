//! Random parameters of a case.

use airvalve_simulator::Random;

/// Draws from one stream; the same seed and stream give the same values on every machine.
pub(crate) struct Draw {
    random: Random,
}

impl Draw {
    pub(crate) fn new(seed: u64, stream: u64) -> Draw {
        Draw { random: Random::new(seed, stream) }
    }

    /// Uniform from `least` to `most`.
    pub(crate) fn between(&mut self, least: f64, most: f64) -> f64 {
        least + (most - least) * self.random.uniform()
    }

    /// Uniform in the logarithm: each factor is as likely as any other.
    pub(crate) fn log_between(&mut self, least: f64, most: f64) -> f64 {
        libm::exp(self.between(libm::log(least), libm::log(most)))
    }

    /// True with this probability.
    pub(crate) fn chance(&mut self, probability: f64) -> bool {
        self.random.uniform() < probability
    }

    /// One of these, each as likely.
    pub(crate) fn pick<T: Copy>(&mut self, first: T, others: &[T]) -> T {
        let place = (self.random.uniform() * (1 + others.len()) as f64) as usize;
        place.checked_sub(1).and_then(|place| others.get(place)).copied().unwrap_or(first)
    }
}

/// Rounded to so many digits after the point, so that a file reads well.
pub(crate) fn rounded(value: f64, digits: i32) -> f64 {
    let scale = libm::pow(10.0, f64::from(digits));
    libm::round(value * scale) / scale
}
