//! Writing frames: kind, flags, sequence number, payload and CRC-32, stuffed (COBS) and ended by a zero byte.

use crc::{CRC_32_ISO_HDLC, Crc, Digest, Table};
use postcard::ser_flavors::Flavor;
use postcard::{Error, Serializer};
use serde::Serialize;

use crate::Record;
use crate::cobs::Stuffer;

/// Longest frame before stuffing, bytes; a reader may drop anything longer.
pub const MAX_FRAME_LEN: usize = 8192;

/// Length of the reserved authentication tag, bytes.
pub const TAG_LEN: usize = 8;

/// Length of the checksum, bytes.
pub(crate) const CRC_LEN: usize = 4;

/// Flag bit: a tag stands between payload and checksum.
pub(crate) const FLAG_TAG: u8 = 1;

// Flash is scarce on the device, time on the host: 1 KiB of table there, 16 KiB here.
#[cfg(target_arch = "arm")]
type CrcTable = Table<1>;
#[cfg(not(target_arch = "arm"))]
type CrcTable = Table<16>;

static CRC: Crc<u32, CrcTable> = Crc::<u32, CrcTable>::new(&CRC_32_ISO_HDLC);

/// CRC-32 (ISO-HDLC) of some bytes, as frames carry it.
pub fn checksum(bytes: &[u8]) -> u32 {
    CRC.checksum(bytes)
}

/// Most bytes a frame with a payload of `payload` bytes takes on the wire.
pub const fn max_frame_len(payload: usize) -> usize {
    // kind, flags, a sequence number of at most 5 bytes, tag, checksum
    let raw = payload.saturating_add(2 + 5 + TAG_LEN + CRC_LEN);
    raw.saturating_add(raw / 254).saturating_add(2)
}

/// Why a record could not be written.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum WriteError {
    /// The caller's buffer is shorter than the frame; see [`max_frame_len`].
    BufferTooShort,
}

impl core::fmt::Display for WriteError {
    fn fmt(&self, f: &mut core::fmt::Formatter<'_>) -> core::fmt::Result {
        f.write_str("frame: longer than the buffer; lend one of max_frame_len bytes")
    }
}

impl core::error::Error for WriteError {}

/// Writes frames and numbers them from 0.
#[derive(Clone, Debug, Default)]
pub struct FrameWriter {
    sequence: u32,
}

impl FrameWriter {
    /// A writer whose first frame has the number 0.
    pub const fn new() -> FrameWriter {
        FrameWriter { sequence: 0 }
    }

    /// A writer whose first frame has the number `sequence`: one that goes on where another ended.
    pub const fn starting_at(sequence: u32) -> FrameWriter {
        FrameWriter { sequence }
    }

    /// Number of the next frame.
    pub const fn sequence(&self) -> u32 {
        self.sequence
    }

    /// Writes one record as a frame into `out` and returns its length in bytes.
    ///
    /// # Errors
    /// [`WriteError::BufferTooShort`]; the sequence number is then not used up.
    pub fn write(&mut self, record: &Record<'_>, out: &mut [u8]) -> Result<usize, WriteError> {
        let sink = self.begin(record.kind(), 0, out)?;
        let used = match record {
            Record::Header(body) => sink.finish_with(body),
            Record::Samples(body) => sink.finish_with(body),
            Record::AlarmTransition(body) => sink.finish_with(body),
            Record::ReleaseCycle(body) => sink.finish_with(body),
            Record::Totals(body) => sink.finish_with(body),
            Record::SensorHealth(body) => sink.finish_with(body),
            Record::LearnedState(body) => sink.finish_with(body),
            Record::ServiceMark(body) => sink.finish_with(body),
        }?;
        self.sequence = self.sequence.wrapping_add(1);
        Ok(used)
    }

    /// Writes a frame of any kind from a ready payload and returns its length in bytes.
    ///
    /// # Errors
    /// [`WriteError::BufferTooShort`]; the sequence number is then not used up.
    pub fn write_payload(
        &mut self,
        kind: u8,
        payload: &[u8],
        tag: Option<[u8; TAG_LEN]>,
        out: &mut [u8],
    ) -> Result<usize, WriteError> {
        let flags = if tag.is_some() { FLAG_TAG } else { 0 };
        let mut sink = self.begin(kind, flags, out)?;
        sink.extend(payload)?;
        if let Some(tag) = tag {
            sink.extend(&tag)?;
        }
        let used = sink.finish()?;
        self.sequence = self.sequence.wrapping_add(1);
        Ok(used)
    }

    fn begin<'a>(&self, kind: u8, flags: u8, out: &'a mut [u8]) -> Result<FrameSink<'a>, WriteError> {
        let mut sink = FrameSink::new(out);
        sink.extend(&[kind, flags])?;
        let mut left = self.sequence;
        while left > 0x7f {
            sink.extend(&[left as u8 | 0x80])?;
            left >>= 7;
        }
        sink.extend(&[left as u8])?;
        Ok(sink)
    }
}

/// Stuffs and sums bytes as they come, so that a frame needs no second buffer.
struct FrameSink<'a> {
    stuffer: Stuffer<'a>,
    digest: Digest<'static, u32, CrcTable>,
}

impl<'a> FrameSink<'a> {
    fn new(out: &'a mut [u8]) -> FrameSink<'a> {
        FrameSink { stuffer: Stuffer::new(out), digest: CRC.digest() }
    }

    fn stuff(&mut self, bytes: &[u8]) -> Result<(), WriteError> {
        bytes.iter().try_for_each(|&byte| self.stuffer.push(byte)).ok_or(WriteError::BufferTooShort)
    }

    // Inlined into every field of every record it would take a fifth of the device's flash.
    #[inline(never)]
    fn extend(&mut self, bytes: &[u8]) -> Result<(), WriteError> {
        self.digest.update(bytes);
        self.stuff(bytes)
    }

    fn finish_with<T: Serialize>(self, body: &T) -> Result<usize, WriteError> {
        let mut serializer = Serializer { output: self };
        body.serialize(&mut serializer).map_err(|_| WriteError::BufferTooShort)?;
        serializer.output.finish()
    }

    fn finish(mut self) -> Result<usize, WriteError> {
        let crc = self.digest.clone().finalize().to_le_bytes();
        self.stuff(&crc)?;
        self.stuffer.finish().ok_or(WriteError::BufferTooShort)
    }
}

impl Flavor for FrameSink<'_> {
    type Output = usize;

    fn try_push(&mut self, byte: u8) -> Result<(), Error> {
        self.try_extend(&[byte])
    }

    fn try_extend(&mut self, bytes: &[u8]) -> Result<(), Error> {
        self.extend(bytes).map_err(|_| Error::SerializeBufferFull)
    }

    fn finalize(self) -> Result<usize, Error> {
        self.finish().map_err(|_| Error::SerializeBufferFull)
    }
}
