//! Telemetry of an air-valve monitor: records, sample coding, framing and the rules by which the format grows.
//!
//! A recording and a live link carry the same bytes: frames, each one record ([`Record`]) with its kind, a sequence
//! number and a checksum. `FORMAT.md` beside this crate describes every byte.
//!
//! ```
//! use airvalve_telemetry::{Event, FrameReader, FrameWriter, Record, SensorHealth};
//!
//! let record = Record::SensorHealth(SensorHealth { channel: 1, status: 2, ..SensorHealth::default() });
//! let mut bytes = [0; 64];
//! let used = FrameWriter::new().write(&record, &mut bytes)?;
//!
//! let mut reader = FrameReader::<64>::new();
//! let mut input = bytes.get(..used).unwrap_or_default();
//! while let Some(event) = reader.next_event(&mut input) {
//!     if let Event::Frame(frame) = event {
//!         assert_eq!(frame.record(), Ok(record.clone()));
//!     }
//! }
//! # Ok::<(), airvalve_telemetry::WriteError>(())
//! ```
#![no_std]
#![deny(clippy::indexing_slicing, clippy::arithmetic_side_effects)]

mod batch;
mod bits;
mod cadence;
mod channel_encoder;
mod cobs;
mod decode;
mod encode;
mod frame;
mod payload;
mod predictor;
mod prefix_code;
mod reader;
mod record;

pub use batch::{BatchError, Columns, MAX_BATCH_SAMPLES, MAX_BLOCK_SAMPLES, SampleBatch, delta_varint_len};
pub use cadence::{Cadence, Gap, GapFinder, Interruption};
pub use cobs::{stuff, unstuff};
pub use encode::{ArchiveEncoder, BatchEncoder, LiveEncoder, Pushed};
pub use frame::{FrameWriter, MAX_FRAME_LEN, TAG_LEN, WriteError, checksum, max_frame_len};
pub use reader::{Counts, Damage, Damaged, Event, Frame, FrameReader, Frames, frames};
pub use record::{
    AlarmTransition, ChannelInfo, DecodeError, Header, LearnedState, Record, ReleaseCycle, SensorHealth, ServiceMark,
    Totals, kind,
};

/// Version of the format that this crate writes.
pub const FORMAT_VERSION: u8 = 1;

/// Code of a sample that did not arrive; no converter gives it.
pub const MISSING_CODE: i16 = i16::MIN;

/// Most analogue channels of a device.
///
/// Their ids are 0 float, 1 chamber pressure, 2 odour, 3 line pressure, 4 air temperature, 5 least and 6 greatest
/// chamber pressure since the sample before.
pub const MAX_CHANNELS: usize = 7;
