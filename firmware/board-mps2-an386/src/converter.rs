//! The converter on the I2C bus, emulated down to its registers, so that the driver runs unmodified.
//!
//! Source: Texas Instruments, ADS111x data sheet (SBAS444), register map.

use core::cell::Cell;

use airvalve_sensors::{MISSING_CODE, bus::FIRST_CONVERTER_ADDRESS};
use embedded_hal::i2c::{ErrorKind, ErrorType, I2c, NoAcknowledgeSource, Operation};

const CONVERSION: u8 = 0x00;
const CONFIG: u8 = 0x01;
/// Config bit 15, read: no conversion is running.
const READY: u16 = 0x8000;
/// Config after power-up.
const CONFIG_AT_RESET: u16 = 0x8583;

/// The codes at the four inputs, shared between the line that sets them and the bus that reads them.
pub type Inputs = Cell<[i16; 4]>;

/// The bus with the one converter on it.
pub struct Bus<'a> {
    inputs: &'a Inputs,
    pointer: u8,
    config: u16,
}

impl<'a> Bus<'a> {
    /// A converter after power-up.
    pub const fn new(inputs: &'a Inputs) -> Bus<'a> {
        Bus { inputs, pointer: CONVERSION, config: CONFIG_AT_RESET }
    }

    fn store(&mut self, bytes: &[u8]) -> Result<(), ErrorKind> {
        match *bytes {
            [pointer] => self.pointer = pointer,
            [pointer, high, low] => {
                self.pointer = pointer;
                if pointer == CONFIG {
                    self.config = u16::from_be_bytes([high, low]);
                }
            }
            _ => return Err(ErrorKind::NoAcknowledge(NoAcknowledgeSource::Data)),
        }
        Ok(())
    }

    fn load(&self, bytes: &mut [u8]) -> Result<(), ErrorKind> {
        let value = match self.pointer {
            // A conversion takes no time here: it is ready as soon as it was started.
            CONFIG => self.config | READY,
            _ => self.selected_code()?.cast_unsigned(),
        };
        for (byte, from) in bytes.iter_mut().zip(value.to_be_bytes()) {
            *byte = from;
        }
        Ok(())
    }

    /// The code of the input that the multiplexer bits (14 to 12) select; 4 to 7 are inputs 0 to 3 against ground.
    fn selected_code(&self) -> Result<i16, ErrorKind> {
        let [first, second, third, fourth] = self.inputs.get();
        let code = match (self.config >> 12) & 7 {
            4 => first,
            5 => second,
            6 => third,
            7 => fourth,
            _ => return Err(ErrorKind::Other),
        };
        if code == MISSING_CODE { Err(ErrorKind::NoAcknowledge(NoAcknowledgeSource::Address)) } else { Ok(code) }
    }
}

impl ErrorType for Bus<'_> {
    type Error = ErrorKind;
}

impl I2c for Bus<'_> {
    fn transaction(&mut self, address: u8, operations: &mut [Operation<'_>]) -> Result<(), ErrorKind> {
        if address != FIRST_CONVERTER_ADDRESS {
            return Err(ErrorKind::NoAcknowledge(NoAcknowledgeSource::Address));
        }
        operations.iter_mut().try_for_each(|operation| match operation {
            Operation::Write(bytes) => self.store(bytes),
            Operation::Read(bytes) => self.load(bytes),
        })
    }
}
