//! What a site file says, with every default filled in.

use airvalve_sensors::{Channels, Span};

use crate::problem::Problem;

/// One valve at one high point, as its site file describes it.
///
/// Pressures in kPa gauge, volumes in litres, positions in % of stroke.
#[derive(Clone, Debug, PartialEq)]
pub struct Site {
    /// `site.name`.
    pub name: String,
    /// `site.valve_id`, or the file's name.
    pub valve_id: String,
    /// `site.altitude_m`.
    pub altitude_m: f64,
    /// Local atmospheric pressure, kPa absolute: given, or from the altitude (ISO 2533).
    pub p_atm_kpa: f64,
    /// `[line]`.
    pub line: Line,
    /// `[valve]` and its orifices.
    pub valve: Valve,
    /// `[water]`.
    pub water: Water,
    /// `[vault]`.
    pub vault: Vault,
    /// `[sensors]`.
    pub sensors: Sensors,
    /// `[sampling]`.
    pub sampling: Sampling,
    /// `[uncertainty]`: limits of rectangular distributions, +-.
    pub uncertainty: Uncertainty,
    /// `[[planned_work]]`.
    pub planned_work: Vec<PlannedWork>,
    /// Every value as it was read, with its origin, in the order of the table of keys; for people.
    pub stated: Vec<Stated>,
    /// What is possible and yet improbable, in the order of the lines.
    pub doubts: Vec<Problem>,
}

impl Site {
    /// Whether the file itself gives `site.valve_id`, and not its name.
    pub fn is_id_given(&self) -> bool {
        self.stated.iter().any(|stated| stated.key == "site.valve_id" && stated.origin == Origin::File)
    }
}

/// One value of a site, as text.
#[derive(Clone, Debug, PartialEq)]
pub struct Stated {
    /// Dotted path of the key.
    pub key: String,
    /// Value.
    pub value: String,
    /// Unit, empty for a pure number or a text.
    pub unit: &'static str,
    /// Where it came from.
    pub origin: Origin,
}

/// Where a value came from.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Origin {
    /// The file gives it.
    File,
    /// The file does not give it.
    Default,
    /// The file does not give it, and it was worked out as the text says.
    Computed(&'static str),
}

/// The rising main at this valve.
#[derive(Clone, Copy, Debug, PartialEq)]
#[allow(missing_docs)] // the names carry the units and are those of the site file
pub struct Line {
    pub static_kpa: f64,
    pub working_kpa: f64,
    pub allowable_kpa: f64,
    pub flow_l_s: f64,
    pub largest_pocket_m3: f64,
}

/// The valve body and its orifices.
#[derive(Clone, Debug, PartialEq)]
#[allow(missing_docs)]
pub struct Valve {
    pub seal_volume_l: f64,
    pub stroke_volume_l: f64,
    pub large_orifice: LargeOrifice,
    /// One or two, the small orifice first.
    pub release_orifices: Vec<ReleaseOrifice>,
}

/// The large orifice.
#[derive(Clone, Copy, Debug, PartialEq)]
#[allow(missing_docs)]
pub struct LargeOrifice {
    pub diameter_mm: f64,
    pub discharge_coefficient: f64,
    pub inflow_coefficient: f64,
    pub opens_below_pct: f64,
    pub closes_above_pct: f64,
    pub reopen_kpa: f64,
}

/// A release orifice: the small orifice or the second stage.
#[derive(Clone, Copy, Debug, PartialEq)]
#[allow(missing_docs)]
pub struct ReleaseOrifice {
    pub flow: OrificeFlow,
    pub opens_below_pct: f64,
    pub closes_above_pct: f64,
}

/// How the flow of an orifice is given.
#[derive(Clone, Copy, Debug, PartialEq)]
#[allow(missing_docs)]
pub enum OrificeFlow {
    /// Diameter and discharge coefficient; the coefficient holds at `reference_ratio` (p2/p1; `None`: at working pressure).
    Coefficient { diameter_mm: f64, discharge_coefficient: f64, reference_ratio: Option<f64> },
    /// ISO 6358-1.
    Conductance { sonic_conductance_dm3_s_bar: f64, critical_ratio: f64 },
}

/// What runs in the main.
#[derive(Clone, Copy, Debug, PartialEq)]
#[allow(missing_docs)]
pub struct Water {
    pub is_sewage: bool,
    pub temperature_c: f64,
}

/// The vault around the valve.
#[derive(Clone, Copy, Debug, PartialEq)]
#[allow(missing_docs)]
pub struct Vault {
    pub volume_m3: f64,
    pub air_changes_per_h: f64,
}

/// Sampling rate and transmitters.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Sensors {
    /// Samples a second, 1 to 50.
    pub sample_hz: f64,
    /// One transmitter a channel.
    pub channels: Channels<SensorSpec>,
}

/// One transmitter.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct SensorSpec {
    /// Quantities at 4 and 20 mA.
    pub span: Span,
    /// Accuracy, % of span (for pressure: of its zero).
    pub accuracy_pct_span: f64,
    /// Time constant, s.
    pub lag_s: f64,
}

/// Continuous, or in bursts.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Sampling {
    /// Length and spacing of bursts, s; `None` when sampling goes on all the time.
    pub burst: Option<Burst>,
}

/// Burst sampling.
#[derive(Clone, Copy, Debug, PartialEq)]
#[allow(missing_docs)]
pub struct Burst {
    pub burst_s: f64,
    pub every_s: f64,
}

/// Limits of the inputs' rectangular distributions, +-.
#[derive(Clone, Copy, Debug, PartialEq)]
#[allow(missing_docs)]
pub struct Uncertainty {
    pub coefficient_pct: f64,
    pub diameter_pct: f64,
    pub volume_pct: f64,
    pub position_pct_stroke: f64,
    pub p_atm_kpa: f64,
    pub temperature_c: f64,
}

/// Planned work on the main.
#[derive(Clone, Debug, PartialEq)]
pub struct PlannedWork {
    /// Unix time, microseconds.
    pub from_us: i64,
    /// Unix time, microseconds.
    pub to_us: i64,
    /// What is done.
    pub note: String,
}
