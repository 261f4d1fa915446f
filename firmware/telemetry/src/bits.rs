//! Bits in bytes, the least significant bit of each byte first.

/// Writes bits into a fixed buffer.
#[derive(Clone, Debug)]
pub(crate) struct BitWriter<const N: usize> {
    bytes: [u8; N],
    state: BitMark,
}

/// A place in the written bits to go back to.
#[derive(Clone, Copy, Debug)]
pub(crate) struct BitMark {
    /// Whole words of 4 bytes in the buffer.
    words: usize,
    pending: u32,
    /// Valid bits in `pending`, at most 31.
    pending_len: u32,
    overflow: bool,
}

impl BitMark {
    const START: BitMark = BitMark { words: 0, pending: 0, pending_len: 0, overflow: false };
}

impl<const N: usize> BitWriter<N> {
    pub(crate) const fn new() -> Self {
        BitWriter { bytes: [0; N], state: BitMark::START }
    }

    pub(crate) fn clear(&mut self) {
        self.state = BitMark::START;
    }

    pub(crate) const fn mark(&self) -> BitMark {
        self.state
    }

    /// Forgets everything written after the mark.
    pub(crate) fn go_back(&mut self, mark: BitMark) {
        self.state = mark;
    }

    /// Written bits.
    pub(crate) const fn len(&self) -> usize {
        self.state.words.wrapping_mul(32).wrapping_add(self.state.pending_len as usize)
    }

    /// Whether the bits, filled up to whole bytes, no longer fit.
    pub(crate) const fn overflowed(&self) -> bool {
        self.state.overflow || self.len().div_ceil(8) > N
    }

    /// Appends the low `len` (at most 32) bits of `value`; higher bits must be zero.
    #[inline]
    pub(crate) fn put(&mut self, value: u32, len: u32) {
        let state = &mut self.state;
        let room = 32_u32.wrapping_sub(state.pending_len);
        state.pending |= value.wrapping_shl(state.pending_len);
        if len < room {
            state.pending_len = state.pending_len.wrapping_add(len);
            return;
        }
        match self.bytes.as_chunks_mut::<4>().0.get_mut(state.words) {
            Some(word) => *word = state.pending.to_le_bytes(),
            None => state.overflow = true,
        }
        state.words = state.words.wrapping_add(1);
        state.pending = value.checked_shr(room).unwrap_or(0);
        state.pending_len = len.wrapping_sub(room);
    }

    /// The written bits, filled up with zeros to whole bytes.
    pub(crate) fn whole_bytes(&mut self) -> &[u8] {
        let from = self.state.words.wrapping_mul(4);
        let tail = self.bytes.get_mut(from..).unwrap_or_default();
        for (byte, pending) in tail.iter_mut().zip(self.state.pending.to_le_bytes()) {
            *byte = pending;
        }
        self.bytes.get(..self.len().div_ceil(8)).unwrap_or_default()
    }
}

/// Reads bits; after the end come zeros.
#[derive(Clone, Debug)]
pub(crate) struct BitReader<'a> {
    bytes: &'a [u8],
    /// Next byte to load; counts on past the end.
    next: usize,
    ahead: u64,
    /// Valid bits in `ahead`, at most 63.
    ahead_len: u32,
}

impl<'a> BitReader<'a> {
    pub(crate) const fn new(bytes: &'a [u8]) -> Self {
        BitReader { bytes, next: 0, ahead: 0, ahead_len: 0 }
    }

    /// Makes at least 56 bits ready for [`Self::ahead`] and [`Self::skip`].
    #[inline(always)]
    pub(crate) fn refill(&mut self) {
        match self.bytes.get(self.next..).and_then(|rest| rest.first_chunk::<8>()) {
            Some(chunk) => {
                self.ahead |= u64::from_le_bytes(*chunk).wrapping_shl(self.ahead_len);
                self.next = self.next.wrapping_add((63_u32.wrapping_sub(self.ahead_len) >> 3) as usize);
                self.ahead_len |= 56;
            }
            None => self.refill_near_end(),
        }
    }

    #[cold]
    fn refill_near_end(&mut self) {
        while self.ahead_len < 56 {
            let byte = self.bytes.get(self.next).copied().unwrap_or(0);
            self.ahead |= u64::from(byte).wrapping_shl(self.ahead_len);
            self.next = self.next.wrapping_add(1);
            self.ahead_len = self.ahead_len.wrapping_add(8);
        }
    }

    /// The next bits, the first of them lowest.
    #[inline(always)]
    pub(crate) const fn ahead(&self) -> u64 {
        self.ahead
    }

    /// Skips bits that a refill has made ready.
    #[inline(always)]
    pub(crate) fn skip(&mut self, len: u32) {
        self.ahead = self.ahead.wrapping_shr(len);
        self.ahead_len = self.ahead_len.wrapping_sub(len);
    }

    /// Takes `len` (at most 32) bits.
    #[inline]
    pub(crate) fn take(&mut self, len: u32) -> u32 {
        self.refill();
        let value = self.ahead & 1_u64.wrapping_shl(len).wrapping_sub(1);
        self.skip(len);
        value as u32
    }

    /// Takes one bit.
    pub(crate) fn take_flag(&mut self) -> bool {
        self.take(1) != 0
    }

    /// Takes `len` (at most 64) bits.
    pub(crate) fn take_long(&mut self, len: u32) -> u64 {
        let low_len = len.min(32);
        let low = u64::from(self.take(low_len));
        low | u64::from(self.take(len.wrapping_sub(low_len))).wrapping_shl(low_len & 63)
    }

    /// Whether more bits were taken than there are.
    pub(crate) fn past_end(&self) -> bool {
        let loaded = (self.next as u64).wrapping_mul(8);
        loaded.wrapping_sub(u64::from(self.ahead_len)) > (self.bytes.len() as u64).wrapping_mul(8)
    }
}
