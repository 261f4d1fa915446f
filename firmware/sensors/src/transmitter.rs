//! A two-wire transmitter, forwards: quantity to loop current, with its imperfections and its ways to fail.

use serde::{Deserialize, Serialize};

use crate::{channel::Span, loop_current::LoopCurrent};

/// How a transmitter, its wiring or its channel fails.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum FailureMode {
    /// The loop is open: no current.
    WireBreak,
    /// The loop is short-circuited: above 21 mA.
    Short,
    /// The output stands between the measuring and the failure band.
    Saturated {
        /// At the upper band (20.5 to 21 mA) or the lower one (3.6 to 3.8 mA).
        high: bool,
    },
    /// The output repeats its last value exactly.
    FlatLine,
    /// The zero walks away.
    Drift {
        /// Speed, % of span an hour.
        pct_span_per_h: f32,
    },
    /// The noise grows.
    Noise {
        /// Standard deviation that is added, % of span.
        pct_span: f32,
    },
    /// An electrochemical cell that no longer answers: it stands at its zero, with its usual noise.
    DeadCell,
    /// The converter does not answer for this channel.
    Missing,
}

/// Model of one transmitter.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Transmitter {
    /// Quantities at 4 and 20 mA.
    pub span: Span,
    /// Time constant of its first-order lag, s.
    pub lag_s: f32,
    /// Standard deviation of its white noise, % of span.
    pub noise_pct_span: f32,
    /// Constant error of its zero, % of span.
    pub zero_error_pct_span: f32,
    /// Step, lag, and the share of the way that goes in it: an exponential costs more than all else here.
    step: (f32, f32, f32),
    lagged: Option<f32>,
    held_ma: Option<f32>,
    drift_pct_span: f32,
}

impl Transmitter {
    /// A healthy transmitter at rest.
    pub const fn new(span: Span, lag_s: f32, noise_pct_span: f32, zero_error_pct_span: f32) -> Transmitter {
        Transmitter {
            span,
            lag_s,
            noise_pct_span,
            zero_error_pct_span,
            step: (-1.0, lag_s, 1.0),
            lagged: None,
            held_ma: None,
            drift_pct_span: 0.0,
        }
    }

    /// Lets the quantity act for `dt_s` seconds and returns what the lag has made of it, in the channel's unit.
    #[inline]
    pub fn follow(&mut self, quantity: f32, dt_s: f32) -> f32 {
        let before = self.lagged.unwrap_or(quantity);
        if self.step.0 != dt_s || self.step.1 != self.lag_s {
            self.step = (dt_s, self.lag_s, share_of_lag(self.lag_s, dt_s));
        }
        let (_, _, share) = self.step;
        let lagged = before + (quantity - before) * share;
        self.lagged = Some(lagged);
        lagged
    }

    /// The loop current now; `None` when the channel does not answer at all.
    ///
    /// `dt_s` is the time since the call before, s; `gaussian` a standard normal random number.
    pub fn current(&mut self, failure: Option<FailureMode>, dt_s: f32, gaussian: f32) -> Option<LoopCurrent> {
        let quantity = match failure {
            Some(FailureMode::DeadCell) => 0.0_f32.max(self.span.low),
            _ => self.lagged.unwrap_or(self.span.low),
        };
        if let Some(FailureMode::Drift { pct_span_per_h }) = failure {
            self.drift_pct_span += pct_span_per_h * dt_s / 3600.0;
        } else {
            self.drift_pct_span = 0.0;
        }
        let noise_pct_span = match failure {
            Some(FailureMode::Noise { pct_span }) => libm::hypotf(self.noise_pct_span, pct_span),
            _ => self.noise_pct_span,
        };
        let error_pct_span = self.zero_error_pct_span + self.drift_pct_span + noise_pct_span * gaussian;
        // A working transmitter limits its output to the measuring band (NAMUR NE 43).
        let measured_ma = (LoopCurrent::from_quantity(quantity, self.span).as_milliamperes() + 0.16 * error_pct_span)
            .clamp(LoopCurrent::MEASURING_LOW_MA, LoopCurrent::MEASURING_HIGH_MA);
        let ma = match failure {
            Some(FailureMode::Missing) => return None,
            Some(FailureMode::WireBreak) => 0.004 * libm::fabsf(gaussian),
            Some(FailureMode::Short) => 21.6 + 0.002 * gaussian,
            Some(FailureMode::Saturated { high: true }) => 20.75 + 0.002 * gaussian,
            Some(FailureMode::Saturated { high: false }) => 3.7 + 0.002 * gaussian,
            Some(FailureMode::FlatLine) => self.held_ma.unwrap_or(measured_ma),
            _ => measured_ma,
        };
        self.held_ma = Some(ma);
        Some(LoopCurrent::from_milliamperes(ma))
    }
}

/// Share of the way that a first-order lag goes in a step.
fn share_of_lag(lag_s: f32, dt_s: f32) -> f32 {
    if lag_s > 0.0 { 1.0 - libm::expf(-dt_s / lag_s) } else { 1.0 }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::loop_current::LoopBand;

    fn transmitter() -> Transmitter {
        Transmitter::new(Span { low: 0.0, high: 100.0 }, 0.1, 0.1, 0.0)
    }

    #[test]
    fn lag_does_not_depend_on_the_step() {
        let (mut coarse, mut fine) = (transmitter(), transmitter());
        coarse.follow(0.0, 1.0);
        fine.follow(0.0, 1.0);
        let once = coarse.follow(50.0, 0.1);
        let mut often = 0.0;
        for _ in 0..100 {
            often = fine.follow(50.0, 0.001);
        }
        assert!((once - often).abs() < 0.01, "{once} {often}");
    }

    #[test]
    fn failures_land_in_their_bands() {
        let mut t = transmitter();
        t.follow(50.0, 1.0);
        let mut band = |failure| t.current(Some(failure), 0.1, 0.5).map(LoopCurrent::band);
        assert_eq!(band(FailureMode::WireBreak), Some(LoopBand::FailedLow));
        assert_eq!(band(FailureMode::Short), Some(LoopBand::FailedHigh));
        assert_eq!(band(FailureMode::Saturated { high: true }), Some(LoopBand::SaturatedHigh));
        assert_eq!(band(FailureMode::Saturated { high: false }), Some(LoopBand::SaturatedLow));
        assert_eq!(band(FailureMode::Noise { pct_span: 3.0 }), Some(LoopBand::Measuring));
        assert_eq!(band(FailureMode::Missing), None);
    }

    #[test]
    fn a_flat_line_repeats_exactly() {
        let mut t = transmitter();
        t.follow(50.0, 1.0);
        let before = t.current(None, 0.1, 1.0);
        t.follow(70.0, 1.0);
        assert_eq!(t.current(Some(FailureMode::FlatLine), 0.1, -1.0), before);
        assert_eq!(t.current(Some(FailureMode::FlatLine), 0.1, 0.3), before);
    }

    #[test]
    fn drift_walks_with_time_and_ends_with_the_failure() {
        let mut t = Transmitter::new(Span { low: 0.0, high: 100.0 }, 0.0, 0.0, 0.0);
        t.follow(50.0, 1.0);
        let mut after_an_hour = None;
        for _ in 0..3600 {
            after_an_hour = t.current(Some(FailureMode::Drift { pct_span_per_h: 6.0 }), 1.0, 0.0);
        }
        let ma = after_an_hour.map_or(0.0, LoopCurrent::as_milliamperes);
        assert!((ma - (12.0 + 0.96)).abs() < 1e-3, "{ma}");
        assert_eq!(t.current(None, 1.0, 0.0), Some(LoopCurrent::from_milliamperes(12.0)));
    }
}
