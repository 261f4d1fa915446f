//! Whole lines of a text, in bounded memory.

use std::{
    io::{self, Read},
    path::PathBuf,
};

use memchr::{memchr, memrchr};

use super::CsvError;

/// Bytes held at once, and the longest line; what is longer is cut.
const BUFFER_LEN: usize = 1 << 18;

/// Lines of a source, numbered from 1.
pub(super) struct Lines<R> {
    source: R,
    /// Name, for messages.
    pub(super) file: PathBuf,
    /// Number of the line that was taken last.
    pub(super) number: u64,
    buffer: Vec<u8>,
    from: usize,
    /// End of the last whole line.
    whole_to: usize,
    to: usize,
    is_first: bool,
    is_at_end: bool,
    /// The rest of a line that was cut is still to come.
    is_cut: bool,
}

impl<R: Read> Lines<R> {
    pub(super) fn new(source: R, file: PathBuf) -> Lines<R> {
        Lines {
            source,
            file,
            number: 0,
            // One more for the end of a last line that has none.
            buffer: vec![0; BUFFER_LEN + 1],
            from: 0,
            whole_to: 0,
            to: 0,
            is_first: true,
            is_at_end: false,
            is_cut: false,
        }
    }

    /// The whole lines at hand.
    #[inline]
    pub(super) fn ahead(&self) -> &[u8] {
        self.buffer.get(self.from..self.whole_to).unwrap_or_default()
    }

    /// Goes over a line of `len` bytes, its end included.
    #[inline]
    pub(super) fn skip_line(&mut self, len: usize) {
        self.from += len;
        self.number += 1;
    }

    /// Takes a line, without its end; empty when none is at hand.
    pub(super) fn take_line(&mut self) -> &[u8] {
        let from = self.from;
        let len = memchr(b'\n', self.ahead()).unwrap_or(self.whole_to - from);
        self.skip_line(len + 1);
        self.buffer.get(from..from + len).unwrap_or_default()
    }

    /// Sees to it that a whole line is at hand; false at the end.
    #[inline]
    pub(super) fn fill(&mut self) -> Result<bool, CsvError> {
        while self.from >= self.whole_to {
            if self.is_at_end && self.to <= self.whole_to {
                return Ok(false);
            }
            self.read_on()?;
        }
        Ok(true)
    }

    fn read_on(&mut self) -> Result<(), CsvError> {
        self.buffer.copy_within(self.whole_to..self.to, 0);
        self.to -= self.whole_to;
        (self.from, self.whole_to) = (0, 0);
        self.read_some()?;
        self.drop_byte_order_mark();
        let held = self.buffer.get(..self.to).unwrap_or_default();
        if self.is_cut {
            let rest = memchr(b'\n', held).map(|at| at + 1);
            self.is_cut = rest.is_none();
            self.from = rest.unwrap_or(self.to);
        }
        let held = self.buffer.get(self.from..self.to).unwrap_or_default();
        match memrchr(b'\n', held) {
            Some(last) => self.whole_to = self.from + last + 1,
            None if self.is_cut => self.whole_to = self.to,
            None if self.is_at_end && self.from < self.to => self.end_line_at(self.to),
            None if self.to >= BUFFER_LEN && self.from == 0 => {
                self.is_cut = true;
                self.end_line_at(BUFFER_LEN - 1);
            }
            None => self.whole_to = self.from,
        }
        Ok(())
    }

    fn read_some(&mut self) -> Result<(), CsvError> {
        let room = self.buffer.get_mut(self.to..BUFFER_LEN).unwrap_or_default();
        let read = loop {
            match self.source.read(room) {
                Err(error) if error.kind() == io::ErrorKind::Interrupted => {}
                read => break read,
            }
        };
        let (file, line) = (|| self.file.clone(), self.number);
        let read = read.map_err(|source| CsvError::Reading { file: file(), line, source })?;
        self.is_at_end = read == 0 && self.to < BUFFER_LEN;
        self.to += read;
        Ok(())
    }

    /// Makes the bytes up to `at` a line.
    fn end_line_at(&mut self, at: usize) {
        if let Some(end) = self.buffer.get_mut(at) {
            *end = b'\n';
        }
        self.to = self.to.max(at + 1);
        self.whole_to = at + 1;
    }

    fn drop_byte_order_mark(&mut self) {
        // A source may hand out its first bytes one by one.
        if self.is_first && (self.to >= 3 || self.is_at_end) {
            self.is_first = false;
            if self.buffer.starts_with(b"\xef\xbb\xbf") {
                self.buffer.copy_within(3..self.to, 0);
                self.to -= 3;
            }
        }
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;
    use proptest::prelude::*;

    /// Hands out `step` bytes at a time.
    struct Dripping<'a>(&'a [u8], usize);

    impl Read for Dripping<'_> {
        fn read(&mut self, into: &mut [u8]) -> io::Result<usize> {
            let len = self.1.min(self.0.len()).min(into.len());
            let (now, later) = self.0.split_at(len);
            into[..len].copy_from_slice(now);
            self.0 = later;
            Ok(len)
        }
    }

    fn lines(text: &[u8], step: usize) -> Vec<Vec<u8>> {
        let mut lines = Lines::new(Dripping(text, step), PathBuf::from("x"));
        let mut all = Vec::new();
        while lines.fill().unwrap() {
            all.push(lines.take_line().to_vec());
        }
        assert_eq!(lines.number, all.len() as u64);
        all
    }

    #[test]
    fn a_last_line_needs_no_end_and_a_byte_order_mark_is_dropped() {
        assert_eq!(lines(b"\xef\xbb\xbfa\n\nb", 1), [&b"a"[..], b"", b"b"]);
        assert_eq!(lines(b"", 1), Vec::<Vec<u8>>::new());
    }

    #[test]
    fn an_endless_line_is_cut_and_the_next_is_read() {
        let mut text = vec![b'x'; 3 * BUFFER_LEN];
        text.extend_from_slice(b"\nnext\n");
        let lines = lines(&text, 100_000);
        assert_eq!(lines.len(), 2);
        assert_eq!(lines[0].len(), BUFFER_LEN - 1);
        assert_eq!(lines[1], b"next");
    }

    proptest! {
        #[test]
        fn chunking_of_reads_does_not_matter(text in "[ab\n]{0,60}", step in 1..20_usize) {
            let mut expected: Vec<Vec<u8>> = text.split('\n').map(|line| line.as_bytes().to_vec()).collect();
            if expected.last().is_some_and(Vec::is_empty) {
                expected.pop();
            }
            prop_assert_eq!(lines(text.as_bytes(), step), expected);
        }
    }
}
