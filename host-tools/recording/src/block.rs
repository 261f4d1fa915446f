//! Samples in columns, as the readers hand them out.

use airvalve_sensors::{CHANNELS, Channel, Channels, CodeSample, Contacts, QuantitySample};

/// Samples in columns: one value a sample and channel, all columns of one length.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Block<'a, T> {
    /// Unix times, microseconds.
    pub times_us: &'a [i64],
    /// One column a channel; a channel that is not fitted is missing throughout.
    pub columns: Channels<&'a [T]>,
    /// Contacts of each sample, as [`Contacts`] has them.
    pub contacts: &'a [u8],
}

/// Codes of the converters, [`airvalve_sensors::MISSING_CODE`] where there is none.
pub type CodeBlock<'a> = Block<'a, i16>;
/// Quantities in the channels' units, NaN where there is none.
pub type QuantityBlock<'a> = Block<'a, f32>;

impl<'a, T: Copy> Block<'a, T> {
    /// Number of samples.
    pub fn len(&self) -> usize {
        self.times_us.len()
    }

    /// Whether there is no sample.
    pub fn is_empty(&self) -> bool {
        self.times_us.is_empty()
    }

    /// The samples one by one: time, one value a channel, contacts.
    pub fn rows(self) -> impl Iterator<Item = (i64, Channels<T>, Contacts)> + use<'a, T> {
        let [a, b, c, d, e, f, g] = self.columns.0;
        let values = a.iter().zip(b).zip(c).zip(d).zip(e).zip(f).zip(g);
        let values = values.map(|((((((a, b), c), d), e), f), g)| Channels([*a, *b, *c, *d, *e, *f, *g]));
        let times = self.times_us.iter().zip(self.contacts);
        times.zip(values).map(|((time, contacts), values)| (*time, values, Contacts(*contacts)))
    }
}

impl<'a> CodeBlock<'a> {
    /// The samples one by one.
    pub fn samples(self) -> impl Iterator<Item = CodeSample> + use<'a> {
        self.rows().map(|(time_us, codes, contacts)| CodeSample { time_us, codes, contacts })
    }
}

impl<'a> QuantityBlock<'a> {
    /// The samples one by one.
    pub fn samples(self) -> impl Iterator<Item = QuantitySample> + use<'a> {
        self.rows().map(|(time_us, quantities, contacts)| QuantitySample { time_us, quantities, contacts })
    }
}

/// The memory behind a block.
#[derive(Clone, Debug)]
pub(crate) struct BlockBuffer<T> {
    pub(crate) times_us: Vec<i64>,
    pub(crate) columns: [Vec<T>; CHANNELS],
    pub(crate) contacts: Vec<u8>,
}

impl<T: Copy> BlockBuffer<T> {
    /// Room for `len` samples, all of them `missing`.
    pub(crate) fn new(len: usize, missing: T) -> BlockBuffer<T> {
        BlockBuffer {
            times_us: vec![0; len],
            columns: std::array::from_fn(|_| vec![missing; len]),
            contacts: vec![0; len],
        }
    }

    /// Room for `len` samples, none of them there yet.
    pub(crate) fn empty(len: usize) -> BlockBuffer<T> {
        BlockBuffer {
            times_us: Vec::with_capacity(len),
            columns: std::array::from_fn(|_| Vec::with_capacity(len)),
            contacts: Vec::with_capacity(len),
        }
    }

    pub(crate) fn len(&self) -> usize {
        self.times_us.len()
    }

    pub(crate) fn clear(&mut self) {
        self.times_us.clear();
        self.columns.iter_mut().for_each(Vec::clear);
        self.contacts.clear();
    }

    #[inline]
    pub(crate) fn push(&mut self, time_us: i64, values: &[T; CHANNELS], contacts: u8) {
        self.times_us.push(time_us);
        for (column, value) in self.columns.iter_mut().zip(values) {
            column.push(*value);
        }
        self.contacts.push(contacts);
    }

    /// The samples of a range; empty when the range is not within the buffer.
    pub(crate) fn block(&self, range: std::ops::Range<usize>) -> Block<'_, T> {
        let mut columns = Channels([&[][..]; CHANNELS]);
        for (channel, column) in Channel::ALL.into_iter().zip(&self.columns) {
            columns.set(channel, column.get(range.clone()).unwrap_or_default());
        }
        Block {
            times_us: self.times_us.get(range.clone()).unwrap_or_default(),
            columns,
            contacts: self.contacts.get(range).unwrap_or_default(),
        }
    }
}
