//! One model of each measuring channel, usable in both directions.
//!
//! Duty: turn a quantity into a loop current and a converter code (what a simulator, a bench rig or a self-test needs)
//! and a code back into a current and a quantity (what the device needs), and read the converters over I2C.
//! It takes no decision about valves: that is `airvalve-monitor`.
//!
//! Glossary: *span*, the quantities at 4 mA and 20 mA; *code*, the signed 16-bit reading of the converter across the
//! shunt; *fitted*, a channel that the site has.
#![no_std]
#![deny(clippy::indexing_slicing)]

pub mod bus;
pub mod channel;
pub mod front_end;
pub mod loop_current;
pub mod sample;
pub mod transmitter;

pub use channel::{CHANNELS, Channel, Channels, Contact, Contacts, Span};
pub use front_end::FrontEnd;
pub use loop_current::{LoopBand, LoopCurrent};
pub use sample::{CodeSample, MISSING_CODE, QuantitySample};
pub use transmitter::{FailureMode, Transmitter};
