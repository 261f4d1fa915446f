//! Shunt and converter: loop current to code and back.

use serde::{Deserialize, Serialize};

use crate::{channel::Span, loop_current::LoopCurrent, sample::MISSING_CODE};

/// Shunt and full scale of the 16-bit converter.
///
/// The default, 150 ohm on +-4.096 V, holds 22 mA (3.3 V) and gives 19,200 counts from 4 to 20 mA.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct FrontEnd {
    /// Shunt across which the loop current is read, ohm.
    pub shunt_ohm: f32,
    /// Voltage of code 32768, V.
    pub full_scale_v: f32,
}

impl Default for FrontEnd {
    fn default() -> Self {
        FrontEnd { shunt_ohm: 150.0, full_scale_v: 4.096 }
    }
}

impl FrontEnd {
    /// Codes a milliampere.
    #[inline]
    pub fn codes_per_milliampere(self) -> f32 {
        self.shunt_ohm * 32.768 / self.full_scale_v
    }

    /// Whether the converter still reads this current without clipping.
    pub fn holds(self, current: LoopCurrent) -> bool {
        current.as_milliamperes() * self.codes_per_milliampere() <= 32767.0
    }

    /// The code that the converter gives for a current: rounded to nearest, clipped at its ends.
    pub fn code_from_current(self, current: LoopCurrent) -> i16 {
        let code = libm::rintf(current.as_milliamperes() * self.codes_per_milliampere());
        // -32768 is kept free as the mark of a missing sample.
        code.clamp(-32767.0, 32767.0) as i16
    }

    /// The current behind a code; `None` for a missing sample.
    pub fn current_from_code(self, code: i16) -> Option<LoopCurrent> {
        (code != MISSING_CODE).then(|| LoopCurrent::from_milliamperes(f32::from(code) / self.codes_per_milliampere()))
    }

    /// The line from code to quantity for one span.
    pub fn scale(self, span: Span) -> Scale {
        let per_milliampere = self.codes_per_milliampere();
        let quantity_per_code = span.width() / (16.0 * per_milliampere);
        Scale { quantity_per_code, at_code_zero: span.low - 4.0 * per_milliampere * quantity_per_code }
    }
}

/// Straight line from code to quantity, worked out once.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Scale {
    /// Change of the quantity a code.
    pub quantity_per_code: f32,
    /// Quantity at code 0.
    pub at_code_zero: f32,
}

impl Scale {
    /// The quantity behind a code, NaN for a missing sample.
    #[inline(always)]
    pub fn quantity(self, code: i16) -> f32 {
        if code == MISSING_CODE { f32::NAN } else { self.at_code_zero + f32::from(code) * self.quantity_per_code }
    }

    /// The code nearest to a quantity, `MISSING_CODE` for NaN, clipped at the converter's ends.
    #[inline]
    pub fn code(self, quantity: f32) -> i16 {
        if quantity.is_nan() {
            return MISSING_CODE;
        }
        libm::rintf((quantity - self.at_code_zero) / self.quantity_per_code).clamp(-32767.0, 32767.0) as i16
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn default_front_end_holds_22_milliamperes() {
        let front_end = FrontEnd::default();
        assert!(front_end.holds(LoopCurrent::from_milliamperes(22.0)));
        assert_eq!(front_end.code_from_current(LoopCurrent::from_milliamperes(20.0)), 24_000);
        assert_eq!(front_end.code_from_current(LoopCurrent::from_milliamperes(4.0)), 4_800);
    }

    #[test]
    fn scale_goes_there_and_back() {
        let scale = FrontEnd::default().scale(Span { low: -100.0, high: 1600.0 });
        for code in [-32767_i16, -1, 0, 4_800, 12_345, 24_000, 32_767] {
            assert_eq!(scale.code(scale.quantity(code)), code);
        }
        assert_eq!(scale.code(scale.quantity(MISSING_CODE)), MISSING_CODE);
        assert!((scale.quantity(4_800) + 100.0).abs() < 1e-3);
    }
}
