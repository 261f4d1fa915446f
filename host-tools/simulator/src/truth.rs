//! What really happened: the truth that a detector is held against.

use jiff::Timestamp;
use serde::{Serialize, Serializer};

/// A moment, Unix time in microseconds; written as RFC 3339 in UTC with milliseconds.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub struct Moment(pub i64);

impl Serialize for Moment {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        let time = Timestamp::from_microsecond(self.0).map_err(serde::ser::Error::custom)?;
        serializer.collect_str(&time.strftime("%Y-%m-%dT%H:%M:%S%.3fZ"))
    }
}

/// What really happened in a simulation; times of the plant, whatever the device's clock says; volumes in normal litres
/// of dry air (0 degC, 101.325 kPa).
#[derive(Clone, Debug, PartialEq, Serialize)]
#[allow(missing_docs)] // the names carry the units
pub struct Truth {
    pub scenario: String,
    pub seed: u64,
    pub valve_id: String,
    pub from: Moment,
    pub to: Moment,
    pub sample_hz: f64,
    pub faults: Vec<FaultTruth>,
    pub sensor_faults: Vec<SensorFaultTruth>,
    pub air: AirTruth,
    /// Cycles of the release orifices; those during fills and drains are left out.
    pub cycles: Vec<CycleTruth>,
    pub events: EventsTruth,
    pub pump: PumpTruth,
    pub states: StateSeconds,
    /// Liquid that left through open seats, m3.
    pub spilled_m3: f64,
    pub true_valve: TrueValveTruth,
}

/// A fault of the valve.
#[derive(Clone, Debug, PartialEq, Serialize)]
#[allow(missing_docs)]
pub struct FaultTruth {
    pub fault: &'static str,
    pub onset: Moment,
    pub until: Option<Moment>,
    /// Severity at the onset, over its growth, and at the end.
    pub severity: Vec<SeverityPoint>,
}

/// Severity of a fault at a time.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
#[allow(missing_docs)]
pub struct SeverityPoint {
    pub at: Moment,
    pub severity: f64,
}

/// A fault of a sensor.
#[derive(Clone, Debug, PartialEq, Serialize)]
#[allow(missing_docs)]
pub struct SensorFaultTruth {
    pub fault: &'static str,
    pub channel: &'static str,
    pub onset: Moment,
    pub until: Option<Moment>,
}

/// Air through the valve.
#[derive(Clone, Debug, Default, PartialEq, Serialize)]
#[allow(missing_docs)]
pub struct AirTruth {
    pub released_nl: f64,
    pub released_by_orifice: ByOrifice,
    pub admitted_nl: f64,
    pub arrived_nl: f64,
    /// In the body and the pipe below it, at the start and at the end.
    pub held_at_start_nl: f64,
    pub held_at_end_nl: f64,
    pub by_hour: Vec<HourTruth>,
}

/// Air let out by each orifice.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize)]
#[allow(missing_docs)]
pub struct ByOrifice {
    pub large_nl: f64,
    pub small_nl: f64,
    pub second_nl: f64,
}

/// Air in a whole hour, UTC.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
#[allow(missing_docs)]
pub struct HourTruth {
    pub from: Moment,
    pub released_nl: f64,
    pub admitted_nl: f64,
}

/// One release: from the first release orifice open to all closed.
#[derive(Clone, Debug, PartialEq, Serialize)]
#[allow(missing_docs)]
pub struct CycleTruth {
    pub from: Moment,
    pub to: Option<Moment>,
    pub released_nl: f64,
    pub start_pct: f64,
    pub end_pct: f64,
    pub orifices: Vec<&'static str>,
}

/// What happened to main and valve.
#[derive(Clone, Debug, Default, PartialEq, Serialize)]
#[allow(missing_docs)]
pub struct EventsTruth {
    pub drains: Vec<DrainTruth>,
    pub fills: Vec<FillTruth>,
    pub pockets: Vec<PocketTruth>,
    pub slams: Vec<SlamTruth>,
    pub vacuums: Vec<VacuumTruth>,
    pub isolations: Vec<SpellTruth>,
}

/// The high point drains.
#[derive(Clone, Debug, PartialEq, Serialize)]
#[allow(missing_docs)]
pub struct DrainTruth {
    pub from: Moment,
    pub to: Option<Moment>,
    pub is_burst: bool,
    pub admitted_nl: f64,
    pub least_kpa: f64,
}

/// The high point fills.
#[derive(Clone, Debug, PartialEq, Serialize)]
#[allow(missing_docs)]
pub struct FillTruth {
    pub from: Moment,
    pub to: Option<Moment>,
    pub released_nl: f64,
}

/// Air stands in the pipe below the body.
#[derive(Clone, Debug, PartialEq, Serialize)]
#[allow(missing_docs)]
pub struct PocketTruth {
    pub from: Moment,
    pub to: Option<Moment>,
    /// Greatest volume below the body, m3 at the pressure it had.
    pub greatest_m3: f64,
}

/// The large orifice shuts at the end of a fill.
#[derive(Clone, Debug, PartialEq, Serialize)]
#[allow(missing_docs)]
pub struct SlamTruth {
    pub at: Moment,
    pub peak_at: Moment,
    pub peak_kpa: f64,
    /// Above the pressure that the main settles at.
    pub above_kpa: f64,
    pub line_peak_kpa: f64,
}

/// The chamber below -5 kPa gauge for 2 s or longer.
#[derive(Clone, Debug, PartialEq, Serialize)]
#[allow(missing_docs)]
pub struct VacuumTruth {
    pub from: Moment,
    pub to: Option<Moment>,
    pub least_kpa: f64,
}

/// A spell of time.
#[derive(Clone, Debug, PartialEq, Serialize)]
#[allow(missing_docs)]
pub struct SpellTruth {
    pub from: Moment,
    pub to: Option<Moment>,
}

/// What the pump did.
#[derive(Clone, Debug, Default, PartialEq, Serialize)]
#[allow(missing_docs)]
pub struct PumpTruth {
    pub starts: Vec<Moment>,
    pub running_s: f64,
    pub pumped_m3: f64,
}

/// How long the valve was in which state, s.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize)]
#[allow(missing_docs)]
pub struct StateSeconds {
    pub empty_s: f64,
    pub filling_s: f64,
    pub sealed_s: f64,
    pub releasing_s: f64,
    pub admitting_s: f64,
    pub spilling_s: f64,
}

/// What the valve really was.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
#[allow(missing_docs)]
pub struct TrueValveTruth {
    pub p_atm_kpa: f64,
    pub seal_volume_l: f64,
    pub stroke_volume_l: f64,
    pub small_opens_below_pct: f64,
    pub small_closes_above_pct: f64,
    pub large_opens_below_pct: f64,
    /// Flow over that of the data sheet, before any fault.
    pub small_flow_ratio: f64,
    pub second_flow_ratio: f64,
    pub large_flow_ratio: f64,
    pub pressure_zero_kpa: f64,
    pub float_zero_pct: f64,
    pub odour_zero_ppm: f64,
}
