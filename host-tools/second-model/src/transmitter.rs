//! A two-wire transmitter: dead time and lag, play, coloured noise, a zero that follows the temperature, coarse output.

use airvalve_sensors::{FrontEnd, LoopCurrent};

use crate::{failing::Failing, random::Random};

/// What does not change about a transmitter.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Type {
    /// Quantities at 4 and 20 mA.
    pub(crate) low: f64,
    pub(crate) width: f64,
    /// Mean delay of its answer, s.
    pub(crate) lag_s: f64,
    /// Standard deviation of its noise, % of span.
    pub(crate) noise_pct: f64,
    pub(crate) zero_pct: f64,
    /// Half of the play between going up and going down, % of span.
    pub(crate) play_pct: f64,
}

/// Share of the mean delay that is dead time; the rest is a first-order lag.
const DEAD_SHARE: f64 = 0.3;
/// Shares of the noise's deviation that are white and that forget slowly, and the time they take to, s.
const WHITE: f64 = 0.8;
const COLOURED: f64 = 0.6;
const COLOURED_S: f64 = 3.0;
/// Greatest drift of the zero with the temperature, % of span a kelvin. Common practice: 0.1 % of span for 10 K.
const DRIFT_PCT_K: f64 = 0.01;
/// Smallest step of the output, mA: a 14-bit converter over 4 to 20 mA.
const OUTPUT_STEP_MA: f64 = 16.0 / 16_384.0;

/// A transmitter in its loop.
#[derive(Clone, Debug)]
pub(crate) struct Transmitter {
    kind: Type,
    ma_a_unit: f64,
    random: Random,
    front_end: FrontEnd,
    /// Quantities of the last samples, the newest at `newest`; whole samples and the rest of the dead time.
    past: Vec<f64>,
    newest: usize,
    dead_rest: f64,
    /// What the lag keeps in a sample, and its time constant in samples.
    keep: f64,
    lag_samples: f64,
    delayed: f64,
    lagged: f64,
    played: f64,
    coloured: f64,
    colour_keep: f64,
    colour_kick: f64,
    drift_pct_k: f64,
    code: i16,
}

impl Transmitter {
    pub(crate) fn new(kind: Type, period_s: f64, first: f64, seed: u64, stream: u64) -> Transmitter {
        let mut random = Random::new(seed, stream);
        let dead_samples = DEAD_SHARE * kind.lag_s / period_s;
        let whole = libm::floor(dead_samples);
        let lag_samples = (1.0 - DEAD_SHARE) * kind.lag_s / period_s;
        let drift_pct_k = DRIFT_PCT_K * random.symmetric();
        let coloured = random.gaussian();
        let colour_keep = libm::exp(-period_s / COLOURED_S);
        Transmitter {
            ma_a_unit: 16.0 / kind.width,
            kind,
            front_end: FrontEnd::default(),
            past: vec![first; whole as usize + 2],
            newest: 0,
            dead_rest: dead_samples - whole,
            keep: if lag_samples > 0.0 { libm::exp(-1.0 / lag_samples) } else { 0.0 },
            lag_samples,
            delayed: first,
            lagged: first,
            played: first,
            coloured,
            colour_keep,
            colour_kick: libm::sqrt(1.0 - colour_keep * colour_keep),
            drift_pct_k,
            code: 0,
            random,
        }
    }

    /// The quantity as the transmitter's inside has it after one more sample.
    fn follow(&mut self, quantity: f64) -> f64 {
        let length = self.past.len();
        self.newest = if self.newest + 1 == length { 0 } else { self.newest + 1 };
        if let Some(place) = self.past.get_mut(self.newest) {
            *place = quantity;
        }
        // The ring is as long as the dead time: the next two places are the oldest.
        let oldest = if self.newest + 1 == length { 0 } else { self.newest + 1 };
        let before = if oldest + 1 == length { 0 } else { oldest + 1 };
        let at = |i: usize| self.past.get(i).copied().unwrap_or(quantity);
        let delayed = self.dead_rest * at(oldest) + (1.0 - self.dead_rest) * at(before);
        // A first-order lag's answer to a straight line from the last value to this one.
        let slope = delayed - self.delayed;
        let behind = self.lag_samples * slope;
        self.lagged = delayed - behind + self.keep * (self.lagged - self.delayed + behind);
        self.delayed = delayed;
        let play = 0.01 * self.kind.play_pct * self.kind.width;
        self.played = self.played.clamp(self.lagged - play, self.lagged + play);
        self.played
    }

    /// The code of the next sample; `warmer_k` is the vault's air over the temperature at which the zero was set.
    pub(crate) fn code(&mut self, quantity: f64, now_s: f64, warmer_k: f64, failing: Option<&mut Failing>) -> i16 {
        let mut quantity = self.follow(quantity);
        let white = self.random.gaussian();
        self.coloured = self.colour_keep * self.coloured + self.colour_kick * self.random.gaussian();
        let noise_pct = self.kind.noise_pct * (WHITE * white + COLOURED * self.coloured);
        let mut error_pct = self.kind.zero_pct + self.drift_pct_k * warmer_k + noise_pct;
        if let Some(failing) = &failing {
            quantity *= failing.gain(now_s);
        }
        let mut failing = failing;
        if let Some(failing) = &mut failing {
            error_pct += failing.error_pct(now_s);
        }
        let ma = 4.0 + self.ma_a_unit * (quantity - self.kind.low) + 0.16 * error_pct;
        // A working transmitter keeps to the measuring band (NAMUR NE 43).
        let ma = ma.clamp(f64::from(LoopCurrent::MEASURING_LOW_MA), f64::from(LoopCurrent::MEASURING_HIGH_MA));
        // Rounded to the nearest: a current is positive.
        let ma = OUTPUT_STEP_MA * ((ma * (1.0 / OUTPUT_STEP_MA) + 0.5) as i64 as f64);
        let code = match failing {
            Some(failing) => failing.code(self.code, |failed_ma| self.front_end.code_from_current(failed_ma), ma),
            None => self.front_end.code_from_current(LoopCurrent::from_milliamperes(ma as f32)),
        };
        self.code = code;
        code
    }
}
