//! The records: what a frame's payload says.

use heapless::{String, Vec};
use serde::{Deserialize, Serialize};

use crate::{Cadence, MAX_CHANNELS, SampleBatch, payload};

/// Numbers of the kinds of record, as a frame carries them.
pub mod kind {
    /// [`Header`](crate::Header).
    pub const HEADER: u8 = 1;
    /// [`SampleBatch`](crate::SampleBatch).
    pub const SAMPLES: u8 = 2;
    /// [`AlarmTransition`](crate::AlarmTransition).
    pub const ALARM_TRANSITION: u8 = 3;
    /// [`ReleaseCycle`](crate::ReleaseCycle).
    pub const RELEASE_CYCLE: u8 = 4;
    /// [`Totals`](crate::Totals).
    pub const TOTALS: u8 = 5;
    /// [`SensorHealth`](crate::SensorHealth).
    pub const SENSOR_HEALTH: u8 = 6;
    /// [`LearnedState`](crate::LearnedState).
    pub const LEARNED_STATE: u8 = 7;
    /// [`ServiceMark`](crate::ServiceMark).
    pub const SERVICE_MARK: u8 = 8;

    /// The kinds that are known here.
    pub const KNOWN: core::ops::RangeInclusive<u8> = HEADER..=SERVICE_MARK;
}

/// Span of one analogue channel.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct ChannelInfo {
    /// Channel id, see [`MAX_CHANNELS`].
    pub id: u8,
    /// Quantity at 4 mA, in the channel's unit.
    pub low: f32,
    /// Quantity at 20 mA, in the channel's unit.
    pub high: f32,
}

/// What a reader must know before it can use samples; the first record after every start.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Header {
    /// Name of the device, 1 to 32 bytes.
    pub device_id: String<32>,
    /// Version of the format, [`FORMAT_VERSION`](crate::FORMAT_VERSION).
    pub format_version: u8,
    /// CRC-32 of the site settings.
    pub site_digest: u32,
    /// CRC-32 of the thresholds.
    pub settings_digest: u32,
    /// Fitted analogue channels, in the order of the codes of a sample.
    pub channels: Vec<ChannelInfo, MAX_CHANNELS>,
    /// Fitted contacts: bit 0 pump, bit 1 cover, bit 2 water in the vault.
    pub contacts_fitted: u8,
    /// Time between samples, microseconds.
    pub sample_period_us: u32,
    /// Unix time at which the device started, microseconds.
    pub anchor_us: i64,
    /// Resistance across which the loop current is measured, milliohms.
    pub shunt_milliohm: u32,
    /// Voltage at code 32768, millivolts.
    pub full_scale_mv: u32,
    /// Length of a burst of samples, whole seconds.
    pub burst_s: u32,
    /// Time from burst to burst, whole seconds; 0: continuous.
    pub burst_every_s: u32,
    /// Milliseconds beyond the whole seconds of a burst.
    pub burst_rest_ms: u16,
    /// Milliseconds beyond the whole seconds from burst to burst.
    pub burst_every_rest_ms: u16,
}

impl Header {
    /// Length of a burst and time from burst to burst, microseconds.
    pub fn burst_us(&self) -> [i64; 2] {
        let whole = |seconds: u32, rest_ms: u16| {
            i64::from(seconds).wrapping_mul(1_000_000).wrapping_add(i64::from(rest_ms).wrapping_mul(1_000))
        };
        [whole(self.burst_s, self.burst_rest_ms), whole(self.burst_every_s, self.burst_every_rest_ms)]
    }

    /// How often samples are due.
    pub fn cadence(&self) -> Cadence {
        Cadence::in_bursts(i64::from(self.sample_period_us), self.burst_us())
    }
}

/// An alarm changed its state.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct AlarmTransition {
    /// Unix time, microseconds.
    pub time_us: i64,
    /// Number of the fault.
    pub fault: u8,
    /// Channel id, 255 when the fault is none of a channel's.
    pub channel: u8,
    /// State after the transition.
    pub state: u8,
    /// Confidence in the fault, per cent.
    pub confidence_pct: u8,
    /// Other faults that explain the evidence, bit n for fault n.
    pub also_possible: u32,
    /// Figures behind the decision; their meaning depends on the fault.
    pub evidence: [f32; 4],
}

/// One cycle of air release, from the first release orifice open to all closed.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct ReleaseCycle {
    /// Unix time of the opening, microseconds.
    pub from_us: i64,
    /// Unix time of the closing, microseconds.
    pub to_us: i64,
    /// Released air by the orifice law, normal litres.
    pub orifice_nl: f32,
    /// Released air by the float's displacement, normal litres; NaN: not judged.
    pub displacement_nl: f32,
    /// Effective area over nominal area of the orifice; NaN: not judged.
    pub area_ratio: f32,
    /// Float position at the opening, per cent.
    pub start_pct: f32,
    /// Float position at the closing, per cent.
    pub end_pct: f32,
    /// Flags, as the monitor defines them.
    pub flags: u8,
}

/// Sums since the device started.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Totals {
    /// Unix time, microseconds.
    pub time_us: i64,
    /// Released air through large, small and second release orifice, normal litres.
    pub released_nl: [f32; 3],
    /// Air let in, normal litres.
    pub admitted_nl: f32,
    /// Release cycles.
    pub cycles: u32,
    /// Time in each valve state, seconds.
    pub state_s: [u32; 5],
    /// Samples that were due and did not arrive.
    pub lost_samples: u32,
}

/// State of one sensor.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct SensorHealth {
    /// Unix time, microseconds.
    pub time_us: i64,
    /// Channel id.
    pub channel: u8,
    /// Status, as the monitor numbers it.
    pub status: u8,
    /// Least quantity seen lately, in the channel's unit.
    pub live_low: f32,
    /// Greatest quantity seen lately, in the channel's unit.
    pub live_high: f32,
    /// Standard deviation of the noise, in the channel's unit.
    pub noise: f32,
}

/// What the device has learned, so that a restart or a replay can begin there.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct LearnedState {
    /// Unix time, microseconds.
    pub time_us: i64,
    /// CRC-32 of the evidence settings under which it was learned.
    pub evidence_digest: u32,
    /// The monitor's own bytes.
    pub bytes: Vec<u8, 1024>,
}

/// Someone has worked on the valve or a sensor: what was learned of the part holds no longer.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct ServiceMark {
    /// Unix time, microseconds.
    pub time_us: i64,
    /// Number of the work, as the monitor numbers it; 0: not known.
    pub work: u8,
    /// Channel id of the sensor that was replaced, 255 when the work is none on a sensor.
    pub channel: u8,
}

/// One record; [`kind`] numbers the variants.
// The device has no heap to box the big variants on, and makes one record at a time.
#[allow(clippy::large_enum_variant)]
#[derive(Clone, Debug, PartialEq)]
pub enum Record<'a> {
    /// Start of a recording or link.
    Header(Header),
    /// Samples.
    Samples(SampleBatch<'a>),
    /// An alarm changed its state.
    AlarmTransition(AlarmTransition),
    /// A cycle of air release.
    ReleaseCycle(ReleaseCycle),
    /// Sums.
    Totals(Totals),
    /// State of one sensor.
    SensorHealth(SensorHealth),
    /// Learned state.
    LearnedState(LearnedState),
    /// Someone has worked on the valve or a sensor.
    ServiceMark(ServiceMark),
}

/// Why a frame's payload is no record.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum DecodeError {
    /// The kind of record is not known here: a newer device; skip the frame.
    UnknownKind(u8),
    /// The payload of a known kind breaks its layout.
    Malformed(u8),
}

impl core::fmt::Display for DecodeError {
    fn fmt(&self, f: &mut core::fmt::Formatter<'_>) -> core::fmt::Result {
        match self {
            DecodeError::UnknownKind(kind) => write!(f, "record: kind {kind} (known: 1 to 8); skip the frame"),
            DecodeError::Malformed(kind) => {
                write!(f, "record: payload of kind {kind} breaks its layout; skip the frame")
            }
        }
    }
}

impl core::error::Error for DecodeError {}

impl<'a> Record<'a> {
    /// Number of the record's kind.
    pub const fn kind(&self) -> u8 {
        match self {
            Record::Header(_) => kind::HEADER,
            Record::Samples(_) => kind::SAMPLES,
            Record::AlarmTransition(_) => kind::ALARM_TRANSITION,
            Record::ReleaseCycle(_) => kind::RELEASE_CYCLE,
            Record::Totals(_) => kind::TOTALS,
            Record::SensorHealth(_) => kind::SENSOR_HEALTH,
            Record::LearnedState(_) => kind::LEARNED_STATE,
            Record::ServiceMark(_) => kind::SERVICE_MARK,
        }
    }

    /// Reads a payload; missing trailing fields are zero, bytes after the last known field are left alone.
    ///
    /// # Errors
    /// [`DecodeError`] when the kind is not known or the payload breaks its layout.
    pub fn from_payload(kind: u8, payload: &'a [u8]) -> Result<Record<'a>, DecodeError> {
        let record = match kind {
            kind::HEADER => payload::read(payload).map(Record::Header),
            kind::SAMPLES => payload::read(payload).map(Record::Samples),
            kind::ALARM_TRANSITION => payload::read(payload).map(Record::AlarmTransition),
            kind::RELEASE_CYCLE => payload::read(payload).map(Record::ReleaseCycle),
            kind::TOTALS => payload::read(payload).map(Record::Totals),
            kind::SENSOR_HEALTH => payload::read(payload).map(Record::SensorHealth),
            kind::LEARNED_STATE => payload::read(payload).map(Record::LearnedState),
            kind::SERVICE_MARK => payload::read(payload).map(Record::ServiceMark),
            unknown => return Err(DecodeError::UnknownKind(unknown)),
        };
        record.ok_or(DecodeError::Malformed(kind))
    }
}
