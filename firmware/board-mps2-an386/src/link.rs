//! What goes over the board's two serial lines besides telemetry; the host's side includes this very file.
//!
//! Towards the board (UART1): one configuration, samples, one end. From the board (UART0): the device's telemetry,
//! then one frame of figures, or one refusal in words. Everything is framed as telemetry is.

// Each side uses its half.
#![allow(dead_code)]

use airvalve_sensors::{Channel, CodeSample, Contacts, bus::FIRST_CONVERTER_INPUTS};
use serde::{Deserialize, Serialize};

/// Kind of the frame that carries a `DeviceConfig` in its postcard form.
pub const CONFIGURATION: u8 = 0xF0;
/// Kind of a frame of samples, [`SAMPLE_BYTES`] each.
pub const SAMPLES: u8 = 0xF1;
/// Kind of the frame after the last sample.
pub const END: u8 = 0xF2;
/// Kind of the board's last frame, [`Figures`] in their postcard form.
pub const FIGURES: u8 = 0xF3;
/// Kind of the frame that says in words why the board gives up.
pub const REFUSAL: u8 = 0xF4;

/// Longest frame towards the board, without its stuffing, bytes.
pub const FRAME_BYTES: usize = 2_048;
/// Bytes of one sample: time, four codes, contacts.
pub const SAMPLE_BYTES: usize = 17;

/// One sample of the first converter's inputs and the contacts, as the line carries it.
///
/// A code of `MISSING_CODE` stands for a converter that does not answer when this input is read.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Stimulus {
    /// Unix time, microseconds.
    pub time_us: i64,
    /// Code at each input of the first converter.
    pub input_codes: [i16; 4],
    /// Contacts, as telemetry carries them.
    pub contacts: u8,
}

impl Stimulus {
    /// What the first converter must be shown so that the device reads this sample.
    pub fn of(sample: &CodeSample) -> Stimulus {
        let code = |input: Option<Channel>| input.map_or(0, |channel| sample.codes.get(channel));
        Stimulus { time_us: sample.time_us, input_codes: FIRST_CONVERTER_INPUTS.map(code), contacts: sample.contacts.0 }
    }

    /// Its bytes on the line, little-endian.
    pub fn to_bytes(self) -> [u8; SAMPLE_BYTES] {
        let [t0, t1, t2, t3, t4, t5, t6, t7] = self.time_us.to_le_bytes();
        let [[a0, a1], [b0, b1], [c0, c1], [d0, d1]] = self.input_codes.map(i16::to_le_bytes);
        [t0, t1, t2, t3, t4, t5, t6, t7, a0, a1, b0, b1, c0, c1, d0, d1, self.contacts]
    }

    /// A sample from its bytes on the line.
    pub fn from_bytes(bytes: &[u8; SAMPLE_BYTES]) -> Stimulus {
        let [t0, t1, t2, t3, t4, t5, t6, t7, a0, a1, b0, b1, c0, c1, d0, d1, contacts] = *bytes;
        Stimulus {
            time_us: i64::from_le_bytes([t0, t1, t2, t3, t4, t5, t6, t7]),
            input_codes: [[a0, a1], [b0, b1], [c0, c1], [d0, d1]].map(i16::from_le_bytes),
            contacts,
        }
    }

    /// The contacts.
    pub fn contacts(self) -> Contacts {
        Contacts(self.contacts)
    }
}

/// What the run has cost.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Figures {
    /// Samples taken.
    pub samples: u32,
    /// SysTick ticks in the converter's driver, the emulated registers included.
    pub driver_ticks: u64,
    /// SysTick ticks in the device's loop (detector and telemetry), the serial line not included.
    pub device_ticks: u64,
    /// SysTick ticks from the first sample to the last, waiting and serial lines included.
    pub total_ticks: u64,
    /// Flash used, bytes.
    pub flash_bytes: u32,
    /// Static data, bytes.
    pub static_bytes: u32,
    /// Deepest stack, bytes.
    pub stack_bytes: u32,
    /// Size of the device's loop with all its state, a part of the static data, bytes.
    pub device_bytes: u32,
}
