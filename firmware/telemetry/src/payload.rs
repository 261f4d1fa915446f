//! Postcard with the growth rule: a payload that ends early goes on as zeros.

use postcard::de_flavors::Flavor;
use postcard::{Deserializer, Error, Result};
use serde::Deserialize;

/// More zeros than any fixed-width field takes.
static ZEROS: [u8; 16] = [0; 16];

/// A payload followed by zeros without end, so that fields a writer did not know yet read as zero.
struct ZeroExtended<'de> {
    rest: &'de [u8],
}

impl<'de> Flavor<'de> for ZeroExtended<'de> {
    type Remainder = &'de [u8];
    type Source = &'de [u8];

    fn pop(&mut self) -> Result<u8> {
        let Some((first, rest)) = self.rest.split_first() else {
            return Ok(0);
        };
        self.rest = rest;
        Ok(*first)
    }

    fn try_take_n(&mut self, count: usize) -> Result<&'de [u8]> {
        // A field cut in the middle is damage; a field that is not there at all is an older writer.
        if self.rest.is_empty() {
            return ZEROS.get(..count).ok_or(Error::DeserializeUnexpectedEnd);
        }
        let (taken, rest) = self.rest.split_at_checked(count).ok_or(Error::DeserializeUnexpectedEnd)?;
        self.rest = rest;
        Ok(taken)
    }

    fn finalize(self) -> Result<&'de [u8]> {
        Ok(self.rest)
    }
}

/// Reads a value from the start of `payload`, `None` when the payload breaks its layout.
pub(crate) fn read<'de, T: Deserialize<'de>>(payload: &'de [u8]) -> Option<T> {
    let mut deserializer = Deserializer::from_flavor(ZeroExtended { rest: payload });
    T::deserialize(&mut deserializer).ok()
}
