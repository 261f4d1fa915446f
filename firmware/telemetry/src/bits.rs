//! Bits in bytes, the least significant bit of each byte first.

/// Writes bits into a fixed buffer.
#[derive(Clone, Debug)]
pub(crate) struct BitWriter<const N: usize> {
    bytes: [u8; N],
    used: usize,
    pending: u64,
    pending_len: u32,
    overflow: bool,
}

/// A place in the written bits to go back to.
#[derive(Clone, Copy, Debug)]
pub(crate) struct BitMark {
    used: usize,
    pending: u64,
    pending_len: u32,
}

impl<const N: usize> BitWriter<N> {
    pub(crate) const fn new() -> Self {
        BitWriter {
            bytes: [0; N],
            used: 0,
            pending: 0,
            pending_len: 0,
            overflow: false,
        }
    }

    pub(crate) fn clear(&mut self) {
        self.go_back(BitMark {
            used: 0,
            pending: 0,
            pending_len: 0,
        });
    }

    pub(crate) const fn mark(&self) -> BitMark {
        BitMark {
            used: self.used,
            pending: self.pending,
            pending_len: self.pending_len,
        }
    }

    /// Forgets everything written after the mark, an overflow included.
    pub(crate) fn go_back(&mut self, mark: BitMark) {
        self.used = mark.used;
        self.pending = mark.pending;
        self.pending_len = mark.pending_len;
        self.overflow = false;
    }

    /// Whether the bits, filled up to whole bytes, no longer fit.
    pub(crate) const fn overflowed(&self) -> bool {
        self.overflow
            || self
                .used
                .wrapping_add(self.pending_len.div_ceil(8) as usize)
                > N
    }

    /// Appends the low `len` (at most 32) bits of `value`; higher bits must be zero.
    #[inline]
    pub(crate) fn put(&mut self, value: u32, len: u32) {
        self.pending |= u64::from(value).wrapping_shl(self.pending_len);
        self.pending_len = self.pending_len.wrapping_add(len);
        while self.pending_len >= 8 {
            match self.bytes.get_mut(self.used) {
                Some(byte) => *byte = self.pending as u8,
                None => self.overflow = true,
            }
            // Past the end the count stands still: the overflow is known.
            self.used = self.used.wrapping_add(usize::from(!self.overflow));
            self.pending >>= 8;
            self.pending_len = self.pending_len.wrapping_sub(8);
        }
    }

    /// The written bits, filled up with zeros to whole bytes.
    pub(crate) fn whole_bytes(&mut self) -> &[u8] {
        let mut end = self.used;
        if self.pending_len > 0
            && let Some(byte) = self.bytes.get_mut(end)
        {
            *byte = self.pending as u8;
            end = end.wrapping_add(1);
        }
        self.bytes.get(..end).unwrap_or_default()
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
        BitReader {
            bytes,
            next: 0,
            ahead: 0,
            ahead_len: 0,
        }
    }

    /// Makes at least 56 bits ready for [`Self::ahead`] and [`Self::skip`].
    #[inline(always)]
    pub(crate) fn refill(&mut self) {
        match self
            .bytes
            .get(self.next..)
            .and_then(|rest| rest.first_chunk::<8>())
        {
            Some(chunk) => {
                self.ahead |= u64::from_le_bytes(*chunk).wrapping_shl(self.ahead_len);
                self.next = self
                    .next
                    .wrapping_add((63_u32.wrapping_sub(self.ahead_len) >> 3) as usize);
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
