//! Reading frames from chunks of any size; damage costs the frame it is in and no more.

use crate::cobs::{BadStuffing, Unstuffer};
use crate::frame::{CRC_LEN, FLAG_TAG};
use crate::{DecodeError, MAX_FRAME_LEN, Record, TAG_LEN, checksum};

/// One whole frame with a good checksum.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Frame<'a> {
    /// Kind of record, see [`kind`](crate::kind).
    pub kind: u8,
    /// Sequence number.
    pub seq: u32,
    /// The record's bytes.
    pub payload: &'a [u8],
    /// Authentication tag, where there is one; this crate does not judge it.
    pub tag: Option<[u8; TAG_LEN]>,
    /// Position of the frame's first byte in the stream, bytes.
    pub offset: u64,
}

impl<'a> Frame<'a> {
    /// The frame's record.
    ///
    /// # Errors
    /// [`DecodeError`] when the kind is not known or the payload breaks its layout.
    pub fn record(&self) -> Result<Record<'a>, DecodeError> {
        Record::from_payload(self.kind, self.payload)
    }
}

/// What is wrong with a damaged frame.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Damage {
    /// The byte stuffing does not add up.
    Stuffing,
    /// Too few bytes for a frame, or no valid sequence number.
    TooShort,
    /// Longer than the reader's buffer.
    TooLong,
    /// The checksum does not match.
    Checksum,
    /// The input ended inside the frame.
    CutShort,
}

/// A dropped stretch of the stream.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Damaged {
    /// Position of its first byte in the stream, bytes.
    pub offset: u64,
    /// Its length, bytes.
    pub length: u64,
    /// What is wrong.
    pub reason: Damage,
}

/// What the reader found.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Event<'a> {
    /// A whole frame.
    Frame(Frame<'a>),
    /// A damaged frame, dropped.
    Damaged(Damaged),
    /// So many frames are missing before the next one, by its sequence number.
    Lost {
        /// Missing frames.
        count: u32,
    },
    /// The sequence began again: the device was restarted before the next frame.
    Restarted,
}

/// Counts of what a reader has met.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Counts {
    /// Whole frames.
    pub frames: u64,
    /// Whole frames of a kind not known here.
    pub unknown: u64,
    /// Damaged stretches.
    pub damaged: u64,
    /// Frames missing by the sequence numbers.
    pub lost: u64,
    /// Restarts of the device.
    pub restarts: u64,
}

/// Takes a stream apart into frames; `N` is the longest frame it takes, without its stuffing, bytes.
#[derive(Clone, Debug)]
pub struct FrameReader<const N: usize = MAX_FRAME_LEN> {
    buffer: [u8; N],
    unstuffer: Unstuffer,
    position: u64,
    /// Where the frame began that is being gathered.
    started_at: Option<u64>,
    expected: Option<u32>,
    /// A frame that waits behind the loss or restart reported before it.
    held: Option<Layout>,
    counts: Counts,
}

/// Where the parts of a good frame stand in the buffer.
#[derive(Clone, Copy, Debug)]
struct Layout {
    kind: u8,
    seq: u32,
    payload_from: usize,
    payload_to: usize,
    tag: Option<[u8; TAG_LEN]>,
    offset: u64,
}

enum Found {
    Frame(Layout),
    Damaged(Damaged),
    Lost(u32),
    Restarted,
}

impl<const N: usize> Default for FrameReader<N> {
    fn default() -> Self {
        Self::new()
    }
}

impl<const N: usize> FrameReader<N> {
    /// A reader at the start of a stream.
    pub const fn new() -> Self {
        FrameReader {
            buffer: [0; N],
            unstuffer: Unstuffer::START,
            position: 0,
            started_at: None,
            expected: None,
            held: None,
            counts: Counts { frames: 0, unknown: 0, damaged: 0, lost: 0, restarts: 0 },
        }
    }

    /// Counts so far.
    pub const fn counts(&self) -> Counts {
        self.counts
    }

    /// Bytes taken from the input so far.
    pub const fn position(&self) -> u64 {
        self.position
    }

    /// Takes bytes from the front of `input` up to the next event; `None`: more bytes are needed.
    pub fn next_event(&mut self, input: &mut &[u8]) -> Option<Event<'_>> {
        let found = self.advance(input)?;
        self.event(found)
    }

    /// Reports what is left of an unfinished frame when no more bytes will come.
    pub fn finish(&mut self) -> Option<Event<'_>> {
        let found = self.cut_short()?;
        self.event(found)
    }

    fn event(&self, found: Found) -> Option<Event<'_>> {
        Some(match found {
            Found::Lost(count) => Event::Lost { count },
            Found::Restarted => Event::Restarted,
            Found::Damaged(damaged) => Event::Damaged(damaged),
            Found::Frame(layout) => Event::Frame(Frame {
                kind: layout.kind,
                seq: layout.seq,
                payload: self.buffer.get(layout.payload_from..layout.payload_to)?,
                tag: layout.tag,
                offset: layout.offset,
            }),
        })
    }

    fn advance(&mut self, input: &mut &[u8]) -> Option<Found> {
        if let Some(layout) = self.held {
            return Some(self.in_order(layout));
        }
        loop {
            let byte = *input.first()?;
            if byte != 0 && self.started_at.is_none() {
                self.started_at = Some(self.position);
                self.unstuffer = Unstuffer::START;
            }
            // A zero byte alone is an idle line.
            let taken = if byte == 0 { 1 } else { self.unstuffer.feed(input, &mut self.buffer) };
            *input = input.get(taken..).unwrap_or_default();
            self.position = self.position.wrapping_add(taken as u64);
            if byte == 0
                && let Some(offset) = self.started_at.take()
            {
                return Some(self.end_of_frame(offset));
            }
        }
    }

    fn end_of_frame(&mut self, offset: u64) -> Found {
        let parsed = match self.unstuffer.finish() {
            Ok(len) => parse(self.buffer.get(..len).unwrap_or_default(), offset),
            Err(BadStuffing::CutShort) => Err(Damage::Stuffing),
            Err(BadStuffing::TooLong) => Err(Damage::TooLong),
        };
        match parsed {
            Ok(layout) => self.in_order(layout),
            Err(reason) => self.damaged(offset, reason),
        }
    }

    fn cut_short(&mut self) -> Option<Found> {
        if let Some(layout) = self.held {
            return Some(self.in_order(layout));
        }
        let offset = self.started_at.take()?;
        Some(self.damaged(offset, Damage::CutShort))
    }

    fn damaged(&mut self, offset: u64, reason: Damage) -> Found {
        self.counts.damaged = self.counts.damaged.wrapping_add(1);
        Found::Damaged(Damaged { offset, length: self.position.wrapping_sub(offset), reason })
    }

    /// Reports a gap before the frame first; the frame itself comes with the next call.
    fn in_order(&mut self, layout: Layout) -> Found {
        self.held = Some(layout);
        let expected = self.expected.unwrap_or(layout.seq);
        let missing = layout.seq.wrapping_sub(expected);
        if missing > u32::MAX / 2 {
            self.expected = Some(if layout.seq > u32::MAX / 2 { layout.seq } else { 0 });
            self.counts.restarts = self.counts.restarts.wrapping_add(1);
            return Found::Restarted;
        }
        if missing > 0 {
            self.expected = Some(layout.seq);
            self.counts.lost = self.counts.lost.wrapping_add(u64::from(missing));
            return Found::Lost(missing);
        }
        self.held = None;
        self.expected = Some(layout.seq.wrapping_add(1));
        self.counts.frames = self.counts.frames.wrapping_add(1);
        if !crate::kind::KNOWN.contains(&layout.kind) {
            self.counts.unknown = self.counts.unknown.wrapping_add(1);
        }
        Found::Frame(layout)
    }
}

/// Finds the parts of an unstuffed frame and checks its sum.
fn parse(bytes: &[u8], offset: u64) -> Result<Layout, Damage> {
    let (body, crc) = bytes.split_last_chunk::<CRC_LEN>().ok_or(Damage::TooShort)?;
    if checksum(body) != u32::from_le_bytes(*crc) {
        return Err(Damage::Checksum);
    }
    let (&[kind, flags], after) = body.split_first_chunk::<2>().ok_or(Damage::TooShort)?;
    let (seq, seq_len) = sequence(after).ok_or(Damage::TooShort)?;
    let payload_from = seq_len.wrapping_add(2);
    let mut payload_to = body.len();
    let mut tag = None;
    if flags & FLAG_TAG != 0 {
        let (before, found) = body.split_last_chunk::<TAG_LEN>().ok_or(Damage::TooShort)?;
        payload_to = before.len();
        tag = Some(*found);
    }
    if payload_to < payload_from {
        return Err(Damage::TooShort);
    }
    Ok(Layout { kind, seq, payload_from, payload_to, tag, offset })
}

/// Reads a varint of at most 32 bits; returns it and its length in bytes.
fn sequence(bytes: &[u8]) -> Option<(u32, usize)> {
    let mut value = 0_u64;
    for (place, &byte) in bytes.iter().take(5).enumerate() {
        value |= u64::from(byte & 0x7f).wrapping_shl(7_u32.wrapping_mul(place as u32));
        if byte & 0x80 == 0 {
            return Some((u32::try_from(value).ok()?, place.wrapping_add(1)));
        }
    }
    None
}

/// Reads the frames of bytes that are all at hand, the end included.
pub const fn frames(bytes: &[u8]) -> Frames<'_> {
    Frames { rest: bytes, reader: FrameReader::new() }
}

/// The events of bytes that are all at hand; see [`frames`].
#[derive(Clone, Debug)]
pub struct Frames<'d> {
    rest: &'d [u8],
    reader: FrameReader,
}

impl Frames<'_> {
    /// The next event; `None` at the end.
    // No `Iterator`: a frame borrows the reader's buffer until the next call.
    #[allow(clippy::should_implement_trait)]
    pub fn next(&mut self) -> Option<Event<'_>> {
        let found = self.reader.advance(&mut self.rest).or_else(|| self.reader.cut_short())?;
        self.reader.event(found)
    }

    /// Counts so far.
    pub const fn counts(&self) -> Counts {
        self.reader.counts
    }
}
