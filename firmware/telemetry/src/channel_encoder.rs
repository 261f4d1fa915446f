//! Coding one channel's part of a block: predictor, scale and residuals.

use crate::MISSING_CODE;
use crate::batch::MAX_BLOCK_SAMPLES;
use crate::bits::BitWriter;
use crate::predictor::{PREDICTORS, Track, zigzag};
use crate::prefix_code::{SCALE_RAW, SCALE_ZERO, ScaleWriter, scale_for};

/// How a channel's block is coded.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub(crate) struct Coding {
    /// No sample of the block is there.
    pub(crate) absent: bool,
    /// Number of the predictor.
    pub(crate) predictor: u8,
    /// Scale of the prefix code.
    pub(crate) scale: u8,
}

#[derive(Clone, Copy, Debug)]
pub(crate) struct ChannelEncoder {
    track: Track,
    coding: Coding,
    /// Mean residual of the last block.
    usual_residual: u32,
    /// Predictor that is tried out of turn in the next block.
    turn: u8,
    started: bool,
}

/// A block's samples that are there, packed together.
struct Present {
    codes: [i16; MAX_BLOCK_SAMPLES],
    count: usize,
}

impl Present {
    fn of(column: &[i16]) -> Present {
        let mut present = Present {
            codes: [0; MAX_BLOCK_SAMPLES],
            count: 0,
        };
        for &code in column.iter().filter(|&&code| code != MISSING_CODE) {
            if let Some(slot) = present.codes.get_mut(present.count) {
                *slot = code;
                present.count = present.count.wrapping_add(1);
            }
        }
        present
    }

    fn codes(&self) -> &[i16] {
        self.codes.get(..self.count).unwrap_or_default()
    }
}

impl ChannelEncoder {
    pub(crate) const NEW: ChannelEncoder = ChannelEncoder {
        track: Track::STILL,
        coding: Coding {
            absent: false,
            predictor: 0,
            scale: SCALE_ZERO,
        },
        usual_residual: 0,
        turn: 0,
        started: false,
    };

    pub(crate) fn code_block<const N: usize>(&mut self, column: &[i16], bits: &mut BitWriter<N>) {
        let present = Present::of(column);
        let codes = present.codes();
        if codes.is_empty() {
            let coding = Coding {
                absent: true,
                ..self.coding
            };
            let same = coding == self.coding;
            bits.put(u32::from(same), 1);
            if !same {
                bits.put(1, 2);
            }
            self.coding = coding;
            return;
        }
        let whole = codes.len() == column.len();
        let fresh = !self.started;
        if fresh {
            self.started = true;
            self.track = Track::at(mean_of_first(codes));
        }
        let level = self.track;

        let predictor = self.choose_predictor(codes);
        let mut folded = [0_u16; MAX_BLOCK_SAMPLES];
        let residuals = self.fold_residuals(predictor, codes, &mut folded);
        let scale = self.choose_scale(residuals, predictor);
        let coding = Coding {
            absent: false,
            predictor,
            scale,
        };

        let same = whole && !fresh && coding == self.coding;
        bits.put(u32::from(same), 1);
        if !same {
            bits.put(if whole { 0 } else { 2 }, 2);
            if !whole {
                put_missing_runs(column, bits);
            }
            bits.put(
                u32::from(predictor)
                    | u32::from(scale).wrapping_shl(3)
                    | u32::from(fresh).wrapping_shl(9),
                10,
            );
            if fresh {
                bits.put(u32::from(level.code_level() as u16), 16);
            }
        }
        self.coding = coding;
        match ScaleWriter::new(scale) {
            Some(writer) => writer.write(residuals, bits),
            None if scale == SCALE_RAW => {
                residuals.iter().for_each(|&z| bits.put(u32::from(z), 16))
            }
            None => {}
        }
    }

    /// The predictor with the least sum of residuals; another than the last must save more than it costs to say so.
    ///
    /// To save time it tries the last predictor, its neighbours, and each of the others in turn; but all of them at the
    /// start, or when the last one does much worse than in the block before.
    fn choose_predictor(&mut self, codes: &[i16]) -> u8 {
        let cost = |gains| {
            let mut track = self.track.under(gains);
            codes.iter().fold(0_u32, |sum, &code| {
                sum.wrapping_add(u32::from(track.residual(gains, code).unsigned_abs()))
            })
        };
        let last = self.coding.predictor;
        let last_cost = PREDICTORS
            .get(usize::from(last))
            .map_or(u32::MAX, |&gains| cost(gains));
        let mean = last_cost.checked_div(codes.len() as u32).unwrap_or(0);
        let all = mean > self.usual_residual.saturating_mul(2).saturating_add(1);
        self.turn = self.turn.wrapping_add(1) & 7;
        let mut best = (last, last_cost.wrapping_sub(last_cost / 16));
        for (number, &gains) in (0_u8..).zip(PREDICTORS.iter()) {
            let near = number.abs_diff(last) == 1;
            if number != last && (near || all || number == self.turn) {
                let sum = cost(gains);
                if sum < best.1 {
                    best = (number, sum);
                }
            }
        }
        self.usual_residual = mean;
        best.0
    }

    fn fold_residuals<'a>(
        &mut self,
        predictor: u8,
        codes: &[i16],
        folded: &'a mut [u16],
    ) -> &'a [u16] {
        let gains = PREDICTORS
            .get(usize::from(predictor))
            .copied()
            .unwrap_or(PREDICTORS[0]);
        let mut track = self.track.under(gains);
        for (slot, &code) in folded.iter_mut().zip(codes) {
            *slot = zigzag(track.residual(gains, code));
        }
        self.track = track;
        folded.get(..codes.len()).unwrap_or_default()
    }

    fn choose_scale(&self, residuals: &[u16], predictor: u8) -> u8 {
        let count = residuals.len() as u32;
        let mean = |sum: u32| sum.checked_div(count).unwrap_or(0);
        let capped_sum = |cap| {
            residuals
                .iter()
                .fold(0_u32, |sum, &z| sum.wrapping_add(u32::from(z).min(cap)))
        };
        let sum = capped_sum(u32::MAX);
        if sum == 0 {
            return SCALE_ZERO;
        }
        // A step in the block must not widen the code of all its residuals.
        let sum = capped_sum(mean(sum).saturating_mul(4).max(4));
        let fitted = scale_for(mean(sum.saturating_mul(64)));
        let cost =
            |scale| ScaleWriter::new(scale).map_or(u32::MAX, |writer| writer.cost(residuals));
        let mut best = (fitted, cost(fitted));
        let last_cost = cost(self.coding.scale);
        if predictor == self.coding.predictor && last_cost <= best.1.saturating_add(12) {
            best = (self.coding.scale, last_cost);
        }
        if best.1 < count.saturating_mul(16) {
            best.0
        } else {
            SCALE_RAW
        }
    }
}

fn mean_of_first(codes: &[i16]) -> i16 {
    let first = || codes.iter().take(8);
    let sum = first().fold(0_i32, |sum, &code| sum.wrapping_add(i32::from(code)));
    sum.checked_div(first().count() as i32).unwrap_or(0) as i16
}

/// Writes the runs of missing samples of a block that has some of both.
fn put_missing_runs<const N: usize>(column: &[i16], bits: &mut BitWriter<N>) {
    let starts = || {
        let before = core::iter::once(&0).chain(column);
        let missing = |code: &i16| *code == MISSING_CODE;
        column
            .iter()
            .zip(before)
            .enumerate()
            .filter(move |(_, (now, before))| missing(now) && !missing(before))
    };
    bits.put((starts().count() as u32).wrapping_sub(1), 5);
    for (start, _) in starts() {
        let len = column
            .iter()
            .skip(start)
            .take_while(|&&code| code == MISSING_CODE)
            .count();
        bits.put(
            start as u32 | (len as u32).wrapping_sub(1).wrapping_shl(6),
            12,
        );
    }
}
