//! What a scenario file says.

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
    pub(crate) file: PathBuf,
    pub(crate) site: PathBuf,
    pub(crate) sample_hz: Option<f64>,
    pub(crate) channels: Vec<Channel>,
    pub(crate) contacts: Vec<Contact>,
    pub(crate) steps_are_fixed: bool,
    pub(crate) plant: Plant,
    pub(crate) inflow: Inflow,
    pub(crate) pump: Pump,
    pub(crate) air: Air,
    pub(crate) vault: Vault,
    pub(crate) true_valve: TrueValve,
    pub(crate) noise_pct_span: f64,
    pub(crate) faults: Vec<Fault>,
    pub(crate) sensor_faults: Vec<SensorFault>,
    pub(crate) events: Vec<Event>,
    pub(crate) bus_faults: Vec<BusFault>,
    pub(crate) sampling: Sampling,
}

#[derive(Clone, Debug, PartialEq)]
pub(crate) struct Plant {
    pub(crate) main_diameter_mm: Option<f64>,
    pub(crate) wave_speed_m_s: f64,
    pub(crate) reflection_s: f64,
    pub(crate) riser_length_m: f64,
    pub(crate) riser_diameter_mm: Option<f64>,
    pub(crate) riser_loss: f64,
    pub(crate) float_play_pct: f64,
    pub(crate) ripple_pct: f64,
    pub(crate) wall_heat_s: f64,
    pub(crate) pressure_wander_kpa: f64,
    pub(crate) is_empty_at_start: bool,
    pub(crate) initial_float_pct: f64,
}

#[derive(Clone, Debug, PartialEq)]
pub(crate) struct Inflow {
    pub(crate) mean_l_s: Option<f64>,
    pub(crate) day_swing_pct: f64,
    pub(crate) peak_hour: f64,
    pub(crate) variation_pct: f64,
}

#[derive(Clone, Debug, PartialEq)]
pub(crate) struct Pump {
    pub(crate) well_volume_m3: Option<f64>,
    pub(crate) initial_level_pct: f64,
    pub(crate) start_s: f64,
    pub(crate) stop_s: f64,
    pub(crate) start_surge_kpa: Option<f64>,
    pub(crate) stop_surge_kpa: Option<f64>,
    pub(crate) surge_period_s: f64,
    pub(crate) surge_decay_s: f64,
}

#[derive(Clone, Debug, PartialEq)]
pub(crate) struct Air {
    pub(crate) base_nl_h: f64,
    pub(crate) pumping_nl_h: f64,
    pub(crate) start_nl: f64,
    pub(crate) start_spread_s: f64,
    pub(crate) day_swing_pct: f64,
    pub(crate) slugs_per_day: f64,
    pub(crate) slug_nl: f64,
    pub(crate) edge_pct: f64,
    pub(crate) is_moist: bool,
}

#[derive(Clone, Debug, PartialEq)]
pub(crate) struct Vault {
    pub(crate) gas_h2s_ppm: Option<f64>,
    pub(crate) near_volume_l: f64,
    pub(crate) near_exchange_l_s: f64,
    pub(crate) stripping: f64,
    pub(crate) drain_l_s: f64,
    pub(crate) temperature_swing_c: f64,
}

/// Deviations; `None` is drawn.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct TrueValve {
    pub(crate) random_share: f64,
    pub(crate) small_opens_pct_off: Option<f64>,
    pub(crate) second_opens_pct_off: Option<f64>,
    pub(crate) large_opens_pct_off: Option<f64>,
    pub(crate) small_coefficient_pct_off: Option<f64>,
    pub(crate) second_coefficient_pct_off: Option<f64>,
    pub(crate) large_coefficient_pct_off: Option<f64>,
    pub(crate) seal_volume_pct_off: Option<f64>,
    pub(crate) stroke_volume_pct_off: Option<f64>,
    pub(crate) p_atm_kpa_off: Option<f64>,
    /// Of float, chamber pressure, odour, line pressure, temperature, % of span.
    pub(crate) zero_pct_span: [Option<f64>; 5],
}

/// What can go wrong with the valve.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum FaultKind {
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
pub(crate) struct Fault {
    pub(crate) kind: FaultKind,
    pub(crate) name: &'static str,
    pub(crate) onset_s: f64,
    pub(crate) until_s: Option<f64>,
    pub(crate) severity: f64,
    pub(crate) growth_s: f64,
    pub(crate) position: Option<f64>,
    pub(crate) is_second_orifice: bool,
    pub(crate) place: Place,
}

impl Fault {
    /// Severity at a time, 0 before the onset and after the end.
    pub(crate) fn severity_at(&self, t: f64) -> f64 {
        if t < self.onset_s || self.until_s.is_some_and(|until| t >= until) {
            0.0
        } else if self.growth_s > 0.0 {
            self.severity * ((t - self.onset_s) / self.growth_s).min(1.0)
        } else {
            self.severity
        }
    }

    pub(crate) fn is_active(&self, t: f64) -> bool {
        t >= self.onset_s && self.until_s.is_none_or(|until| t < until)
    }
}

#[derive(Clone, Debug, PartialEq)]
pub(crate) struct SensorFault {
    pub(crate) mode: FailureMode,
    pub(crate) name: &'static str,
    pub(crate) channel: Channel,
    pub(crate) onset_s: f64,
    pub(crate) until_s: Option<f64>,
    pub(crate) place: Place,
}

/// Something that happens to the main, the station or the vault.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct Event {
    pub(crate) at_s: f64,
    pub(crate) what: Happening,
    pub(crate) place: Place,
}

#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) enum Happening {
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
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum BusFaultKind {
    Nack,
    Stuck,
    Late,
}

#[derive(Clone, Debug, PartialEq)]
pub(crate) struct BusFault {
    pub(crate) kind: BusFaultKind,
    pub(crate) onset_s: f64,
    pub(crate) until_s: Option<f64>,
    pub(crate) share: f64,
    /// First and second converter.
    pub(crate) hits: [bool; 2],
}

#[derive(Clone, Debug, PartialEq)]
pub(crate) struct Sampling {
    pub(crate) loss_share: f64,
    /// Length and spacing of bursts, s.
    pub(crate) burst: Option<(f64, f64)>,
    pub(crate) gaps: Vec<(f64, f64)>,
    /// When the device's clock is set, s after the start, and by how much, s.
    pub(crate) clock_steps: Vec<(f64, f64)>,
}

impl Scenario {
    /// The site file that the scenario names.
    pub fn site_path(&self) -> PathBuf {
        self.file.parent().unwrap_or(Path::new("")).join(&self.site)
    }
}
