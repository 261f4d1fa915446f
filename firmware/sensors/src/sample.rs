//! One sample of every channel, as codes or as quantities.

use crate::channel::{CHANNELS, Channels, Contacts};

/// The code of a sample that did not arrive; no converter gives it, since codes are clipped above it.
pub const MISSING_CODE: i16 = i16::MIN;

/// One sample as the converters give it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct CodeSample {
    /// Unix time, microseconds.
    pub time_us: i64,
    /// Code of each channel, [`MISSING_CODE`] where there is none.
    pub codes: Channels<i16>,
    /// Contacts.
    pub contacts: Contacts,
}

impl CodeSample {
    /// A sample in which every channel is missing.
    pub const fn missing(time_us: i64) -> CodeSample {
        CodeSample { time_us, codes: Channels([MISSING_CODE; CHANNELS]), contacts: Contacts(0) }
    }
}

/// One sample in the units of the channels, NaN where a value is missing.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct QuantitySample {
    /// Unix time, microseconds.
    pub time_us: i64,
    /// Quantity of each channel in its unit, NaN where there is none.
    pub quantities: Channels<f32>,
    /// Contacts.
    pub contacts: Contacts,
}

impl QuantitySample {
    /// A sample in which every channel is missing.
    pub const fn missing(time_us: i64) -> QuantitySample {
        QuantitySample { time_us, quantities: Channels([f32::NAN; CHANNELS]), contacts: Contacts(0) }
    }
}
