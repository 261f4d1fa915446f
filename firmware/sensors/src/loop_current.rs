//! The 4-20 mA loop and its bands.

use crate::channel::Span;

/// What a loop current says about itself.
///
/// # Source
/// NAMUR NE 43: measuring information 3.8 to 20.5 mA, failure information at or below 3.6 mA and at or above 21 mA.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum LoopBand {
    /// At or below 3.6 mA: failure information, as a broken wire gives it.
    FailedLow,
    /// Between 3.6 and 3.8 mA: not a measurement, not yet a failure.
    SaturatedLow,
    /// 3.8 to 20.5 mA: a measurement.
    Measuring,
    /// Between 20.5 and 21 mA: not a measurement, not yet a failure.
    SaturatedHigh,
    /// At or above 21 mA: failure information, as a short gives it.
    FailedHigh,
}

/// A loop current.
#[derive(Clone, Copy, Debug, PartialEq, PartialOrd)]
pub struct LoopCurrent {
    milliamperes: f32,
}

impl LoopCurrent {
    /// Greatest failure information at the low end, mA. Source: NAMUR NE 43.
    pub const FAILED_LOW_MA: f32 = 3.6;
    /// Least measuring information, mA. Source: NAMUR NE 43.
    pub const MEASURING_LOW_MA: f32 = 3.8;
    /// Greatest measuring information, mA. Source: NAMUR NE 43.
    pub const MEASURING_HIGH_MA: f32 = 20.5;
    /// Least failure information at the high end, mA. Source: NAMUR NE 43.
    pub const FAILED_HIGH_MA: f32 = 21.0;

    /// A current of so many milliamperes.
    pub const fn from_milliamperes(milliamperes: f32) -> LoopCurrent {
        LoopCurrent { milliamperes }
    }

    /// The current in milliamperes.
    pub const fn as_milliamperes(self) -> f32 {
        self.milliamperes
    }

    /// The current that stands for a quantity, in the unit of the span.
    pub fn from_quantity(quantity: f32, span: Span) -> LoopCurrent {
        Self::from_milliamperes(4.0 + 16.0 * span.fraction_of(quantity))
    }

    /// The quantity that this current stands for, in the unit of the span; beyond the span it goes on as a line.
    pub fn as_quantity(self, span: Span) -> f32 {
        span.low + (self.milliamperes - 4.0) * (1.0 / 16.0) * span.width()
    }

    /// The band of this current.
    pub fn band(self) -> LoopBand {
        let ma = self.milliamperes;
        if ma <= Self::FAILED_LOW_MA {
            LoopBand::FailedLow
        } else if ma < Self::MEASURING_LOW_MA {
            LoopBand::SaturatedLow
        } else if ma <= Self::MEASURING_HIGH_MA {
            LoopBand::Measuring
        } else if ma < Self::FAILED_HIGH_MA {
            LoopBand::SaturatedHigh
        } else {
            LoopBand::FailedHigh
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn half_the_span_is_twelve_milliamperes() {
        let span = Span { low: -100.0, high: 1000.0 };
        let current = LoopCurrent::from_quantity(450.0, span);
        assert!((current.as_milliamperes() - 12.0).abs() < 1e-5);
        assert!((current.as_quantity(span) - 450.0).abs() < 1e-3);
    }

    #[test]
    fn a_nan_current_is_a_failure() {
        assert_eq!(LoopCurrent::from_milliamperes(f32::NAN).band(), LoopBand::FailedHigh);
    }
}
