//! The prefix code of the residuals: nine tables for bell-shaped distributions of different width.
//!
//! A folded residual z is split by a scale (shift k, table): the symbol stands for z >> k, the k low bits follow as they
//! are. Symbols 0 to 15 are z >> k itself; symbol 16 + e means z >> k in 2^(4+e) .. 2^(5+e), with 4 + e bits more.

use crate::bits::{BitReader, BitWriter};

/// Symbols of a table.
const SYMBOLS: usize = 28;
/// Symbols that stand for themselves.
const LINEAR: u32 = 16;
/// Longest code, bits.
const MAX_LEN: u32 = 11;
/// Tables for k = 0 only, narrower than any of the others.
const NARROW: u8 = 5;
/// Tables that are used with every k, a quarter of an octave apart.
const WIDE: u8 = 4;

/// Scale at which every residual of the block is zero and takes no bits.
pub(crate) const SCALE_ZERO: u8 = 0;
/// Scale at which a residual takes 16 bits as it is.
pub(crate) const SCALE_RAW: u8 = 63;
/// Greatest scale with a prefix code.
pub(crate) const SCALE_MAX: u8 = 61;

/// Code lengths, bits, by table and symbol: Huffman codes for a normal distribution of residuals (98 %) with a wider
/// exponential one (2 %). The folded standard deviations, in symbols: 0.35, 0.5, 0.7, 1, 1.4; 2, 2.38, 2.83, 3.36.
const LENGTHS: [[u8; SYMBOLS]; (NARROW + WIDE) as usize] = [
    [1, 2, 3, 4, 5, 6, 8, 9, 11, 11, 11, 11, 11, 11, 11, 11, 11, 11, 11, 11, 11, 11, 11, 11, 11, 11, 11, 11],
    [1, 2, 3, 4, 5, 7, 7, 8, 9, 10, 11, 11, 11, 11, 11, 11, 11, 11, 11, 11, 11, 11, 11, 11, 11, 11, 11, 11],
    [1, 2, 3, 5, 5, 6, 6, 7, 7, 8, 9, 10, 10, 10, 11, 11, 11, 11, 11, 11, 11, 11, 11, 11, 11, 11, 11, 11],
    [1, 2, 3, 4, 6, 6, 7, 8, 8, 8, 9, 10, 10, 11, 11, 11, 10, 11, 11, 11, 11, 11, 11, 11, 11, 11, 11, 11],
    [1, 2, 3, 4, 5, 7, 8, 8, 9, 9, 10, 10, 10, 11, 11, 11, 9, 11, 11, 11, 11, 11, 11, 11, 11, 11, 11, 11],
    [1, 2, 3, 4, 5, 6, 8, 10, 10, 11, 11, 11, 11, 11, 11, 11, 10, 11, 11, 11, 11, 11, 11, 11, 11, 11, 11, 11],
    [2, 2, 2, 3, 4, 5, 6, 8, 10, 11, 11, 11, 11, 11, 11, 11, 9, 11, 11, 11, 11, 11, 11, 11, 11, 11, 11, 11],
    [2, 2, 2, 3, 4, 5, 6, 8, 9, 11, 11, 11, 11, 11, 11, 11, 10, 11, 11, 11, 11, 11, 11, 11, 11, 11, 11, 11],
    [2, 2, 3, 3, 3, 4, 5, 7, 7, 8, 9, 11, 11, 11, 11, 11, 9, 11, 11, 11, 11, 11, 11, 11, 11, 11, 11, 11],
];

/// One entry of a table for writing.
#[derive(Clone, Copy)]
struct Code {
    bits: u16,
    len: u8,
}

/// One entry of a table for reading.
#[derive(Clone, Copy, Default)]
struct Symbol {
    /// Lowest z >> k.
    base: u16,
    /// Bits of the code.
    len: u8,
    /// Bits that follow, those of the shift not counted.
    extra: u8,
}

const READ_LEN: usize = 1 << MAX_LEN;

static WRITE_TABLES: [[Code; SYMBOLS]; LENGTHS.len()] = write_tables();
static READ_TABLES: [[Symbol; READ_LEN]; LENGTHS.len()] = read_tables();

/// Canonical codes: shorter first, equal lengths by symbol; sent from the most significant bit on, so stored reversed.
#[allow(clippy::indexing_slicing, clippy::arithmetic_side_effects)] // runs in the compiler only
const fn write_tables() -> [[Code; SYMBOLS]; LENGTHS.len()] {
    let mut tables = [[Code { bits: 0, len: 0 }; SYMBOLS]; LENGTHS.len()];
    let mut table = 0;
    while table < LENGTHS.len() {
        let mut next: u16 = 0;
        let mut len: u8 = 1;
        while len as u32 <= MAX_LEN {
            let mut symbol = 0;
            while symbol < SYMBOLS {
                if LENGTHS[table][symbol] == len {
                    tables[table][symbol] = Code { bits: next.reverse_bits() >> (16 - len), len };
                    next += 1;
                }
                symbol += 1;
            }
            next <<= 1;
            len += 1;
        }
        table += 1;
    }
    tables
}

#[allow(clippy::indexing_slicing, clippy::arithmetic_side_effects)] // runs in the compiler only
const fn read_tables() -> [[Symbol; READ_LEN]; LENGTHS.len()] {
    let codes = write_tables();
    let mut tables = [[Symbol { base: 0, len: 0, extra: 0 }; READ_LEN]; LENGTHS.len()];
    let mut table = 0;
    while table < LENGTHS.len() {
        let mut symbol = 0;
        while symbol < SYMBOLS {
            let extra = if symbol < LINEAR as usize { 0 } else { symbol - LINEAR as usize + 4 };
            let base = if extra == 0 { symbol } else { 1 << extra };
            let code = codes[table][symbol];
            let mut at = code.bits as usize;
            while at < READ_LEN {
                tables[table][at] = Symbol { base: base as u16, len: code.len, extra: extra as u8 };
                at += 1 << code.len;
            }
            symbol += 1;
        }
        table += 1;
    }
    tables
}

/// Shift and table number of a scale with a prefix code.
fn split(scale: u8) -> (u32, usize) {
    let wide = scale.wrapping_sub(1).saturating_sub(NARROW);
    let table = if scale <= NARROW { scale.wrapping_sub(1) } else { NARROW.wrapping_add(wide % WIDE) };
    (u32::from(wide / WIDE), usize::from(table))
}

/// The scale that suits folded residuals of a mean of `mean_64` / 64.
pub(crate) fn scale_for(mean_64: u32) -> u8 {
    // The mean of a folded normal distribution is 0.8 of its scale, so table "2" begins about a mean of 1.46.
    const NARROW_UP_TO: [u32; NARROW as usize] = [21, 30, 43, 61, 87];
    if let Some(place) = NARROW_UP_TO.iter().position(|&limit| mean_64 < limit) {
        return place.wrapping_add(1) as u8;
    }
    // Quarter octaves above 93.5 / 64, the fraction between octaves taken as a straight line.
    let in_steps = (mean_64.saturating_mul(175) / 64).max(256);
    let octave = in_steps.ilog2();
    let quarter = (in_steps >> octave.wrapping_sub(2)) & 3;
    let step = octave.wrapping_sub(8).wrapping_mul(4).wrapping_add(quarter);
    (NARROW as u32).wrapping_add(1).wrapping_add(step).min(u32::from(SCALE_MAX)) as u8
}

/// A scale made ready for writing.
#[derive(Clone, Copy)]
pub(crate) struct ScaleWriter {
    shift: u32,
    codes: &'static [Code; SYMBOLS],
}

impl ScaleWriter {
    /// `None` when the scale has no prefix code.
    pub(crate) fn new(scale: u8) -> Option<ScaleWriter> {
        let (shift, table) = split(scale);
        let codes = WRITE_TABLES.get(table).filter(|_| (1..=SCALE_MAX).contains(&scale))?;
        Some(ScaleWriter { shift, codes })
    }

    /// Code, number of bits after it, and those bits.
    #[inline(always)]
    fn parts(self, folded: u16) -> (Code, u32, u32) {
        let folded = u32::from(folded);
        let high = folded.wrapping_shr(self.shift);
        let bucket = high.max(1).ilog2();
        let (symbol, extra) = if high < LINEAR {
            (high, self.shift)
        } else {
            (bucket.wrapping_add(LINEAR - 4), bucket.wrapping_add(self.shift))
        };
        let code = self.codes.get(symbol as usize).copied().unwrap_or(Code { bits: 0, len: 0 });
        (code, extra, folded & 1_u32.wrapping_shl(extra).wrapping_sub(1))
    }

    /// Writes residuals.
    pub(crate) fn write<const N: usize>(self, folded: &[u16], bits: &mut BitWriter<N>) {
        for &z in folded {
            let (code, extra, low) = self.parts(z);
            let len = u32::from(code.len);
            bits.put(u32::from(code.bits) | low.wrapping_shl(len), len.wrapping_add(extra));
        }
    }
}

/// A scale made ready for reading.
#[derive(Clone, Copy)]
pub(crate) struct ScaleReader {
    shift: u32,
    symbols: &'static [Symbol; READ_LEN],
}

impl ScaleReader {
    /// `None` when the scale has no prefix code.
    pub(crate) fn new(scale: u8) -> Option<ScaleReader> {
        let (shift, table) = split(scale);
        let symbols = READ_TABLES.get(table).filter(|_| (1..=SCALE_MAX).contains(&scale))?;
        Some(ScaleReader { shift, symbols })
    }

    /// Reads one folded residual.
    #[inline(always)]
    pub(crate) fn read(self, bits: &mut BitReader<'_>) -> u16 {
        bits.refill();
        let ahead = bits.ahead();
        let symbol = self.symbols.get(ahead as usize & (READ_LEN - 1)).copied().unwrap_or_default();
        let len = u32::from(symbol.len);
        let extra = u32::from(symbol.extra).wrapping_add(self.shift);
        let low = ahead.wrapping_shr(len) & 1_u64.wrapping_shl(extra).wrapping_sub(1);
        bits.skip(len.wrapping_add(extra));
        u64::from(symbol.base).wrapping_shl(self.shift).wrapping_add(low) as u16
    }
}

#[cfg(test)]
#[allow(clippy::indexing_slicing, clippy::arithmetic_side_effects)]
mod tests {
    extern crate std;
    use std::{format, string::String, vec::Vec};

    use super::*;

    #[test]
    fn every_table_is_a_complete_prefix_code() {
        // Source: Kraft 1949; McMillan 1956: the sum of 2^-length is 1 for a code without gaps.
        for lengths in LENGTHS {
            let sum: u32 = lengths.iter().map(|&len| 1 << (MAX_LEN - u32::from(len))).sum();
            assert_eq!(sum, 1 << MAX_LEN);
        }
    }

    #[test]
    fn the_format_document_has_the_same_lengths() {
        let document = include_str!("../FORMAT.md");
        for (table, lengths) in LENGTHS.iter().enumerate() {
            let cells: Vec<String> = lengths.iter().map(|len| format!("{len}")).collect();
            assert!(document.contains(&format!("| {table} | {} |", cells.join(" | "))));
        }
    }

    #[test]
    fn every_folded_residual_comes_back_at_every_scale() {
        for scale in 1..=SCALE_MAX {
            let (writer, reader) = (ScaleWriter::new(scale), ScaleReader::new(scale));
            let (Some(writer), Some(reader)) = (writer, reader) else {
                unreachable!("scale {scale}");
            };
            for folded in (0..=u16::MAX).step_by(7).chain([u16::MAX]) {
                let mut bits = BitWriter::<16>::new();
                writer.write(&[folded], &mut bits);
                assert_eq!(reader.read(&mut BitReader::new(bits.whole_bytes())), folded);
            }
        }
    }

    #[test]
    fn the_scale_grows_with_the_mean() {
        let scales: Vec<u8> = (0..1 << 22).step_by(5).map(scale_for).collect();
        assert!(scales.is_sorted());
        assert_eq!((scales[0], scales[scales.len() - 1]), (1, 61));
    }
}
