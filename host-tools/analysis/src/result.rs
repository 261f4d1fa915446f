//! The result of a replay: what `--json` prints, field by field.

use std::collections::BTreeMap;

use airvalve_monitor::AlarmKind;
use serde::{Serialize, Serializer};

use crate::{
    findings::{Finding, Judged},
    learned::LearnedResult,
    services::ServiceResult,
    strip::Strip,
    time::Time,
};

/// What a replay found.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Replay {
    /// Id of the valve, from its site file.
    pub valve_id: String,
    /// Name for people.
    pub name: String,
    /// Time that the samples cover.
    pub recording: RecordingSpan,
    /// Samples counted.
    pub samples: Samples,
    /// Alarms, in the order in which they were raised.
    pub alarms: Vec<Alarm>,
    /// Findings, in the order in which they began.
    pub findings: Vec<Finding>,
    /// Kinds of finding that could be judged, each with its threshold.
    pub findings_judged: Vec<Judged>,
    /// Thresholds of the findings by their names in a settings file.
    pub finding_limits: BTreeMap<&'static str, f32>,
    /// Air let out and in.
    #[serde(serialize_with = "with_resolved")]
    pub air: Air,
    /// Release cycles.
    pub cycles: Vec<CycleResult>,
    /// Time in each state, hours.
    pub state_hours: StateHours,
    /// Alarms that the device itself recorded.
    pub recorded_alarms: Vec<RecordedAlarm>,
    /// Work on the valve after which a new baseline began, in order of time.
    pub services: Vec<ServiceResult>,
    /// What the detector has learned by the end, and what it can judge by that.
    pub learned: LearnedResult,
    /// Where the detector began: `recording` (what the device had learned) or `data-sheet`.
    pub begins_from: &'static str,
    /// CRC-32 of the thresholds that were used.
    pub settings_digest: String,
    /// What was met in the files beside good samples.
    pub quality: Quality,
    /// What a reader should know before believing the rest.
    pub warnings: Vec<String>,
    /// Those of the warnings that come before everything else, for a text.
    #[serde(skip)]
    pub first_of_all: Vec<String>,
    /// The time in columns, for a picture.
    #[serde(skip)]
    pub strip: Strip,
}

/// Time that the samples cover.
#[derive(Clone, Debug, PartialEq, Serialize)]
#[allow(missing_docs)]
pub struct RecordingSpan {
    pub from: Time,
    pub to: Time,
    pub gaps: Vec<GapResult>,
}

/// Time without a used sample.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
#[allow(missing_docs)]
pub struct GapResult {
    pub from: Time,
    pub to: Time,
}

/// Samples counted: `read = used + rejected`.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize)]
#[allow(missing_docs)]
pub struct Samples {
    pub read: u64,
    pub used: u64,
    pub rejected: u64,
}

/// One alarm.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Alarm {
    /// `stuck-open`, `stuck-closed`, `fouling` or `sensor-fault`.
    pub kind: &'static str,
    /// Name of the fault.
    pub fault: &'static str,
    /// Column of the channel, for a sensor fault.
    pub channel: Option<&'static str>,
    /// When its on-delay had run out.
    pub raised_at: Time,
    /// When its off-delay had run out.
    pub cleared_at: Option<Time>,
    /// What was seen, in figures.
    pub evidence: String,
    /// What to check first.
    pub first_check: &'static str,
    /// What would show that it is wrong.
    pub disproved_by: String,
    /// How sure, 0 to 1.
    pub confidence: f64,
    /// Other faults that the same picture allows.
    pub also_possible: Vec<&'static str>,
}

impl Alarm {
    /// Whether it is one of the valve itself and not of a sensor.
    pub fn is_of_valve(&self) -> bool {
        self.kind != AlarmKind::SensorFault.name()
    }
}

/// An alarm change that a device recorded.
#[derive(Clone, Debug, PartialEq, Serialize)]
#[allow(missing_docs)]
pub struct RecordedAlarm {
    pub at: Time,
    pub kind: &'static str,
    pub fault: &'static str,
    pub channel: Option<&'static str>,
    /// State as the standard names it.
    pub state: &'static str,
    /// Whether the condition was there.
    pub is_active: bool,
    pub confidence: f64,
}

/// Air let out and in; `_nl` is normal litres of dry air (0 degC, 101.325 kPa), `low` and `high` bound 95 %.
#[derive(Clone, Debug, Default, PartialEq, Serialize)]
#[allow(missing_docs)]
pub struct Air {
    pub released_nl: f64,
    pub released_nl_low: f64,
    pub released_nl_high: f64,
    pub released_by_orifice: Vec<OrificeAir>,
    pub admitted_nl: f64,
    pub admitted_nl_low: f64,
    pub admitted_nl_high: f64,
    /// False where a value is only bounded.
    pub released_resolved: bool,
    pub admitted_resolved: bool,
    pub by_hour: Vec<AirHour>,
    /// The same air on other bases.
    pub other_bases: Vec<Basis>,
}

/// The air, and beside its values whether both are resolved.
fn with_resolved<S: Serializer>(air: &Air, serializer: S) -> Result<S::Ok, S::Error> {
    #[derive(Serialize)]
    struct WithResolved<'a> {
        #[serde(flatten)]
        air: &'a Air,
        resolved: bool,
    }
    WithResolved { air, resolved: air.released_resolved && air.admitted_resolved }.serialize(serializer)
}

/// Air let out by one orifice.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
#[allow(missing_docs)]
pub struct OrificeAir {
    /// `large`, `small` or `second`.
    pub orifice: &'static str,
    pub released_nl: f64,
    pub released_nl_low: f64,
    pub released_nl_high: f64,
    pub resolved: bool,
}

/// Air in a whole hour, UTC.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
#[allow(missing_docs)]
pub struct AirHour {
    pub from: Time,
    pub released_nl: f64,
    pub released_nl_low: f64,
    pub released_nl_high: f64,
    pub admitted_nl: f64,
    pub admitted_nl_low: f64,
    pub admitted_nl_high: f64,
    pub resolved: bool,
}

/// The air on another basis.
#[derive(Clone, Debug, PartialEq, Serialize)]
#[allow(missing_docs)]
pub struct Basis {
    /// Name and conditions.
    pub basis: String,
    /// Litres on this basis in one normal litre.
    pub litres_per_nl: f64,
    pub released_l: f64,
    pub released_l_low: f64,
    pub released_l_high: f64,
    pub admitted_l: f64,
    pub admitted_l_low: f64,
    pub admitted_l_high: f64,
}

/// One release cycle.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
#[allow(missing_docs)]
pub struct CycleResult {
    pub from: Time,
    /// None while it runs.
    pub to: Option<Time>,
    pub released_nl: f64,
    /// Displacement over orifice estimate; none where it was not judged.
    pub area_ratio: Option<f64>,
    pub orifice_nl: f64,
    pub displacement_nl: Option<f64>,
    pub near_step: bool,
}

/// Time in each state, h.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize)]
#[allow(missing_docs)]
pub struct StateHours {
    pub empty: f64,
    pub filling: f64,
    pub sealed: f64,
    pub releasing: f64,
    pub admitting: f64,
    /// Float or pressure could not be read, or no sample came although one was due.
    pub not_judged: f64,
}

/// What was met in the files beside good samples.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize)]
#[allow(missing_docs)]
pub struct Quality {
    pub files: usize,
    pub lost_frames: u64,
    pub damaged_places: u64,
    pub restarts: u64,
    pub clock_steps: u64,
    pub gap_hours: f64,
    /// Samples came, but none of the float, or none of the chamber pressure, that can be trusted.
    pub without_float_hours: f64,
    pub without_pressure_hours: f64,
    /// The data are too short to judge a valve by.
    pub is_too_short: bool,
    /// False where rows come too seldom for the detector: neither its alarms nor their absence say anything.
    pub alarms_trusted: bool,
}

/// Rounded to thousandths: no result is better than that.
pub(crate) fn rounded(value: f64) -> f64 {
    // Adding nothing makes a negative zero positive.
    (value * 1e3).round() / 1e3 + 0.0
}
