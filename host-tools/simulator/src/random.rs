//! Random numbers that are the same on every machine: integers, additions and `libm` only.

/// A stream of random numbers (xoshiro256++, seeded through SplitMix64).
///
/// # Source
/// Published: Blackman and Vigna, Scrambled linear pseudorandom number generators, ACM TOMS 47 (2021), 36.
#[derive(Clone, Debug)]
pub struct Random {
    state: [u64; 4],
}

impl Random {
    /// Streams of one seed do not overlap in practice; each part of the plant has its own, so that none disturbs another.
    pub fn new(seed: u64, stream: u64) -> Random {
        let mut x = seed ^ stream.wrapping_mul(0xD1B5_4A32_D192_ED03);
        let mut next = || {
            x = x.wrapping_add(0x9E37_79B9_7F4A_7C15);
            let mut z = x;
            z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
            z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
            z ^ (z >> 31)
        };
        Random { state: [next(), next(), next(), next()] }
    }

    /// 64 random bits.
    #[inline]
    pub fn bits(&mut self) -> u64 {
        let [a, b, c, d] = &mut self.state;
        let result = a.wrapping_add(*d).rotate_left(23).wrapping_add(*a);
        let t = *b << 17;
        *c ^= *a;
        *d ^= *b;
        *b ^= *c;
        *a ^= *d;
        *c ^= t;
        *d = d.rotate_left(45);
        result
    }

    /// Uniform in 0 .. 1, the ends left out.
    #[inline]
    pub fn uniform(&mut self) -> f64 {
        ((self.bits() >> 12) as f64 + 0.5) * (1.0 / 4_503_599_627_370_496.0)
    }

    /// Uniform in -1 .. 1.
    pub fn symmetric(&mut self) -> f64 {
        2.0 * self.uniform() - 1.0
    }

    /// Exponential with mean 1.
    pub fn exponential(&mut self) -> f64 {
        -libm::log(self.uniform())
    }
}

const LAYERS: usize = 128;
/// Where the tail of the ziggurat begins, and the area of each layer, for 128 layers.
const TAIL: f64 = 3.442_619_855_899;
const AREA: f64 = 9.912_563_035_262_17e-3;

/// Standard normal numbers by the ziggurat.
///
/// # Source
/// Published: Marsaglia and Tsang, The ziggurat method for generating random variables, J. Stat. Softw. 5 (2000), 8.
#[derive(Clone, Debug)]
pub(crate) struct Gaussian {
    random: Random,
    /// Right edge of each layer, from the base outwards in, and the density there.
    edge: [f64; LAYERS + 1],
    density: [f64; LAYERS + 1],
}

impl Gaussian {
    pub(crate) fn new(seed: u64, stream: u64) -> Gaussian {
        let mut edge = [0.0; LAYERS + 1];
        let mut density = [0.0; LAYERS + 1];
        let f = |x: f64| libm::exp(-0.5 * x * x);
        let (mut x, mut y) = (TAIL, f(TAIL));
        // Layer 0 is the base strip with the tail, drawn as a box of the same area.
        edge[0] = AREA / y;
        for i in 1..LAYERS {
            edge[i] = x;
            density[i] = y;
            y += AREA / x;
            x = libm::sqrt(-2.0 * libm::log(y.min(1.0)));
        }
        density[LAYERS] = 1.0;
        Gaussian { random: Random::new(seed, stream), edge, density }
    }

    #[inline]
    pub(crate) fn next(&mut self) -> f64 {
        loop {
            let bits = self.random.bits();
            let layer = (bits & (LAYERS as u64 - 1)) as usize;
            let u = ((bits >> 11) as f64) * (2.0 / 9_007_199_254_740_992.0) - 1.0;
            let x = u * self.edge[layer];
            if x.abs() < self.edge[layer + 1] {
                return x;
            }
            if let Some(x) = self.outside(layer, x) {
                return x;
            }
        }
    }

    #[cold]
    fn outside(&mut self, layer: usize, x: f64) -> Option<f64> {
        if layer == 0 {
            loop {
                let beyond = self.random.exponential() / TAIL;
                if 2.0 * self.random.exponential() > beyond * beyond {
                    return Some((TAIL + beyond).copysign(x));
                }
            }
        }
        let (low, high) = (self.density[layer], self.density[layer + 1]);
        let y = low + (high - low) * self.random.uniform();
        (y < libm::exp(-0.5 * x * x)).then_some(x)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn gaussians_have_the_moments_of_a_standard_normal() {
        let mut gaussian = Gaussian::new(1, 2);
        let n = 2_000_000;
        let (mut sum, mut squares, mut fourth, mut beyond) = (0.0, 0.0, 0.0, 0);
        for _ in 0..n {
            let x = gaussian.next();
            sum += x;
            squares += x * x;
            fourth += x * x * x * x;
            beyond += i32::from(x.abs() > 3.442_619_855_899);
        }
        let n = f64::from(n);
        // Source: moments 0, 1, 3 and P(|x| > 3.4426) = 5.76e-4 of the standard normal distribution.
        assert!((sum / n).abs() < 0.003, "{}", sum / n);
        assert!((squares / n - 1.0).abs() < 0.005, "{}", squares / n);
        assert!((fourth / n - 3.0).abs() < 0.05, "{}", fourth / n);
        let tail = f64::from(beyond) / n;
        assert!((tail - 5.76e-4).abs() < 6e-5, "{tail}");
    }

    #[test]
    fn streams_of_one_seed_differ_and_repeat() {
        let draw = |stream| Random::new(7, stream).bits();
        assert_eq!(draw(1), draw(1));
        assert_ne!(draw(1), draw(2));
    }
}
