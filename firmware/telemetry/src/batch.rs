//! A batch of samples as a record carries it.

use serde::{Deserialize, Serialize, Serializer};

use crate::predictor::zigzag;
use crate::{MAX_CHANNELS, MISSING_CODE};

/// Most samples of a batch.
pub const MAX_BATCH_SAMPLES: usize = 4096;

/// Most samples of a block.
pub const MAX_BLOCK_SAMPLES: usize = 64;

/// Samples in coded form; [`BatchEncoder`](crate::BatchEncoder) makes it, [`SampleBatch::decode_into`] reads it.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct SampleBatch<'a> {
    /// Unix time of the first sample, microseconds.
    pub first_us: i64,
    /// Time from sample to sample where nothing else is said, microseconds.
    pub period_us: u32,
    /// Samples in the batch, 1 to [`MAX_BATCH_SAMPLES`].
    pub samples: u16,
    /// Samples in every block but the last, 1 to [`MAX_BLOCK_SAMPLES`].
    pub block: u8,
    /// Analogue channels, 0 to [`MAX_CHANNELS`].
    pub channels: u8,
    /// The blocks.
    #[serde(borrow, serialize_with = "as_bytes")]
    pub bits: &'a [u8],
}

fn as_bytes<S: Serializer>(bits: &&[u8], serializer: S) -> Result<S::Ok, S::Error> {
    serializer.serialize_bytes(bits)
}

/// Columns that the caller lends for decoding, each at least as long as the batch.
#[derive(Debug, Default)]
pub struct Columns<'a> {
    /// Unix times, microseconds.
    pub times_us: &'a mut [i64],
    /// Codes by channel, in the order of the header's channels; columns of channels not fitted may be empty.
    pub codes: [&'a mut [i16]; MAX_CHANNELS],
    /// Contacts.
    pub contacts: &'a mut [u8],
}

/// Why a batch cannot be used.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum BatchError {
    /// Numbers of samples or channels outside their limits.
    OutOfRange,
    /// The bits end before the last sample, or mean nothing.
    Damaged,
    /// A lent column is shorter than the batch.
    ColumnTooShort,
    /// Another number of codes than the encoder has channels.
    WrongChannels,
    /// A finished batch waits to be taken.
    NotTaken,
}

impl core::fmt::Display for BatchError {
    fn fmt(&self, f: &mut core::fmt::Formatter<'_>) -> core::fmt::Result {
        f.write_str(match self {
            BatchError::OutOfRange => "batch: samples, block or channels outside their limits; skip the frame",
            BatchError::Damaged => "batch: the coded samples are damaged; skip the frame",
            BatchError::ColumnTooShort => "columns: shorter than the batch; lend as many values as it has samples",
            BatchError::WrongChannels => "codes: another number than the encoder has channels; push one a channel",
            BatchError::NotTaken => "batch: finished but not taken; take it, then push again",
        })
    }
}

impl core::error::Error for BatchError {}

/// Bytes that the codes of one channel take as varints of zigzag differences, to compare with.
pub fn delta_varint_len(codes: impl IntoIterator<Item = i16>) -> usize {
    let mut last = 0_i16;
    codes.into_iter().fold(0_usize, |sum, code| {
        let folded = if code == MISSING_CODE { u16::MAX } else { zigzag(code.wrapping_sub(last)) };
        last = if code == MISSING_CODE { last } else { code };
        let bytes = match folded {
            0..=0x7f => 1,
            0x80..=0x3fff => 2,
            _ => 3,
        };
        sum.wrapping_add(bytes)
    })
}
