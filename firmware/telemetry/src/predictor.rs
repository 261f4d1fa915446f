//! Predictors of the next code: a level and a slope, both in 1/65536 of a code, that follow the samples.
//!
//! All arithmetic wraps at 32 bits, so level and code wrap alike and any code can follow any other.

/// How a predictor follows a residual r: level += slope + r >> `level_shift`, slope += r >> `slope_shift`.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) struct Gains {
    level_shift: u32,
    slope_shift: u32,
    /// All ones with a slope, zero without.
    slope_mask: i32,
}

const fn level(level_shift: u32) -> Gains {
    Gains { level_shift, slope_shift: 0, slope_mask: 0 }
}

const fn sloped(level_shift: u32, slope_shift: u32) -> Gains {
    Gains { level_shift, slope_shift, slope_mask: -1 }
}

/// The predictors by number, from slow to fast: exponential averages, some with a slope; number 6 is the last value.
pub(crate) const PREDICTORS: [Gains; 8] =
    [level(5), level(4), level(3), sloped(3, 7), level(2), sloped(1, 3), level(0), sloped(0, 1)];

/// The gains of a predictor by its number, of which the low three bits count.
pub(crate) fn gains_of(number: u8) -> Gains {
    let [first, ..] = PREDICTORS;
    PREDICTORS.get(usize::from(number & 7)).copied().unwrap_or(first)
}

/// State of a channel's prediction.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) struct Track {
    level: i32,
    slope: i32,
}

impl Track {
    /// A track that stands still at code 0.
    pub(crate) const STILL: Track = Track { level: 0, slope: 0 };

    /// The code at which the track stands.
    pub(crate) fn code_level(self) -> i16 {
        (self.level >> 16) as i16
    }

    /// A track that stands still at a code.
    pub(crate) fn at(code: i16) -> Track {
        Track { level: i32::from(code).wrapping_shl(16), slope: 0 }
    }

    /// The track under another predictor: one without slope forgets it.
    pub(crate) fn under(self, gains: Gains) -> Track {
        Track { level: self.level, slope: self.slope & gains.slope_mask }
    }

    #[inline(always)]
    fn predicted(self) -> i16 {
        (self.level.wrapping_add(self.slope).wrapping_add(0x8000) >> 16) as i16
    }

    #[inline(always)]
    fn follow(&mut self, gains: Gains, residual: i16) {
        let scaled = i32::from(residual).wrapping_shl(16);
        self.level = self.level.wrapping_add(self.slope).wrapping_add(scaled.wrapping_shr(gains.level_shift));
        self.slope = self.slope.wrapping_add(scaled.wrapping_shr(gains.slope_shift) & gains.slope_mask);
    }

    /// The residual of a code.
    #[inline(always)]
    pub(crate) fn residual(&mut self, gains: Gains, code: i16) -> i16 {
        let residual = code.wrapping_sub(self.predicted());
        self.follow(gains, residual);
        residual
    }

    /// Sum of the folded residuals that the codes would have, the track itself left where it is.
    pub(crate) fn residual_sum(self, gains: Gains, codes: &[i16]) -> u32 {
        let mut track = self.under(gains);
        codes.iter().fold(0, |sum: u32, &code| sum.wrapping_add(u32::from(zigzag(track.residual(gains, code)))))
    }

    /// The code that has a residual.
    #[inline(always)]
    pub(crate) fn code(&mut self, gains: Gains, residual: i16) -> i16 {
        let code = self.predicted().wrapping_add(residual);
        self.follow(gains, residual);
        code
    }
}

/// Folds a signed residual to 0, 1, 2, ... for 0, -1, 1, ...
#[inline(always)]
pub(crate) const fn zigzag(residual: i16) -> u16 {
    (residual.wrapping_shl(1) ^ residual.wrapping_shr(15)) as u16
}

/// Unfolds [`zigzag`].
#[inline(always)]
pub(crate) const fn unzigzag(folded: u16) -> i16 {
    ((folded >> 1) as i16) ^ ((folded & 1) as i16).wrapping_neg()
}
