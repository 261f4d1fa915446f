//! What a scenario file says, with the defaults filled in.
//!
//! The names are those of the keys in `SCENARIOS.md`, which gives bounds, units and meaning.
#![allow(missing_docs)] // the names carry the units, and `SCENARIOS.md` the meaning

use std::path::{Path, PathBuf};

use airvalve_sensors::{Channel, Contact, FailureMode};

use crate::reader::Place;

/// A scenario, read and checked.
///
/// Times are seconds after the start; what is `None` follows from the site.
#[derive(Clone, Debug, PartialEq)]
pub struct Scenario {
    /// Name, for people.
    pub name: String,
    /// Seed of all random numbers.
    pub seed: u64,
    /// Unix time of the first sample, microseconds.
    pub start_us: i64,
    /// Length of the recording, s.
    pub duration_s: f64,
    pub file: PathBuf,
    pub site: PathBuf,
    pub sample_hz: Option<f64>,
    pub channels: Vec<Channel>,
    pub contacts: Vec<Contact>,
    pub steps_are_fixed: bool,
    pub plant: Plant,
    pub inflow: Inflow,
    pub pump: Pump,
    pub air: Air,
    pub vault: Vault,
    pub true_valve: TrueValve,
    pub noise_pct_span: f64,
    pub faults: Vec<Fault>,
    pub sensor_faults: Vec<SensorFault>,
    pub events: Vec<Event>,
    pub bus_faults: Vec<BusFault>,
    pub sampling: Sampling,
}

#[derive(Clone, Debug, PartialEq)]
pub struct Plant {
    pub main_diameter_mm: Option<f64>,
    pub wave_speed_m_s: f64,
    pub reflection_s: f64,
    pub riser_length_m: f64,
    pub riser_diameter_mm: Option<f64>,
    pub riser_loss: f64,
    pub float_play_pct: f64,
    pub ripple_pct: f64,
    pub wall_heat_s: f64,
    pub pressure_wander_kpa: f64,
    pub is_empty_at_start: bool,
    pub initial_float_pct: f64,
}

#[derive(Clone, Debug, PartialEq)]
pub struct Inflow {
    pub mean_l_s: Option<f64>,
    pub day_swing_pct: f64,
    pub peak_hour: f64,
    pub variation_pct: f64,
}

#[derive(Clone, Debug, PartialEq)]
pub struct Pump {
    pub well_volume_m3: Option<f64>,
    pub initial_level_pct: f64,
    pub start_s: f64,
    pub stop_s: f64,
    pub start_surge_kpa: Option<f64>,
    pub stop_surge_kpa: Option<f64>,
    pub surge_period_s: f64,
    pub surge_decay_s: f64,
}

#[derive(Clone, Debug, PartialEq)]
pub struct Air {
    pub base_nl_h: f64,
    pub pumping_nl_h: f64,
    pub start_nl: f64,
    pub start_spread_s: f64,
    pub day_swing_pct: f64,
    pub slugs_per_day: f64,
    pub slug_nl: f64,
    pub trend_pct_d: f64,
    pub train_slugs: f64,
    pub train_gap_s: f64,
    pub edge_pct: f64,
    pub is_moist: bool,
}

#[derive(Clone, Debug, PartialEq)]
pub struct Vault {
    pub gas_h2s_ppm: Option<f64>,
    pub near_volume_l: f64,
    pub near_exchange_l_s: f64,
    pub stripping: f64,
    pub drain_l_s: f64,
    pub temperature_swing_c: f64,
}

/// Deviations; `None` is drawn.
#[derive(Clone, Debug, PartialEq)]
pub struct TrueValve {
    pub random_share: f64,
    pub small_opens_pct_off: Option<f64>,
    pub second_opens_pct_off: Option<f64>,
    pub large_opens_pct_off: Option<f64>,
    pub small_coefficient_pct_off: Option<f64>,
    pub second_coefficient_pct_off: Option<f64>,
    pub large_coefficient_pct_off: Option<f64>,
    pub seal_volume_pct_off: Option<f64>,
    pub stroke_volume_pct_off: Option<f64>,
    pub p_atm_kpa_off: Option<f64>,
    /// Of float, chamber pressure, odour, line pressure, temperature, % of span.
    pub zero_pct_span: [Option<f64>; 5],
}

/// What can go wrong with the valve.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum FaultKind {
    JammedLow,
    LargeSeatOpen,
    SmallSeatOpen,
    JammedUp,
    SmallBlocked,
    LargeShut,
    Clogging,
    Sluggish,
    Weeping,
    Heavy,
    CutOff,
}

#[derive(Clone, Debug, PartialEq)]
pub struct Fault {
    pub kind: FaultKind,
    pub name: &'static str,
    pub onset_s: f64,
    pub until_s: Option<f64>,
    pub severity: f64,
    pub growth_s: f64,
    pub position: Option<f64>,
    pub is_second_orifice: bool,
    pub place: Place,
}

impl Fault {
    /// Severity at a time, s after the start: 0 before the onset and after the end.
    pub fn severity_at(&self, t: f64) -> f64 {
        if t < self.onset_s || self.until_s.is_some_and(|until| t >= until) {
            0.0
        } else if self.growth_s > 0.0 {
            self.severity * ((t - self.onset_s) / self.growth_s).min(1.0)
        } else {
            self.severity
        }
    }

    /// Whether the fault is there at a time, s after the start.
    pub fn is_active(&self, t: f64) -> bool {
        t >= self.onset_s && self.until_s.is_none_or(|until| t < until)
    }
}

#[derive(Clone, Debug, PartialEq)]
pub struct SensorFault {
    pub mode: FailureMode,
    pub name: &'static str,
    pub channel: Channel,
    pub onset_s: f64,
    pub until_s: Option<f64>,
    pub place: Place,
}

/// Something that happens to the main, the station or the vault.
#[derive(Clone, Debug, PartialEq)]
pub struct Event {
    pub at_s: f64,
    pub what: Happening,
    pub place: Place,
}

#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Happening {
    Pocket {
        volume_m3: f64,
        spread_s: f64,
    },
    Drain {
        is_burst: bool,
        flow_l_s: Option<f64>,
        volume_m3: Option<f64>,
        drive_kpa: f64,
        fall_s: f64,
        refill_after_s: Option<f64>,
        refill_flow_l_s: Option<f64>,
    },
    Refill {
        flow_l_s: Option<f64>,
    },
    PumpTrip {
        duration_s: f64,
        surge_kpa: Option<f64>,
    },
    Inflow {
        duration_s: f64,
        factor: f64,
    },
    Isolation {
        duration_s: f64,
    },
    CoverOpen {
        duration_s: f64,
    },
    Flood {
        duration_s: f64,
    },
    /// Another pump, which raises the pressure by so much more or less.
    ChangeOver {
        duration_s: f64,
        factor: f64,
    },
    /// The main's pressure stands higher or lower: another level, a burst far away.
    PressureShift {
        duration_s: f64,
        by_kpa: f64,
        fall_s: f64,
    },
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum BusFaultKind {
    Nack,
    Stuck,
    Late,
}

#[derive(Clone, Debug, PartialEq)]
pub struct BusFault {
    pub kind: BusFaultKind,
    pub onset_s: f64,
    pub until_s: Option<f64>,
    pub share: f64,
    /// First and second converter.
    pub hits: [bool; 2],
}

#[derive(Clone, Debug, PartialEq)]
pub struct Sampling {
    pub loss_share: f64,
    pub repeat_share: f64,
    /// Length and spacing of bursts, s.
    pub burst: Option<(f64, f64)>,
    pub gaps: Vec<(f64, f64)>,
    /// When the device's clock is set, s after the start, and by how much, s.
    pub clock_steps: Vec<(f64, f64)>,
}

impl Scenario {
    /// The site file that the scenario names.
    pub fn site_path(&self) -> PathBuf {
        self.file.parent().unwrap_or(Path::new("")).join(&self.site)
    }
}
