//! Operating state of the valve.

use serde::{Deserialize, Serialize};

use crate::site::SiteData;

/// Operating state; the number is its id in recordings and never changes.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[repr(u8)]
pub enum ValveState {
    /// No liquid in the body, at atmosphere.
    #[default]
    Empty = 0,
    /// Air goes out through the large orifice.
    Filling = 1,
    /// Under pressure, all orifices shut.
    Sealed = 2,
    /// Under pressure, air goes out through a release orifice.
    Releasing = 3,
    /// Below atmosphere, air comes in.
    Admitting = 4,
}

impl ValveState {
    /// Every state, in the order of the ids.
    pub const ALL: [ValveState; 5] =
        [ValveState::Empty, ValveState::Filling, ValveState::Sealed, ValveState::Releasing, ValveState::Admitting];

    /// Name in results.
    pub const fn name(self) -> &'static str {
        match self {
            ValveState::Empty => "empty",
            ValveState::Filling => "filling",
            ValveState::Sealed => "sealed",
            ValveState::Releasing => "releasing",
            ValveState::Admitting => "admitting",
        }
    }
}

/// Time constant of the pressure by which vacuum is told, s.
const VACUUM_S: f32 = 1.0;

/// Tells the state, with hysteresis in position and pressure.
#[derive(Clone, Copy, Debug, Default)]
pub struct StateTracker {
    state: ValveState,
    is_large_open: bool,
    is_in_vacuum: bool,
    /// Pressure without its noise: vacuum is not told from a single sample, kPa.
    slow_kpa: f32,
}

impl StateTracker {
    /// The state now.
    pub fn state(&self) -> ValveState {
        self.state
    }

    /// Whether the large orifice stands open, by position and pressure.
    pub fn is_large_open(&self) -> bool {
        self.is_large_open
    }

    /// Takes one sample: float in %, zero-corrected pressure in kPa gauge, the depth at which vacuum begins in kPa.
    #[inline(always)]
    #[allow(clippy::too_many_arguments)] // all of one sample, on the hot path
    pub fn step(
        &mut self,
        float_pct: f32,
        pressure_kpa: f32,
        dt_s: f32,
        vacuum_kpa: f32,
        is_release_open: bool,
        is_main_filling: bool,
        site: &SiteData,
    ) -> ValveState {
        if self.is_large_open {
            self.is_large_open =
                float_pct <= site.large_closes_above_pct && pressure_kpa <= 2.0 * site.reopen_kpa + vacuum_kpa;
        } else {
            self.is_large_open = float_pct < site.large_opens_below_pct && pressure_kpa <= site.reopen_kpa;
        }
        self.slow_kpa += (pressure_kpa - self.slow_kpa) * (dt_s / (VACUUM_S + dt_s));
        let vacuum_limit_kpa = if self.is_in_vacuum { -0.4 * vacuum_kpa } else { -vacuum_kpa };
        self.is_in_vacuum = self.slow_kpa < vacuum_limit_kpa;
        self.state = if self.is_in_vacuum && self.is_large_open {
            ValveState::Admitting
        } else if self.is_large_open {
            if is_main_filling { ValveState::Filling } else { ValveState::Empty }
        } else if is_release_open && !self.is_in_vacuum {
            ValveState::Releasing
        } else {
            ValveState::Sealed
        };
        self.state
    }
}
