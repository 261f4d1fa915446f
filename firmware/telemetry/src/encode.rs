//! Coding samples into batches, block by block.

use crate::batch::{BatchError, MAX_BATCH_SAMPLES, MAX_BLOCK_SAMPLES, SampleBatch};
use crate::bits::BitWriter;
use crate::predictor::{PREDICTORS, Track, zigzag};
use crate::prefix_code::{SCALE_RAW, SCALE_ZERO, ScaleWriter, scale_for};
use crate::{MAX_CHANNELS, MISSING_CODE};

/// Encoder for the archive: about 1200 samples of three channels a batch.
pub type ArchiveEncoder = BatchEncoder<64, 3584>;

/// Encoder for a live link: up to 16 samples a block, little memory.
pub type LiveEncoder = BatchEncoder<16, 1024>;

/// Longest run of ones of a time deviation's Rice code; after it 64 bits follow as they are.
pub(crate) const TIME_ESCAPE: u32 = 24;

/// What became of a pushed sample.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Pushed {
    /// It was stored; push the next.
    Stored,
    /// It was stored, and a batch is complete: [`BatchEncoder::take`] it before the next push.
    Complete,
}

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
struct Channel {
    track: Track,
    coding: Coding,
    /// Mean residual of the last block.
    usual_residual: u32,
    /// Predictor that is tried out of turn in the next block.
    turn: u8,
    started: bool,
}

/// Collects samples and codes them; `BLOCK` samples are coded in one go, a batch takes at most `BYTES` bytes.
#[derive(Clone, Debug)]
pub struct BatchEncoder<const BLOCK: usize, const BYTES: usize> {
    channel_count: u8,
    period_us: u32,
    max_samples: u16,

    times_us: [i64; BLOCK],
    contacts: [u8; BLOCK],
    codes: [[i16; BLOCK]; MAX_CHANNELS],
    pending: usize,

    bits: BitWriter<BYTES>,
    channels: [Channel; MAX_CHANNELS],
    first_us: i64,
    last_us: i64,
    last_contacts: u8,
    samples: u16,
    complete: bool,
    taken: bool,
}

/// Most bytes that a block can take: times 88 bits, contacts 14, codes 16 a sample; headers beside them.
const fn worst_block_len(samples: usize) -> usize {
    let times = 7_usize.saturating_add(samples.saturating_mul(88));
    let contacts = 7_usize.saturating_add(samples.saturating_mul(14));
    // 3 flags, 10 for predictor and scale, 17 for a level; runs of missing samples take less than the samples themselves
    let channel = 36_usize.saturating_add(samples.saturating_mul(16));
    times.saturating_add(contacts).saturating_add(channel.saturating_mul(MAX_CHANNELS)).div_ceil(8)
}

impl<const BLOCK: usize, const BYTES: usize> BatchEncoder<BLOCK, BYTES> {
    const SIZES_FIT: () = assert!(
        BLOCK >= 1 && BLOCK <= MAX_BLOCK_SAMPLES && worst_block_len(BLOCK) <= BYTES,
        "a block must have 1 to 64 samples, and BYTES must hold any block"
    );

    /// An encoder for samples of `channels` codes, due every `period_us` microseconds; a batch is complete after
    /// `max_samples` at the latest (limits: 7 channels, 4096 samples; greater numbers are cut down to them).
    pub const fn new(channels: usize, period_us: u32, max_samples: usize) -> Self {
        const { Self::SIZES_FIT };
        BatchEncoder {
            channel_count: if channels < MAX_CHANNELS { channels as u8 } else { MAX_CHANNELS as u8 },
            period_us,
            max_samples: if max_samples < MAX_BATCH_SAMPLES { max_samples as u16 } else { MAX_BATCH_SAMPLES as u16 },
            times_us: [0; BLOCK],
            contacts: [0; BLOCK],
            codes: [[0; BLOCK]; MAX_CHANNELS],
            pending: 0,
            bits: BitWriter::new(),
            channels: [Channel::NEW; MAX_CHANNELS],
            first_us: 0,
            last_us: 0,
            last_contacts: 0,
            samples: 0,
            complete: false,
            taken: false,
        }
    }

    /// Samples that are stored and not yet taken.
    pub fn len(&self) -> usize {
        let coded = if self.taken { 0 } else { self.samples };
        usize::from(coded).wrapping_add(self.pending)
    }

    /// Whether no sample waits to be taken.
    pub fn is_empty(&self) -> bool {
        self.len() == 0
    }

    /// Stores a sample: Unix time in microseconds, one code a channel ([`MISSING_CODE`] where there is none), contacts.
    ///
    /// # Errors
    /// [`BatchError::WrongChannels`], or [`BatchError::NotTaken`] after [`Pushed::Complete`]; the sample is not stored.
    pub fn push(&mut self, time_us: i64, codes: &[i16], contacts: u8) -> Result<Pushed, BatchError> {
        if codes.len() != usize::from(self.channel_count) {
            return Err(BatchError::WrongChannels);
        }
        self.begin_if_taken();
        if self.pending == BLOCK && !self.complete {
            // Left over from the batch before; any block fits an empty batch.
            self.code_block();
        }
        let (Some(time), Some(contact), false) =
            (self.times_us.get_mut(self.pending), self.contacts.get_mut(self.pending), self.complete)
        else {
            return Err(BatchError::NotTaken);
        };
        *time = time_us;
        *contact = contacts;
        for (column, &code) in self.codes.iter_mut().zip(codes) {
            if let Some(slot) = column.get_mut(self.pending) {
                *slot = code;
            }
        }
        self.pending = self.pending.wrapping_add(1);
        let count = usize::from(self.samples).wrapping_add(self.pending);
        let full = count >= usize::from(self.max_samples);
        if self.pending == BLOCK || full {
            self.complete = !self.code_block() || full;
        }
        Ok(if self.complete { Pushed::Complete } else { Pushed::Stored })
    }

    /// Codes what is pending and lends the batch; `None` when there is no sample.
    ///
    /// A block that did not fit stays for the next batch: to empty the encoder, take until `None`.
    pub fn take(&mut self) -> Option<SampleBatch<'_>> {
        self.begin_if_taken();
        self.code_block();
        if self.samples == 0 {
            return None;
        }
        self.taken = true;
        self.complete = false;
        Some(SampleBatch {
            first_us: self.first_us,
            period_us: self.period_us,
            samples: self.samples,
            block: BLOCK as u8,
            channels: self.channel_count,
            bits: self.bits.whole_bytes(),
        })
    }

    fn begin_if_taken(&mut self) {
        if !self.taken {
            return;
        }
        self.taken = false;
        self.samples = 0;
        self.last_contacts = 0;
        self.bits.clear();
        self.channels = [Channel::NEW; MAX_CHANNELS];
    }

    /// Codes the pending samples as a block; false when it does not fit and stays pending.
    fn code_block(&mut self) -> bool {
        // A short block can only be the last: nothing may follow it.
        let short_before = usize::from(self.samples) % BLOCK != 0;
        if self.pending == 0 || short_before {
            return self.pending == 0;
        }
        let mark = self.bits.mark();
        let (channels, last_us, last_contacts) = (self.channels, self.last_us, self.last_contacts);
        if self.samples == 0 {
            self.first_us = self.times_us.first().copied().unwrap_or(0);
            self.last_us = self.first_us.wrapping_sub(i64::from(self.period_us));
        }
        self.code_times();
        self.code_contacts();
        let columns = self.codes.iter().zip(self.channels.iter_mut());
        for (column, channel) in columns.take(usize::from(self.channel_count)) {
            channel.code_block(column.get(..self.pending).unwrap_or_default(), &mut self.bits);
        }
        if self.bits.overflowed() {
            self.bits.go_back(mark);
            (self.channels, self.last_us, self.last_contacts) = (channels, last_us, last_contacts);
            return false;
        }
        self.samples = self.samples.wrapping_add(self.pending as u16);
        self.pending = 0;
        true
    }

    fn code_times(&mut self) {
        let times = self.times_us.get(..self.pending).unwrap_or_default();
        let period = i64::from(self.period_us);
        let deviations = || {
            times.iter().scan(self.last_us, |last, &time| {
                let step = time.wrapping_sub(*last);
                *last = time;
                Some(zigzag_long(step.wrapping_sub(period)))
            })
        };
        let sum = deviations().fold(0_u64, u64::saturating_add);
        let uniform = sum == 0;
        self.bits.put(u32::from(uniform), 1);
        if !uniform {
            let mean = sum / (times.len().max(1) as u64);
            let k = mean.max(1).ilog2();
            self.bits.put(k, 6);
            for deviation in deviations() {
                put_rice(&mut self.bits, deviation, k);
            }
        }
        self.last_us = times.last().copied().unwrap_or(self.last_us);
    }

    fn code_contacts(&mut self) {
        let contacts = self.contacts.get(..self.pending).unwrap_or_default();
        let before = core::iter::once(&self.last_contacts).chain(contacts);
        let changes = || contacts.iter().zip(before.clone()).enumerate().filter(|(_, (now, before))| now != before);
        let count = changes().count() as u32;
        self.bits.put(u32::from(count == 0), 1);
        if count > 0 {
            self.bits.put(count.wrapping_sub(1), 6);
            for (place, (&now, _)) in changes() {
                self.bits.put(place as u32 | u32::from(now).wrapping_shl(6), 14);
            }
        }
        self.last_contacts = contacts.last().copied().unwrap_or(self.last_contacts);
    }
}

fn zigzag_long(value: i64) -> u64 {
    (value.wrapping_shl(1) ^ value.wrapping_shr(63)) as u64
}

fn put_rice<const N: usize>(bits: &mut BitWriter<N>, value: u64, k: u32) {
    let ones = value.wrapping_shr(k);
    if ones >= u64::from(TIME_ESCAPE) {
        bits.put(1_u32.wrapping_shl(TIME_ESCAPE).wrapping_sub(1), TIME_ESCAPE);
        put_long(bits, value, 64);
    } else {
        let ones = ones as u32;
        bits.put(1_u32.wrapping_shl(ones).wrapping_sub(1), ones.wrapping_add(1));
        put_long(bits, value & 1_u64.wrapping_shl(k).wrapping_sub(1), k);
    }
}

fn put_long<const N: usize>(bits: &mut BitWriter<N>, value: u64, len: u32) {
    bits.put(value as u32, len.min(32));
    bits.put((value >> 32) as u32, len.saturating_sub(32));
}

/// A block's samples that are there, packed together.
struct Present {
    codes: [i16; MAX_BLOCK_SAMPLES],
    count: usize,
}

impl Present {
    fn of(column: &[i16]) -> Present {
        let mut present = Present { codes: [0; MAX_BLOCK_SAMPLES], count: 0 };
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

impl Channel {
    const NEW: Channel = Channel {
        track: Track::STILL,
        coding: Coding { absent: false, predictor: 0, scale: SCALE_ZERO },
        usual_residual: 0,
        turn: 0,
        started: false,
    };

    fn code_block<const N: usize>(&mut self, column: &[i16], bits: &mut BitWriter<N>) {
        let present = Present::of(column);
        let codes = present.codes();
        if codes.is_empty() {
            let coding = Coding { absent: true, ..self.coding };
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
        let coding = Coding { absent: false, predictor, scale };

        let same = whole && !fresh && coding == self.coding;
        bits.put(u32::from(same), 1);
        if !same {
            bits.put(if whole { 0 } else { 2 }, 2);
            if !whole {
                put_missing_runs(column, bits);
            }
            bits.put(u32::from(predictor) | u32::from(scale).wrapping_shl(3) | u32::from(fresh).wrapping_shl(9), 10);
            if fresh {
                bits.put(u32::from(level.code_level() as u16), 16);
            }
        }
        self.coding = coding;
        match ScaleWriter::new(scale) {
            Some(writer) => writer.write(residuals, bits),
            None if scale == SCALE_RAW => residuals.iter().for_each(|&z| bits.put(u32::from(z), 16)),
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
        let last_cost = PREDICTORS.get(usize::from(last)).map_or(u32::MAX, |&gains| cost(gains));
        let mean = last_cost / (codes.len().max(1) as u32);
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

    fn fold_residuals<'a>(&mut self, predictor: u8, codes: &[i16], folded: &'a mut [u16]) -> &'a [u16] {
        let gains = PREDICTORS.get(usize::from(predictor)).copied().unwrap_or(PREDICTORS[0]);
        let mut track = self.track.under(gains);
        for (slot, &code) in folded.iter_mut().zip(codes) {
            *slot = zigzag(track.residual(gains, code));
        }
        self.track = track;
        folded.get(..codes.len()).unwrap_or_default()
    }

    fn choose_scale(&self, residuals: &[u16], predictor: u8) -> u8 {
        let count = residuals.len().max(1) as u32;
        let capped_sum = |cap| residuals.iter().fold(0_u32, |sum, &z| sum.wrapping_add(u32::from(z).min(cap)));
        let sum = capped_sum(u32::MAX);
        if sum == 0 {
            return SCALE_ZERO;
        }
        // A step in the block must not widen the code of all its residuals.
        let sum = capped_sum((sum / count).saturating_mul(4).max(4));
        let fitted = scale_for(sum.saturating_mul(64) / count);
        let cost = |scale| ScaleWriter::new(scale).map_or(u32::MAX, |writer| writer.cost(residuals));
        let mut best = (fitted, cost(fitted));
        let last_cost = cost(self.coding.scale);
        if predictor == self.coding.predictor && last_cost <= best.1.saturating_add(12) {
            best = (self.coding.scale, last_cost);
        }
        if best.1 < count.saturating_mul(16) { best.0 } else { SCALE_RAW }
    }
}

fn mean_of_first(codes: &[i16]) -> i16 {
    let first = || codes.iter().take(8);
    let sum = first().fold(0_i32, |sum, &code| sum.wrapping_add(i32::from(code)));
    (sum / (first().count().max(1) as i32)) as i16
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
