//! The first model: the simulator that stands in for the plant while the detector is made.

use airvalve_sensors::{CHANNELS, Channel, Channels, CodeSample, FailureMode, MISSING_CODE, bus::Converter};
use airvalve_simulator::{
    BusDelay, Scenario, ScenarioError, SensorBus, Simulation, Tick, Truth, scenario::SensorFault, truth::TrueValveTruth,
};
use airvalve_site::Site;

use super::{Plant, TrueState};

/// The simulation with the device's drivers on its bus.
pub(super) struct First {
    simulation: Simulation,
    converters: [Converter<SensorBus>; 2],
    delay: BusDelay,
    sensor_faults: Vec<SensorFault>,
}

impl First {
    pub(super) fn new(scenario: &Scenario, site: &Site, seed: Option<u64>) -> Result<First, ScenarioError> {
        let simulation = Simulation::new(scenario, site, seed)?;
        let fitted = simulation.fitted();
        let is_fitted = |channel: Channel| fitted.get(channel.index()).copied().unwrap_or(false);
        let converters =
            [Converter::first(simulation.bus(), is_fitted), Converter::second(simulation.bus(), is_fitted)];
        let sensor_faults = scenario.sensor_faults.clone();
        Ok(First { converters, delay: simulation.delay(), sensor_faults, simulation })
    }

    fn drifted_pct(&self, now_s: f64) -> f64 {
        // This model's drift is a straight line.
        let drifts = self.sensor_faults.iter().filter(|fault| is_active(fault, now_s)).map(|fault| match fault.mode {
            FailureMode::Drift { pct_span_per_h } => f64::from(pct_span_per_h) * (now_s - fault.onset_s) / 3600.0,
            _ => 0.0,
        });
        drifts.map(f64::abs).fold(0.0, f64::max)
    }

    fn cell_gain(&self, now_s: f64) -> f64 {
        let is_dead = |fault: &SensorFault| fault.mode == FailureMode::DeadCell && is_active(fault, now_s);
        if self.sensor_faults.iter().any(is_dead) { 0.0 } else { 1.0 }
    }
}

fn is_active(fault: &SensorFault, now_s: f64) -> bool {
    now_s >= fault.onset_s && fault.until_s.is_none_or(|until_s| now_s < until_s)
}

impl Plant for First {
    fn next(&mut self) -> Option<Tick> {
        self.simulation.next()
    }

    fn sample(&mut self, tick: &Tick) -> CodeSample {
        let mut codes = Channels([MISSING_CODE; CHANNELS]);
        for converter in self.converters.iter_mut().filter(|converter| converter.is_used()) {
            converter.read(&mut codes, &mut self.delay);
        }
        CodeSample { time_us: tick.time_us, codes, contacts: tick.contacts }
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
            is_releasing: now.is_releasing,
            is_cushion_lost: now.is_cushion_lost,
            free_share: now.free_share,
            leak_nl_s: now.leak_nl_s,
            friction_pct: now.friction_pct,
            sunk_pct: now.sunk_pct,
            drifted_pct: self.drifted_pct(now.now_s),
            cell_gain: self.cell_gain(now.now_s),
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
