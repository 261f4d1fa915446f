//! Coding one channel's part of a block: predictor, scale and residuals.

use crate::MISSING_CODE;
use crate::batch::MAX_BLOCK_SAMPLES;
use crate::bits::BitWriter;
use crate::predictor::{PREDICTORS, Track, gains_of, zigzag};
use crate::prefix_code::{SCALE_MAX, SCALE_RAW, SCALE_ZERO, ScaleWriter, scale_for};

/// Half of the predictors are compared in every so many blocks: a signal changes its kind seldom.
const COMPARED_EVERY: u8 = 4;

/// How a channel's block is coded.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) struct Coding {
    /// No sample of the block is there.
    pub(crate) absent: bool,
    /// Number of the predictor.
    pub(crate) predictor: u8,
    /// Scale of the prefix code.
    pub(crate) scale: u8,
}

impl Coding {
    /// The coding at the start of a batch.
    pub(crate) const START: Coding = Coding { absent: false, predictor: 0, scale: SCALE_ZERO };
}

/// Encoder of one channel. What it learns of the signal outlives a batch, what it has sent does not.
#[derive(Clone, Copy, Debug)]
pub(crate) struct ChannelEncoder {
    track: Track,
    /// How the last block was coded that had samples.
    last: Coding,
    /// Mean residual of that block.
    usual_residual: u32,
    /// Counts blocks, for when predictors are compared.
    turn: u8,
    /// Whether the track follows a signal yet.
    tracking: bool,
    /// The coding that a decoder of this batch knows.
    sent: Coding,
    /// Whether a decoder of this batch knows the level.
    level_sent: bool,
}

/// The samples of a block that are there, packed together.
struct Packed {
    codes: [i16; MAX_BLOCK_SAMPLES],
    count: usize,
}

impl Packed {
    const EMPTY: Packed = Packed { codes: [0; MAX_BLOCK_SAMPLES], count: 0 };

    fn of(column: &[i16]) -> Packed {
        let mut packed = Packed::EMPTY;
        for &code in column.iter().filter(|&&code| code != MISSING_CODE) {
            if let Some(slot) = packed.codes.get_mut(packed.count) {
                *slot = code;
                packed.count = packed.count.wrapping_add(1);
            }
        }
        packed
    }

    fn codes(&self) -> &[i16] {
        self.codes.get(..self.count).unwrap_or_default()
    }
}

impl ChannelEncoder {
    pub(crate) const NEW: ChannelEncoder = ChannelEncoder {
        track: Track::STILL,
        last: Coding::START,
        usual_residual: 0,
        turn: 0,
        tracking: false,
        sent: Coding::START,
        level_sent: false,
    };

    /// Begins a new batch, which must decode by itself.
    pub(crate) fn begin_batch(&mut self) {
        self.sent = Coding::START;
        self.level_sent = false;
    }

    /// Codes the samples of a block.
    pub(crate) fn code_block<const N: usize>(&mut self, column: &[i16], bits: &mut BitWriter<N>) {
        let whole = !column.contains(&MISSING_CODE);
        let packed;
        let codes = if whole {
            column
        } else {
            packed = Packed::of(column);
            packed.codes()
        };
        if codes.is_empty() {
            let header = if self.sent.absent { (1, 1) } else { (0b010, 3) };
            bits.put(header.0, header.1);
            self.sent.absent = true;
            return;
        }
        if !self.tracking {
            self.tracking = true;
            self.track = Track::at(mean_of_first(codes));
        }
        // Only the whole part of the level is sent.
        let level = (!self.level_sent).then(|| self.track.code_level());
        self.track = level.map_or(self.track, Track::at);

        let mut folded = [0_u16; MAX_BLOCK_SAMPLES];
        let folded = folded.get_mut(..codes.len()).unwrap_or_default();
        let (predictor, sum) = self.predict(codes, folded);
        let mut coding = Coding { absent: false, predictor, scale: self.choose_scale(folded, predictor, sum) };
        let gaps = (!whole).then_some(column);
        let before = bits.mark();
        self.put_header(coding, level, gaps, bits);
        let header_end = bits.len();
        put_residuals(coding.scale, folded, bits);
        if bits.len().wrapping_sub(header_end) > codes.len().wrapping_mul(16) {
            bits.go_back(before);
            coding.scale = SCALE_RAW;
            self.put_header(coding, level, gaps, bits);
            put_residuals(coding.scale, folded, bits);
        }
        (self.last, self.sent, self.level_sent) = (coding, coding, true);
    }

    fn put_header<const N: usize>(
        &self,
        coding: Coding,
        level: Option<i16>,
        gaps: Option<&[i16]>,
        bits: &mut BitWriter<N>,
    ) {
        let whole = gaps.is_none();
        let same = whole && level.is_none() && coding == self.sent;
        bits.put(u32::from(same), 1);
        if same {
            return;
        }
        if let Some(step) = self.scale_step(coding).filter(|_| whole && level.is_none()) {
            bits.put(3, 2);
            bits.put(step, 3);
            return;
        }
        bits.put(if whole { 0 } else { 2 }, 2);
        if let Some(column) = gaps {
            put_missing_runs(column, bits);
        }
        bits.put(u32::from(coding.predictor), 3);
        bits.put(u32::from(coding.scale), 6);
        bits.put(u32::from(level.is_some()), 1);
        if let Some(level) = level {
            bits.put(u32::from(level as u16), 16);
        }
    }

    /// The short form of a coding that differs from the last by a few steps of the scale: 0 to 3 for 1 to 4 up, 4 to 7
    /// for 1 to 4 down.
    fn scale_step(&self, coding: Coding) -> Option<u32> {
        let before = Coding { scale: coding.scale, ..self.sent };
        let up = coding.scale.wrapping_sub(self.sent.scale);
        match (before == coding, up) {
            (true, 1..=4) => Some(u32::from(up.wrapping_sub(1))),
            (true, 252..) => Some(u32::from(up.wrapping_neg().wrapping_add(3))),
            _ => None,
        }
    }

    /// Chooses the predictor, folds its residuals and moves the track on; returns its number and their sum.
    ///
    /// To save time half of the others are tried in some blocks only; all of them when the last one does much worse than
    /// in the block before.
    fn predict(&mut self, codes: &[i16], folded: &mut [u16]) -> (u8, u32) {
        let start = self.track;
        let last = self.last.predictor;
        let last_sum = self.fold_residuals(start, last, codes, folded);
        let mean = |sum: u32| sum.checked_div(codes.len() as u32).unwrap_or(0);
        let worse = mean(last_sum) > self.usual_residual.saturating_mul(2).saturating_add(1);
        self.turn = self.turn.wrapping_add(1);
        let due = self.turn.is_multiple_of(COMPARED_EVERY);
        let half = (self.turn / COMPARED_EVERY) % 2;

        // Another predictor must save more than it costs to say so.
        let mut best = (last, last_sum.wrapping_sub(last_sum / 32));
        if due || worse {
            for (number, &gains) in (0_u8..).zip(PREDICTORS.iter()) {
                if number != last && (worse || number % 2 == half) {
                    let sum = start.residual_sum(gains, codes);
                    best = if sum < best.1 { (number, sum) } else { best };
                }
            }
        }
        let sum = if best.0 == last { last_sum } else { self.fold_residuals(start, best.0, codes, folded) };
        self.usual_residual = mean(sum);
        (best.0, sum)
    }

    /// Folds the residuals of one predictor and returns their sum.
    fn fold_residuals(&mut self, start: Track, predictor: u8, codes: &[i16], folded: &mut [u16]) -> u32 {
        let gains = gains_of(predictor);
        let mut track = start.under(gains);
        let mut sum = 0_u32;
        for (slot, &code) in folded.iter_mut().zip(codes) {
            *slot = zigzag(track.residual(gains, code));
            sum = sum.wrapping_add(u32::from(*slot));
        }
        self.track = track;
        sum
    }

    /// The scale that suits the residuals, or the last one when it is next to it.
    fn choose_scale(&self, folded: &[u16], predictor: u8, sum: u32) -> u8 {
        if sum == 0 {
            return SCALE_ZERO;
        }
        let mean_64 = |sum: u32| sum.wrapping_mul(64).checked_div(folded.len() as u32).unwrap_or(0);
        // A step in the block must not widen the code of all its residuals.
        let cap = (mean_64(sum) / 16).max(4);
        let capped = folded.iter().fold(0_u32, |sum, &z| sum.wrapping_add(u32::from(z).min(cap)));
        let fitted = scale_for(mean_64(capped));
        let usable = predictor == self.last.predictor && (1..=SCALE_MAX).contains(&self.last.scale);
        if usable && fitted.abs_diff(self.last.scale) <= 1 { self.last.scale } else { fitted }
    }
}

fn put_residuals<const N: usize>(scale: u8, folded: &[u16], bits: &mut BitWriter<N>) {
    match ScaleWriter::new(scale) {
        Some(writer) => writer.write(folded, bits),
        None if scale == SCALE_RAW => folded.iter().for_each(|&z| bits.put(u32::from(z), 16)),
        None => {}
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
        column.iter().zip(before).enumerate().filter(move |(_, (now, before))| missing(now) && !missing(before))
    };
    bits.put((starts().count() as u32).wrapping_sub(1), 5);
    for (start, _) in starts() {
        let len = column.iter().skip(start).take_while(|&&code| code == MISSING_CODE).count();
        bits.put(start as u32 | (len as u32).wrapping_sub(1).wrapping_shl(6), 12);
    }
}
