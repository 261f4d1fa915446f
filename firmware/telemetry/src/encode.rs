//! Coding samples into batches, block by block.

use crate::MAX_CHANNELS;
use crate::batch::{BatchError, MAX_BATCH_SAMPLES, MAX_BLOCK_SAMPLES, SampleBatch};
use crate::bits::BitWriter;
use crate::channel_encoder::ChannelEncoder;

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
    channels: [ChannelEncoder; MAX_CHANNELS],
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
            channels: [ChannelEncoder::NEW; MAX_CHANNELS],
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

    /// Stores a sample: Unix time in microseconds, one code a channel ([`MISSING_CODE`](crate::MISSING_CODE) where there is none), contacts.
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
        self.channels.iter_mut().for_each(ChannelEncoder::begin_batch);
    }

    /// Codes the pending samples as a block; false when it does not fit and stays pending.
    fn code_block(&mut self) -> bool {
        // A short block can only be the last: nothing may follow it.
        let short_before = !usize::from(self.samples).is_multiple_of(BLOCK);
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
        let uniform = deviations().all(|deviation| deviation == 0);
        self.bits.put(u32::from(uniform), 1);
        if !uniform {
            let sum = deviations().fold(0_u64, u64::saturating_add);
            let mean = sum.checked_div(times.len() as u64).unwrap_or(0);
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
        let unchanged = contacts.iter().all(|contact| *contact == self.last_contacts);
        self.bits.put(u32::from(unchanged), 1);
        if unchanged {
            return;
        }
        let before = core::iter::once(&self.last_contacts).chain(contacts);
        let changes = || contacts.iter().zip(before.clone()).enumerate().filter(|(_, (now, before))| now != before);
        self.bits.put((changes().count() as u32).wrapping_sub(1), 6);
        for (place, (&now, _)) in changes() {
            self.bits.put(place as u32 | u32::from(now).wrapping_shl(6), 14);
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
