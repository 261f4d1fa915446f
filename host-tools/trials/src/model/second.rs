//! The second model: the same scenarios on other assumptions.

use airvalve_second_model::Simulation;
use airvalve_sensors::{CHANNELS, CodeSample};
use airvalve_simulator::{Scenario, ScenarioError, Tick, Truth, truth::TrueValveTruth};
use airvalve_site::Site;

use super::{Plant, TrueState};

pub(super) struct Second {
    simulation: Simulation,
}

impl Second {
    pub(super) fn new(scenario: &Scenario, site: &Site, seed: Option<u64>) -> Result<Second, ScenarioError> {
        Ok(Second { simulation: Simulation::new(scenario, site, seed)? })
    }
}

impl Plant for Second {
    fn next(&mut self) -> Option<Tick> {
        self.simulation.next()
    }

    fn sample(&mut self, tick: &Tick) -> CodeSample {
        self.simulation.sample(tick)
    }

    fn now_s(&self) -> f64 {
        self.simulation.now_s()
    }

    fn state(&self) -> TrueState {
        let now = self.simulation.glimpse();
        TrueState {
            now_s: now.now_s,
            float_pct: now.float_pct,
            level_pct: now.level_pct,
            is_float_held: now.is_float_held,
            chamber_kpa: now.chamber_kpa,
            main_kpa: now.main_kpa,
            odour_ppm: now.odour_ppm,
            arrived_nl: now.arrived_nl,
            is_pumping: now.is_pumping,
            is_releasing: now.has_release_open,
            is_cushion_lost: now.is_cushion_lost,
            free_share: now.free_share,
            leak_nl_s: now.leak_nl_s,
            friction_pct: now.grease_pct,
            sunk_pct: now.sunk_pct,
            drifted_pct: now.drifted_pct,
            cell_gain: now.cell_gain,
        }
    }

    fn true_valve(&self) -> TrueValveTruth {
        *self.simulation.true_valve()
    }

    fn fitted(&self) -> [bool; CHANNELS] {
        self.simulation.fitted()
    }

    fn contacts_fitted(&self) -> u8 {
        self.simulation.contacts_fitted()
    }

    fn sample_hz(&self) -> f64 {
        self.simulation.sample_hz()
    }

    fn burst_s(&self) -> Option<(f64, f64)> {
        self.simulation.burst_s()
    }

    fn progress(&self) -> f64 {
        self.simulation.progress()
    }

    fn finish(self: Box<Self>) -> Truth {
        self.simulation.finish()
    }
}
