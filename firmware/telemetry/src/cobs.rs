//! Byte stuffing (consistent overhead byte stuffing): bytes without any zero, so that a zero can end a frame.
//!
//! Source: Cheshire and Baker, "Consistent Overhead Byte Stuffing", IEEE/ACM Transactions on Networking 7(2), 1999.

/// Stuffs bytes as they come; every method returns `None` when the buffer is too short.
pub(crate) struct Stuffer<'a> {
    out: &'a mut [u8],
    used: usize,
    code_at: usize,
    code: u8,
}

impl<'a> Stuffer<'a> {
    pub(crate) const fn new(out: &'a mut [u8]) -> Stuffer<'a> {
        Stuffer { out, used: 1, code_at: 0, code: 1 }
    }

    fn set(&mut self, at: usize, byte: u8) -> Option<()> {
        *self.out.get_mut(at)? = byte;
        Some(())
    }

    fn close_group(&mut self) -> Option<()> {
        self.set(self.code_at, self.code)?;
        self.code_at = self.used;
        self.used = self.used.wrapping_add(1);
        self.code = 1;
        Some(())
    }

    pub(crate) fn push(&mut self, byte: u8) -> Option<()> {
        // A full group is closed only when more follows, so that none stands empty at the end.
        if self.code == u8::MAX {
            self.close_group()?;
        }
        if byte == 0 {
            return self.close_group();
        }
        self.set(self.used, byte)?;
        self.used = self.used.wrapping_add(1);
        self.code = self.code.wrapping_add(1);
        Some(())
    }

    /// Ends with a zero byte and returns the length with it.
    pub(crate) fn finish(mut self) -> Option<usize> {
        self.set(self.code_at, self.code)?;
        self.set(self.used, 0)?;
        Some(self.used.wrapping_add(1))
    }
}

/// Takes the stuffing out of one frame, in chunks.
#[derive(Clone, Copy, Debug, Default)]
pub(crate) struct Unstuffer {
    used: usize,
    /// Bytes still to come in the group.
    left: u8,
    /// A zero byte stands after the group, unless the frame ends there.
    zero_after: bool,
    too_long: bool,
}

/// Why stuffed bytes are no frame.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum BadStuffing {
    /// A zero byte inside a group.
    CutShort,
    /// More bytes than the buffer holds.
    TooLong,
}

impl Unstuffer {
    pub(crate) const START: Unstuffer = Unstuffer { used: 0, left: 0, zero_after: false, too_long: false };

    /// Takes one group, or a part of one, from the front of `input`; returns how many bytes, 0 at a zero byte.
    pub(crate) fn feed(&mut self, input: &[u8], buffer: &mut [u8]) -> usize {
        if self.left > 0 {
            let group = input.get(..usize::from(self.left)).unwrap_or(input);
            let len = if group.contains(&0) { group.iter().take_while(|&&b| b != 0).count() } else { group.len() };
            self.store(group.get(..len).unwrap_or_default(), buffer);
            self.left = self.left.wrapping_sub(len as u8);
            return len;
        }
        let Some(&code @ 1..) = input.first() else {
            return 0;
        };
        if self.zero_after {
            self.store(&[0], buffer);
        }
        self.left = code.wrapping_sub(1);
        self.zero_after = code != u8::MAX;
        1
    }

    fn store(&mut self, bytes: &[u8], buffer: &mut [u8]) {
        let end = self.used.wrapping_add(bytes.len());
        let Some(room) = buffer.get_mut(self.used..end) else {
            self.too_long = true;
            return;
        };
        room.iter_mut().zip(bytes).for_each(|(to, from)| *to = *from);
        self.used = end;
    }

    /// Length of the frame when a zero byte ends it here.
    pub(crate) const fn finish(self) -> Result<usize, BadStuffing> {
        if self.too_long {
            Err(BadStuffing::TooLong)
        } else if self.left != 0 {
            Err(BadStuffing::CutShort)
        } else {
            Ok(self.used)
        }
    }
}

/// Stuffs bytes and ends them with a zero; returns the length in bytes, `None` when `out` is too short.
pub fn stuff(bytes: &[u8], out: &mut [u8]) -> Option<usize> {
    let mut stuffer = Stuffer::new(out);
    bytes.iter().try_for_each(|&byte| stuffer.push(byte))?;
    stuffer.finish()
}

/// Takes the stuffing out of one frame without its final zero; returns the length in bytes, `None` when the bytes are
/// no stuffed frame or `out` is too short.
pub fn unstuff(mut stuffed: &[u8], out: &mut [u8]) -> Option<usize> {
    if stuffed.is_empty() {
        return None;
    }
    let mut unstuffer = Unstuffer::START;
    while !stuffed.is_empty() {
        let taken = unstuffer.feed(stuffed, out);
        stuffed = stuffed.get(taken..).filter(|_| taken > 0)?;
    }
    unstuffer.finish().ok()
}
