//! The pump station: inflow, wet well, one pump that is on or off.

use airvalve_simulator::scenario::{Inflow, Pump};
use airvalve_site::Site;

use crate::{
    day,
    random::{Random, Wander},
};

/// What the pump has just done.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Switch {
    Start,
    Stop,
}

/// The station; goes on once a sample.
#[derive(Clone, Debug)]
pub(crate) struct Station {
    random: Random,
    inflow: Inflow,
    mean_m3_s: f64,
    wander: Wander,
    /// Inflow's share of the mean by the hour.
    by_hour: f64,
    pub(crate) storm: f64,
    well_m3: f64,
    held_m3: f64,
    /// Of the pump that the site names, and of the one that is in use.
    usual_m3_s: f64,
    pump_m3_s: f64,
    /// What the pump gives when it runs: less while it fills the main.
    flow_m3_s: f64,
    pub(crate) is_running: bool,
    pub(crate) is_locked: bool,
}

impl Station {
    pub(crate) fn new(inflow: &Inflow, pump: &Pump, site: &Site, period_s: f64, seed: u64) -> Station {
        let mut random = Random::new(seed, 2);
        let pump_m3_s = 1e-3 * site.line.flow_l_s;
        let well_m3 = pump.well_volume_m3.unwrap_or(100.0 * pump_m3_s);
        Station {
            wander: Wander::new(600.0, period_s, &mut random),
            inflow: inflow.clone(),
            mean_m3_s: inflow.mean_l_s.map_or(0.3 * pump_m3_s, |mean_l_s| 1e-3 * mean_l_s),
            by_hour: 1.0,
            storm: 1.0,
            well_m3,
            held_m3: 0.01 * pump.initial_level_pct * well_m3,
            usual_m3_s: pump_m3_s,
            pump_m3_s,
            flow_m3_s: pump_m3_s,
            is_running: false,
            is_locked: false,
            random,
        }
    }

    /// The hour has moved on; called about once a minute.
    pub(crate) fn set_hour(&mut self, hour: f64) {
        const TWICE_A_DAY: f64 = 0.25;
        let swing = day::swing(hour, self.inflow.peak_hour, TWICE_A_DAY);
        self.by_hour = (1.0 + 0.01 * self.inflow.day_swing_pct * swing).max(0.0);
    }

    /// Pumped flow, m3/s.
    pub(crate) fn pumped_m3_s(&self) -> f64 {
        if self.is_running { self.flow_m3_s } else { 0.0 }
    }

    /// One sample goes by.
    pub(crate) fn go_on(&mut self, period_s: f64) -> Option<Switch> {
        let random = 1.0 + 0.01 * self.inflow.variation_pct * self.wander.go_on(&mut self.random);
        let inflow_m3_s = self.mean_m3_s * self.by_hour * self.storm * random.max(0.0);
        let pumped_m3_s = self.pumped_m3_s();
        // A full well overflows; the pump cannot take more than is there.
        self.held_m3 = (self.held_m3 + period_s * (inflow_m3_s - pumped_m3_s)).clamp(0.0, self.well_m3);
        if self.is_locked {
            return None;
        }
        if self.is_running && self.held_m3 <= 0.0 {
            self.is_running = false;
            return Some(Switch::Stop);
        }
        if !self.is_running && self.held_m3 >= self.well_m3 {
            self.is_running = true;
            return Some(Switch::Start);
        }
        None
    }

    /// Stops the pump and keeps it off.
    pub(crate) fn lock(&mut self) {
        self.is_locked = true;
        self.is_running = false;
    }

    /// Another pump, which makes so many times the usual rise of pressure: losses go with the square of the flow.
    pub(crate) fn change_over(&mut self, factor: f64) {
        let changed_m3_s = self.usual_m3_s * libm::sqrt(factor.max(0.01));
        if self.flow_m3_s == self.pump_m3_s {
            self.flow_m3_s = changed_m3_s;
        }
        self.pump_m3_s = changed_m3_s;
    }

    /// The pump fills the main: on, whatever the well says.
    pub(crate) fn fill(&mut self, flow_m3_s: f64) {
        self.is_locked = true;
        self.is_running = true;
        self.flow_m3_s = flow_m3_s;
    }

    /// The main is full: the pump goes on as the well says.
    pub(crate) fn unlock(&mut self) {
        self.is_locked = false;
        self.flow_m3_s = self.pump_m3_s;
    }
}
