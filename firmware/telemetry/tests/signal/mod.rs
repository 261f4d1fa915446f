//! Signals of made-up 4-20 mA transmitters as ADC codes: white noise on ramps and steps.

use std::array;

/// Codes from 4 mA to 20 mA.
pub(crate) const SPAN: f64 = 19_200.0;
const ZERO: f64 = 4_800.0;

/// SplitMix64; normal numbers by the Box-Muller transform.
pub(crate) struct Noise(u64);

impl Noise {
    pub(crate) fn new(seed: u64) -> Noise {
        Noise(seed)
    }

    pub(crate) fn next(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        z ^ (z >> 31)
    }

    pub(crate) fn uniform(&mut self) -> f64 {
        (self.next() >> 11) as f64 / (1_u64 << 53) as f64
    }

    pub(crate) fn normal(&mut self) -> f64 {
        let (u, v) = (1.0 - self.uniform(), self.uniform());
        (-2.0 * u.ln()).sqrt() * (std::f64::consts::TAU * v).cos()
    }
}

/// Float, chamber pressure and odour at 10 Hz with pump starts, release strokes and slow odour.
pub(crate) fn transmitters(seed: u64, samples: usize, noise_pct: f64) -> [Vec<i16>; 3] {
    let mut noise = Noise::new(seed);
    let sigma = noise_pct / 100.0 * SPAN;
    let mut columns: [Vec<i16>; 3] = array::from_fn(|_| Vec::with_capacity(samples));
    let (mut float_pct, mut falling) = (100.0, false);
    let (mut pressure, mut pump) = (0.3, false);
    let mut odour = 0.02;
    for n in 0..samples {
        if n % 6_000 == 0 {
            pump = !pump;
        }
        // The float sinks over minutes as air gathers, and rises in seconds when it is released.
        falling = if float_pct <= 75.0 {
            false
        } else if float_pct >= 99.0 {
            true
        } else {
            falling
        };
        float_pct += if falling { -0.01 } else { 0.4 };
        pressure += (if pump { 0.55 } else { 0.3 } - pressure) * 0.01;
        odour += (if falling { 0.01 } else { 0.5 } - odour) * 0.001;
        for (column, value) in columns.iter_mut().zip([float_pct / 100.0, pressure, odour]) {
            let code = ZERO + value * SPAN + sigma * noise.normal();
            column.push(code.round().clamp(-32_767.0, 32_767.0) as i16);
        }
    }
    columns
}
