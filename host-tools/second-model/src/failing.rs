//! How a transmitter fails: for each kind of failure the mechanisms it can have, one of which the seed picks.

use airvalve_sensors::{FailureMode, LoopCurrent, MISSING_CODE};

use crate::random::Random;

/// What a failure does inside.
#[derive(Clone, Copy, Debug)]
enum Mechanism {
    /// As the kind says.
    Plain,
    /// The output stands, and its last bit goes up and down.
    Flicker,
    /// The zero creeps in jumps: the last one up to now, when the next comes, s.
    Creep { at_pct: f64, next_s: f64 },
    /// Noise in spells: whether one is on, when that changes, s.
    Spells { is_on: bool, until_s: f64 },
    /// Hum of the mains, seen through the sampling: Hz after aliasing, phase in turns.
    Hum { hz: f64, phase: f64 },
    /// The cell's gain fades, s.
    Fading { time_s: f64 },
}

/// A failure of one transmitter.
#[derive(Clone, Debug)]
pub(crate) struct Failing {
    mode: FailureMode,
    onset_s: f64,
    mechanism: Mechanism,
    held_code: Option<i16>,
    random: Random,
}

/// Mean time between two jumps of a creeping zero, s.
const JUMP_S: f64 = 1800.0;
/// Share of the time that spells of noise are on, and their mean length, s.
const SPELL_SHARE: f64 = 0.3;
const SPELL_S: f64 = 20.0;

impl Failing {
    pub(crate) fn new(mode: FailureMode, onset_s: f64, seed: u64, stream: u64) -> Failing {
        let mut random = Random::new(seed, stream);
        let is_other = random.unit() < 0.5;
        let mechanism = match mode {
            FailureMode::FlatLine if is_other => Mechanism::Flicker,
            FailureMode::Drift { .. } if is_other => Mechanism::Creep { at_pct: 0.0, next_s: onset_s },
            FailureMode::Noise { .. } if is_other => Mechanism::Hum { hz: 0.1 + 0.3 * random.unit(), phase: 0.0 },
            FailureMode::Noise { .. } => Mechanism::Spells { is_on: true, until_s: onset_s + SPELL_S },
            // Between ten minutes and an hour: what takes longer is no matter of a night.
            FailureMode::DeadCell => Mechanism::Fading { time_s: 600.0 * libm::exp(1.8 * random.unit()) },
            _ => Mechanism::Plain,
        };
        Failing { mode, onset_s, mechanism, held_code: None, random }
    }

    /// What is left of the answer to the quantity.
    pub(crate) fn gain(&self, now_s: f64) -> f64 {
        match self.mechanism {
            Mechanism::Fading { time_s } => libm::exp(-(now_s - self.onset_s) / time_s),
            _ => 1.0,
        }
    }

    /// What comes on top, % of span.
    pub(crate) fn error_pct(&mut self, now_s: f64) -> f64 {
        match self.mode {
            FailureMode::Drift { pct_span_per_h } => self.drift_pct(f64::from(pct_span_per_h) / 3600.0, now_s),
            FailureMode::Noise { pct_span } => f64::from(pct_span) * self.unrest(now_s),
            _ => 0.0,
        }
    }

    /// How far the zero has gone by now, % of span.
    pub(crate) fn drifted_pct(&self, now_s: f64) -> f64 {
        match (self.mode, self.mechanism) {
            (FailureMode::Drift { .. }, Mechanism::Creep { at_pct, .. }) => at_pct,
            (FailureMode::Drift { pct_span_per_h }, _) => f64::from(pct_span_per_h) / 3600.0 * (now_s - self.onset_s),
            _ => 0.0,
        }
    }

    fn drift_pct(&mut self, pct_s: f64, now_s: f64) -> f64 {
        let Mechanism::Creep { at_pct, next_s } = &mut self.mechanism else {
            return pct_s * (now_s - self.onset_s);
        };
        while now_s >= *next_s {
            // Every jump is that of the wait before it in the mean.
            *at_pct += pct_s * self.random.exponential(JUMP_S);
            *next_s += self.random.exponential(JUMP_S);
        }
        *at_pct
    }

    /// Noise of deviation 1.
    fn unrest(&mut self, now_s: f64) -> f64 {
        match &mut self.mechanism {
            Mechanism::Hum { hz, phase } => {
                *phase += 0.002 * self.random.gaussian();
                let turns = *hz * (now_s - self.onset_s) + *phase;
                std::f64::consts::SQRT_2 * libm::sin(2.0 * std::f64::consts::PI * turns)
            }
            Mechanism::Spells { is_on, until_s } => {
                while now_s >= *until_s {
                    *is_on = !*is_on;
                    let mean_s = if *is_on { SPELL_S } else { SPELL_S * (1.0 - SPELL_SHARE) / SPELL_SHARE };
                    *until_s += self.random.exponential(mean_s);
                }
                if *is_on { self.random.gaussian() / libm::sqrt(SPELL_SHARE) } else { 0.0 }
            }
            _ => self.random.gaussian(),
        }
    }

    /// The code that comes of it: `before` is the last one, `code_of` makes one of a current, `working_ma` is what the
    /// transmitter would give.
    pub(crate) fn code(&mut self, before: i16, code_of: impl Fn(LoopCurrent) -> i16, working_ma: f64) -> i16 {
        let gaussian = self.random.gaussian();
        let ma = match self.mode {
            FailureMode::Missing => return MISSING_CODE,
            FailureMode::FlatLine => {
                let held = *self.held_code.get_or_insert(before);
                let is_flickering = matches!(self.mechanism, Mechanism::Flicker) && held != MISSING_CODE;
                let up = i16::from(is_flickering && self.random.unit() < 0.5);
                return held.saturating_add(up);
            }
            FailureMode::WireBreak => 0.003 * gaussian.abs(),
            FailureMode::Short => 22.0 + 0.003 * gaussian,
            // In the middle of the band between measurement and failure.
            FailureMode::Saturated { high: true } => 20.8 + 0.003 * gaussian,
            FailureMode::Saturated { high: false } => 3.72 + 0.003 * gaussian,
            _ => working_ma,
        };
        code_of(LoopCurrent::from_milliamperes(ma as f32))
    }
}
