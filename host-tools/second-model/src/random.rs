//! Random numbers: the same on every machine, one stream a use.

use std::sync::OnceLock;

/// A stream of random numbers (a 64-bit counter through a mixing function; Steele, Lea and Flood, "Fast splittable
/// pseudorandom number generators", 2014).
#[derive(Clone, Debug)]
pub(crate) struct Random {
    state: u64,
    ziggurat: &'static Ziggurat,
}

const GOLDEN: u64 = 0x9E37_79B9_7F4A_7C15;

fn mixed(state: u64) -> u64 {
    let mut z = state;
    z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
    z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
    z ^ (z >> 31)
}

impl Random {
    /// The stream of this number under a seed.
    pub(crate) fn new(seed: u64, stream: u64) -> Random {
        static ZIGGURAT: OnceLock<Ziggurat> = OnceLock::new();
        let state = mixed(mixed(seed.wrapping_add(GOLDEN)) ^ stream.wrapping_mul(GOLDEN));
        Random { state, ziggurat: ZIGGURAT.get_or_init(Ziggurat::new) }
    }

    pub(crate) fn bits(&mut self) -> u64 {
        self.state = self.state.wrapping_add(GOLDEN);
        mixed(self.state)
    }

    /// Uniform from 0 to below 1.
    pub(crate) fn unit(&mut self) -> f64 {
        unit_of(self.bits())
    }

    /// Uniform from -1 to below 1.
    pub(crate) fn symmetric(&mut self) -> f64 {
        2.0 * self.unit() - 1.0
    }

    pub(crate) fn exponential(&mut self, mean: f64) -> f64 {
        -mean * libm::log(1.0 - self.unit())
    }

    /// Log-normal with this mean; `sigma` is the standard deviation of its logarithm.
    pub(crate) fn log_normal(&mut self, mean: f64, sigma: f64) -> f64 {
        mean * libm::exp(sigma * (self.gaussian() - 0.5 * sigma))
    }

    /// Standard normal (Marsaglia and Tsang, "The ziggurat method for generating random variables", 2000).
    pub(crate) fn gaussian(&mut self) -> f64 {
        loop {
            let bits = self.bits();
            let layer = (bits & 127) as usize;
            let sign = if bits & 128 == 0 { 1.0 } else { -1.0 };
            let x = unit_of(bits) * self.ziggurat.edge[layer];
            if x < self.ziggurat.edge[layer + 1] {
                return sign * x;
            }
            if layer == 0 {
                return sign * self.tail();
            }
            let (below, above) = (self.ziggurat.height[layer], self.ziggurat.height[layer + 1]);
            if below + self.unit() * (above - below) < libm::exp(-0.5 * x * x) {
                return sign * x;
            }
        }
    }

    fn tail(&mut self) -> f64 {
        loop {
            let x = self.exponential(1.0 / Ziggurat::TAIL_FROM);
            if 2.0 * self.exponential(1.0) > x * x {
                return Ziggurat::TAIL_FROM + x;
            }
        }
    }
}

/// The upper 53 bits as a number from 0 to below 1.
fn unit_of(bits: u64) -> f64 {
    (bits >> 11) as f64 * (1.0 / 9_007_199_254_740_992.0)
}

/// 128 layers of equal area under the normal curve.
#[derive(Debug)]
struct Ziggurat {
    edge: [f64; 129],
    height: [f64; 129],
}

impl Ziggurat {
    /// Where the tail begins, and the area of a layer. Source: Marsaglia and Tsang, 2000, for 128 layers.
    const TAIL_FROM: f64 = 3.442_619_855_899;
    const LAYER: f64 = 9.912_563_035_262_17e-3;

    fn new() -> Ziggurat {
        let curve = |x: f64| libm::exp(-0.5 * x * x);
        let mut edge = [0.0; 129];
        edge[0] = Self::LAYER / curve(Self::TAIL_FROM);
        edge[1] = Self::TAIL_FROM;
        for layer in 2..128 {
            let below = edge[layer - 1];
            edge[layer] = libm::sqrt(-2.0 * libm::log(Self::LAYER / below + curve(below)));
        }
        Ziggurat { edge, height: edge.map(curve) }
    }
}

/// A value that wanders about zero and forgets with a time constant; its standard deviation is 1.
///
/// Random nodes, a twentieth of the time constant apart, and straight lines between them.
#[derive(Clone, Debug)]
pub(crate) struct Wander {
    value: f64,
    slope: f64,
    node: f64,
    keep: f64,
    kick: f64,
    /// Calls between two nodes, and those that are left.
    spacing: u32,
    left: u32,
}

impl Wander {
    /// Forgets with `time_s`, is asked once every `period_s`.
    pub(crate) fn new(time_s: f64, period_s: f64, random: &mut Random) -> Wander {
        const NODES: f64 = 20.0;
        let spacing = libm::ceil(time_s / NODES / period_s).clamp(1.0, 1e6);
        let keep = libm::exp(-spacing * period_s / time_s);
        let node = random.gaussian();
        let kick = libm::sqrt(1.0 - keep * keep);
        Wander { value: node, slope: 0.0, node, keep, kick, spacing: spacing as u32, left: 0 }
    }

    pub(crate) fn go_on(&mut self, random: &mut Random) -> f64 {
        if self.left == 0 {
            self.value = self.node;
            self.node = self.keep * self.node + self.kick * random.gaussian();
            self.slope = (self.node - self.value) / f64::from(self.spacing);
            self.left = self.spacing;
        }
        self.left -= 1;
        self.value += self.slope;
        self.value
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Source: the normal distribution (kurtosis 3, 4.55 % beyond two standard deviations, 0.27 % beyond three).
    #[test]
    fn gaussian_has_the_moments_and_tails_of_the_normal_distribution() {
        let mut random = Random::new(1, 1);
        let n = 1_000_000;
        let (mut sum, mut square, mut fourth, mut two, mut three) = (0.0, 0.0, 0.0, 0, 0);
        for _ in 0..n {
            let x = random.gaussian();
            sum += x;
            square += x * x;
            fourth += x * x * x * x;
            two += i32::from(x.abs() > 2.0);
            three += i32::from(x.abs() > 3.0);
        }
        let n = f64::from(n);
        assert!((sum / n).abs() < 0.004, "mean {}", sum / n);
        assert!((square / n - 1.0).abs() < 0.006, "variance {}", square / n);
        assert!((fourth / n - 3.0).abs() < 0.05, "kurtosis {}", fourth / n);
        assert!((f64::from(two) / n - 0.0455).abs() < 0.001, "{two}");
        assert!((f64::from(three) / n - 0.0027).abs() < 0.0003, "{three}");
    }

    #[test]
    fn a_wander_has_deviation_one_and_forgets_with_its_time_constant() {
        let mut random = Random::new(3, 1);
        let mut wander = Wander::new(100.0, 1.0, &mut random);
        let values: Vec<f64> = (0..1_000_000).map(|_| wander.go_on(&mut random)).collect();
        let product = |lag: usize| {
            let pairs = values.iter().zip(&values[lag..]);
            pairs.map(|(a, b)| a * b).sum::<f64>() / (values.len() - lag) as f64
        };
        assert!((product(0) - 1.0).abs() < 0.06, "variance {}", product(0));
        assert!((product(100) / product(0) - 0.368).abs() < 0.04, "{}", product(100) / product(0));
    }

    #[test]
    fn log_normal_has_the_mean_it_is_given() {
        let mut random = Random::new(2, 1);
        let sum: f64 = (0..200_000).map(|_| random.log_normal(1.5, 0.8)).sum();
        assert!((sum / 200_000.0 - 1.5).abs() < 0.02, "{}", sum / 200_000.0);
    }
}
