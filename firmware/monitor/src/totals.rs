//! Running totals of air and of time in each state.

use serde::{Deserialize, Serialize};

use crate::{release::Cycle, state::ValveState};

/// Flow into an empty main, against little head, may be so many times the pumped flow of the site file.
pub const FILL_FACTOR: f32 = 1.5;
/// A main drains at no more than so many times its pumped flow: a burst low down.
pub const DRAIN_FACTOR: f32 = 3.0;
/// The large orifice has closed for good after this time, s.
pub const CLOSED_S: f32 = 10.0;

/// A volume that can grow for years without losing small parts: whole microlitres under normal conditions.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Volume {
    micro_nl: u64,
}

impl Volume {
    /// Adds normal litres; what is not a positive number is left out.
    // Not inlined: it stands in many places, and a device's flash is small.
    #[inline(never)]
    pub fn add_nl(&mut self, nl: f32) {
        if nl > 0.0 {
            self.micro_nl = self.micro_nl.saturating_add((f64::from(nl) * 1e6) as u64);
        }
    }

    /// The volume in normal litres.
    pub fn as_nl(self) -> f64 {
        self.micro_nl as f64 * 1e-6
    }
}

/// Air and time since the start.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Totals {
    /// Out through the large orifice, where its pressure was resolved.
    pub large_out: Volume,
    /// Out through the small orifice.
    pub small_out: Volume,
    /// Out through the second stage.
    pub second_out: Volume,
    /// In through the large orifice, where its pressure was resolved.
    pub large_in: Volume,
    /// What a zero that is off by 1 kPa makes of `large_out`: the resolved flow over twice its pressure, NL/kPa.
    pub large_out_per_kpa: Volume,
    /// The same of `large_in`.
    pub large_in_per_kpa: Volume,
    /// Upper bound of what went out through the large orifice unresolved.
    pub large_out_unresolved: Volume,
    /// Upper bound of what came in unresolved.
    pub large_in_unresolved: Volume,
    /// Upper bound of what may have left through the release orifices while the float never rose to confirm it.
    pub release_unconfirmed: Volume,
    /// Release cycles.
    pub cycles: u32,
    /// Time in each state, microseconds, by the states' ids.
    pub state_us: [u64; 5],
    /// Time without samples, microseconds.
    pub gap_us: u64,
}

impl Totals {
    /// Adds the best estimate of a finished release cycle.
    pub fn add_cycle(&mut self, cycle: &Cycle) {
        self.cycles = self.cycles.saturating_add(1);
        let [small_nl, second_nl] = cycle.best_nl;
        if !cycle.is_confirmed {
            self.release_unconfirmed.add_nl(small_nl + second_nl);
            return;
        }
        self.small_out.add_nl(small_nl);
        self.second_out.add_nl(second_nl);
    }

    /// Adds time in a state.
    #[inline(always)]
    pub fn add_time(&mut self, state: ValveState, dt_us: u64) {
        if let Some(time_us) = self.state_us.get_mut(state as usize) {
            *time_us = time_us.wrapping_add(dt_us);
        }
    }

    /// Time in a state, s.
    pub fn state_s(&self, state: ValveState) -> f64 {
        self.state_us.get(state as usize).map_or(0.0, |us| *us as f64 * 1e-6)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn small_parts_are_not_lost_in_a_large_sum() {
        let mut volume = Volume::default();
        volume.add_nl(1e8);
        for _ in 0..1_000 {
            volume.add_nl(0.001);
        }
        assert!((volume.as_nl() - 1e8 - 1.0).abs() < 1e-3);
        volume.add_nl(f32::NAN);
        volume.add_nl(-5.0);
        assert!((volume.as_nl() - 1e8 - 1.0).abs() < 1e-3);
    }
}
