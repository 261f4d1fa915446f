//! Reading batches back into columns.

use crate::batch::{BatchError, Columns, MAX_BATCH_SAMPLES, MAX_BLOCK_SAMPLES, SampleBatch};
use crate::bits::BitReader;
use crate::channel_encoder::Coding;
use crate::encode::TIME_ESCAPE;
use crate::predictor::{Track, gains_of, unzigzag};
use crate::prefix_code::{SCALE_RAW, SCALE_ZERO, ScaleReader};
use crate::{MAX_CHANNELS, MISSING_CODE};

#[derive(Clone, Copy)]
struct Channel {
    track: Track,
    coding: Coding,
}

/// Missing samples of a block, bit n for sample n.
type MissingSet = u64;

impl SampleBatch<'_> {
    /// Decodes all samples into the lent columns and returns their number.
    ///
    /// # Errors
    /// [`BatchError`]; the columns then hold nothing of use.
    pub fn decode_into(&self, columns: &mut Columns<'_>) -> Result<usize, BatchError> {
        self.decode_with(columns, &mut |_, _| {})
    }

    /// As [`Self::decode_into`], and shows every residual: its channel's place and its value.
    ///
    /// # Errors
    /// [`BatchError`]; the columns then hold nothing of use.
    pub fn decode_with(
        &self,
        columns: &mut Columns<'_>,
        on_residual: &mut impl FnMut(usize, i16),
    ) -> Result<usize, BatchError> {
        let samples = usize::from(self.samples);
        let block = usize::from(self.block);
        let channel_count = usize::from(self.channels);
        if samples > MAX_BATCH_SAMPLES || block == 0 || block > MAX_BLOCK_SAMPLES || channel_count > MAX_CHANNELS {
            return Err(BatchError::OutOfRange);
        }
        let mut bits = BitReader::new(self.bits);
        let mut last_us = self.first_us.wrapping_sub(i64::from(self.period_us));
        let mut last_contacts = 0;
        let mut channels = [Channel { track: Track::STILL, coding: Coding::START }; MAX_CHANNELS];

        let mut from = 0_usize;
        while from < samples {
            let to = from.wrapping_add(block).min(samples);
            let times = columns.times_us.get_mut(from..to).ok_or(BatchError::ColumnTooShort)?;
            read_times(&mut bits, times, &mut last_us, self.period_us);
            let contacts = columns.contacts.get_mut(from..to).ok_or(BatchError::ColumnTooShort)?;
            read_contacts(&mut bits, contacts, &mut last_contacts);
            let fitted = columns.codes.iter_mut().zip(channels.iter_mut()).take(channel_count);
            for (place, (column, channel)) in fitted.enumerate() {
                let column = column.get_mut(from..to).ok_or(BatchError::ColumnTooShort)?;
                channel.read_block(&mut bits, column, &mut |residual| on_residual(place, residual))?;
            }
            if bits.past_end() {
                return Err(BatchError::Damaged);
            }
            from = to;
        }
        Ok(samples)
    }
}

fn read_times(bits: &mut BitReader<'_>, times: &mut [i64], last_us: &mut i64, period_us: u32) {
    let period = i64::from(period_us);
    let mut last = *last_us;
    if bits.take_flag() {
        for time in times.iter_mut() {
            last = last.wrapping_add(period);
            *time = last;
        }
    } else {
        let k = bits.take(6);
        for time in times.iter_mut() {
            last = last.wrapping_add(period).wrapping_add(unzigzag_long(take_rice(bits, k)));
            *time = last;
        }
    }
    *last_us = last;
}

fn unzigzag_long(folded: u64) -> i64 {
    ((folded >> 1) as i64) ^ ((folded & 1) as i64).wrapping_neg()
}

fn take_rice(bits: &mut BitReader<'_>, k: u32) -> u64 {
    bits.refill();
    let ones = bits.ahead().trailing_ones().min(TIME_ESCAPE);
    if ones == TIME_ESCAPE {
        bits.skip(TIME_ESCAPE);
        return bits.take_long(64);
    }
    bits.skip(ones.wrapping_add(1));
    u64::from(ones).wrapping_shl(k) | bits.take_long(k)
}

fn read_contacts(bits: &mut BitReader<'_>, contacts: &mut [u8], last: &mut u8) {
    contacts.fill(*last);
    if bits.take_flag() {
        return;
    }
    for _ in 0..=bits.take(6) {
        let place = bits.take(6) as usize;
        *last = bits.take(8) as u8;
        contacts.get_mut(place..).unwrap_or_default().fill(*last);
    }
}

impl Channel {
    fn read_block(
        &mut self,
        bits: &mut BitReader<'_>,
        column: &mut [i16],
        on_residual: &mut impl FnMut(i16),
    ) -> Result<(), BatchError> {
        let missing = if bits.take_flag() { 0 } else { self.read_header(bits) };
        if self.coding.absent {
            column.fill(MISSING_CODE);
            return Ok(());
        }
        let in_block = u64::MAX.wrapping_shr(64_u32.wrapping_sub(column.len() as u32));
        let absent = (missing & in_block).count_ones() as usize;
        let packed = column.get_mut(..column.len().saturating_sub(absent)).unwrap_or_default();
        self.read_codes(bits, packed, on_residual)?;
        if absent > 0 {
            spread(column, missing);
        }
        Ok(())
    }

    fn read_header(&mut self, bits: &mut BitReader<'_>) -> MissingSet {
        let presence = bits.take(2);
        self.coding.absent = presence == 1;
        let missing = match presence {
            0 => 0,
            1 => return 0,
            2 => read_missing_runs(bits),
            _ => {
                let step = bits.take(3) as u8;
                let scale = self.coding.scale;
                let moved = if step < 4 {
                    scale.wrapping_add(step).wrapping_add(1)
                } else {
                    scale.wrapping_sub(step).wrapping_add(3)
                };
                self.coding.scale = moved & 63;
                return 0;
            }
        };
        self.coding.predictor = bits.take(3) as u8;
        self.coding.scale = bits.take(6) as u8;
        if bits.take_flag() {
            self.track = Track::at(bits.take(16) as i16);
        }
        missing
    }

    fn read_codes(
        &mut self,
        bits: &mut BitReader<'_>,
        packed: &mut [i16],
        on_residual: &mut impl FnMut(i16),
    ) -> Result<(), BatchError> {
        let gains = gains_of(self.coding.predictor);
        let mut track = self.track.under(gains);
        let mut store = |slot: &mut i16, folded: u16| {
            let residual = unzigzag(folded);
            on_residual(residual);
            *slot = track.code(gains, residual);
        };
        match (self.coding.scale, ScaleReader::new(self.coding.scale)) {
            (_, Some(reader)) => {
                let mut fast = bits.clone();
                packed.iter_mut().for_each(|slot| store(slot, reader.read(&mut fast)));
                *bits = fast;
            }
            (SCALE_ZERO, None) => packed.iter_mut().for_each(|slot| store(slot, 0)),
            (SCALE_RAW, None) => packed.iter_mut().for_each(|slot| store(slot, bits.take(16) as u16)),
            _ => return Err(BatchError::Damaged),
        }
        self.track = track;
        Ok(())
    }
}

fn read_missing_runs(bits: &mut BitReader<'_>) -> MissingSet {
    let mut missing = 0;
    for _ in 0..=bits.take(5) {
        let start = bits.take(6);
        let len = bits.take(6).wrapping_add(1);
        missing |= u64::MAX.wrapping_shr(64_u32.wrapping_sub(len)).wrapping_shl(start);
    }
    missing
}

/// Moves the codes packed at the front of a block to their places, from the back on.
fn spread(column: &mut [i16], missing: MissingSet) {
    let absent = |place: usize| missing.wrapping_shr(place as u32) & 1 != 0;
    let mut packed = (0..column.len()).filter(|&place| !absent(place)).count();
    for place in (0..column.len()).rev() {
        let code = if absent(place) {
            MISSING_CODE
        } else {
            packed = packed.saturating_sub(1);
            column.get(packed).copied().unwrap_or(MISSING_CODE)
        };
        if let Some(slot) = column.get_mut(place) {
            *slot = code;
        }
    }
}
