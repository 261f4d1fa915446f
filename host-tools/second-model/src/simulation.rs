//! A simulation: from sample to sample, and the truth at its end.

use airvalve_sensors::{
    CHANNELS, Channel, Channels, CodeSample, Contact, Contacts, MISSING_CODE,
    bus::{FIRST_CONVERTER_INPUTS, SECOND_CONVERTER_INPUTS},
};
use airvalve_simulator::{
    Scenario, ScenarioError, Tick,
    truth::{FaultTruth, Moment, SensorFaultTruth, SeverityPoint, TrueValveTruth, Truth},
};
use airvalve_site::Site;

use crate::{
    gas::NORMAL_LITRE_KG,
    glimpse::Glimpse,
    plant::Plant,
    random::Random,
    sensing::{Quantities, Sensing},
};

/// A running simulation.
///
/// # Example
/// ```no_run
/// # use airvalve_simulator::Scenario;
/// # use airvalve_second_model::Simulation;
/// # fn run(scenario: &Scenario, site: &airvalve_site::Site) -> Result<(), airvalve_simulator::ScenarioError> {
/// let mut simulation = Simulation::new(scenario, site, None)?;
/// while let Some(tick) = simulation.next() {
///     if !tick.lost {
///         let codes = simulation.codes();
///     }
/// }
/// let truth = simulation.finish();
/// # Ok(())
/// # }
/// ```
pub struct Simulation {
    scenario: Scenario,
    valve_id: String,
    seed: u64,
    sample_hz: f64,
    period_s: f64,
    /// Samples of the whole scenario, and the next one.
    samples: u64,
    next: u64,
    plant: Plant,
    sensing: Sensing,
    losses: Random,
    burst: Option<(f64, f64)>,
    codes: Channels<i16>,
}

impl Simulation {
    /// Sets the plant up; `seed` stands in for the scenario's own.
    ///
    /// # Errors
    /// [`ScenarioError::Contradiction`] where the scenario does not fit the site or itself.
    pub fn new(scenario: &Scenario, site: &Site, seed: Option<u64>) -> Result<Simulation, ScenarioError> {
        let seed = seed.unwrap_or(scenario.seed);
        let sample_hz = scenario.sample_hz.unwrap_or(site.sensors.sample_hz);
        let period_s = 1.0 / sample_hz;
        for fault in &scenario.faults {
            if fault.is_second_orifice && site.valve.release_orifices.len() < 2 {
                return Err(fault.place.contradiction(fault.name.to_owned(), "the site has no second release orifice"));
            }
        }
        let plant = Plant::new(scenario, site, period_s, seed)?;
        let zeros = plant.frame.valve.zero_pct_span;
        let sensing = Sensing::new(scenario, site, zeros, &quantities(&plant), period_s, seed)?;
        let of_site = site.sampling.burst.map(|burst| (burst.burst_s, burst.every_s));
        Ok(Simulation {
            valve_id: site.valve_id.clone(),
            seed,
            sample_hz,
            period_s,
            samples: libm::rint(scenario.duration_s * sample_hz).max(1.0) as u64,
            next: 0,
            plant,
            sensing,
            losses: Random::new(seed, 5),
            burst: scenario.sampling.burst.or(of_site),
            codes: Channels([MISSING_CODE; CHANNELS]),
            scenario: scenario.clone(),
        })
    }

    /// Scales every step of the physics: for looking at how much the steps matter; 1 is the usual.
    pub fn set_step_share(&mut self, share: f64) {
        self.plant.step_share = share.clamp(0.01, 10.0);
    }

    /// Which channels are fitted, by their ids.
    pub fn fitted(&self) -> [bool; CHANNELS] {
        self.sensing.fitted()
    }

    /// Samples a second.
    pub fn sample_hz(&self) -> f64 {
        self.sample_hz
    }

    /// Time since the start, s.
    pub fn now_s(&self) -> f64 {
        self.plant.t_s
    }

    /// Share of the scenario that is done, 0 to 1.
    pub fn progress(&self) -> f64 {
        self.next as f64 / self.samples as f64
    }

    /// The codes of the sample that [`Simulation::next`] gave.
    pub fn codes(&self) -> Channels<i16> {
        self.codes
    }

    /// The sample that [`Simulation::next`] gave, as the device has it.
    pub fn sample(&self, tick: &Tick) -> CodeSample {
        CodeSample { time_us: tick.time_us, codes: self.codes, contacts: tick.contacts }
    }

    /// Steps of the physics so far.
    pub fn steps_taken(&self) -> u64 {
        self.plant.steps_taken
    }

    /// What the plant really does now.
    pub fn glimpse(&self) -> Glimpse {
        Glimpse::of(&self.plant, &self.sensing)
    }

    /// What the valve really is.
    pub fn true_valve(&self) -> &TrueValveTruth {
        &self.plant.frame.valve.truth
    }

    /// Contacts that are wired, one bit a contact id.
    pub fn contacts_fitted(&self) -> u8 {
        self.scenario.contacts.iter().fold(0, |bits, contact| bits | (1 << *contact as u8))
    }

    /// Length and spacing of the bursts in which samples are taken, s; `None` when sampling is continuous.
    pub fn burst_s(&self) -> Option<(f64, f64)> {
        self.burst
    }

    /// Lets the plant run to the next sample; `None` at the end.
    #[allow(clippy::should_implement_trait)] // the codes of a sample are read from the simulation itself
    pub fn next(&mut self) -> Option<Tick> {
        if self.next >= self.samples {
            return None;
        }
        let now_s = self.next as f64 * self.period_s;
        if self.next > 0 {
            self.plant.go_on_to(now_s);
        }
        self.next += 1;
        self.sensing.sample(&quantities(&self.plant), self.plant.vault.air_c, now_s);
        self.codes = self.sensing.codes;
        self.pass_bus(now_s);
        let steps = &self.scenario.sampling.clock_steps;
        let set_by_s: f64 = steps.iter().filter(|(at_s, _)| now_s >= *at_s).map(|(_, by_s)| by_s).sum();
        let time_us = self.scenario.start_us + libm::rint((now_s + set_by_s) * 1e6) as i64;
        let lost = self.is_lost(now_s);
        let repeat_share = self.scenario.sampling.repeat_share;
        let repeated = repeat_share > 0.0 && self.losses.unit() < repeat_share;
        Some(Tick { time_us, contacts: self.contacts(), lost, repeated })
    }

    /// A converter that does not answer, or too late, costs the codes of its channels.
    fn pass_bus(&mut self, now_s: f64) {
        for fault in &self.scenario.bus_faults {
            let is_active = now_s >= fault.onset_s && fault.until_s.is_none_or(|until_s| now_s < until_s);
            if !is_active || self.losses.unit() >= fault.share {
                continue;
            }
            for (inputs, is_hit) in [FIRST_CONVERTER_INPUTS, SECOND_CONVERTER_INPUTS].iter().zip(fault.hits) {
                for channel in inputs.iter().flatten().filter(|_| is_hit) {
                    self.codes.set(*channel, MISSING_CODE);
                }
            }
        }
    }

    fn is_lost(&mut self, now_s: f64) -> bool {
        let sampling = &self.scenario.sampling;
        let is_unlucky = sampling.loss_share > 0.0 && self.losses.unit() < sampling.loss_share;
        let is_pause = self.burst.is_some_and(|(burst_s, every_s)| libm::fmod(now_s, every_s) >= burst_s);
        is_unlucky || is_pause || sampling.gaps.iter().any(|(from_s, to_s)| (*from_s..*to_s).contains(&now_s))
    }

    fn contacts(&self) -> Contacts {
        let state = |contact: &Contact| match contact {
            Contact::PumpRunning => self.plant.station.is_running,
            Contact::CoverOpen => self.plant.vault.is_cover_open,
            Contact::VaultWater => self.plant.vault.is_wet(),
        };
        let wired = &self.scenario.contacts;
        wired.iter().fold(Contacts::default(), |contacts, contact| contacts.with(*contact, Some(state(contact))))
    }

    /// Ends the simulation where it stands and hands out the truth.
    ///
    /// Jams and debris that never took hold are no faults and are left out.
    pub fn finish(mut self) -> Truth {
        let end_s = self.next.saturating_sub(1) as f64 * self.period_s;
        let arrived_nl = self.plant.arrived_nl();
        let air = self.plant.recorder.finish(end_s, arrived_nl, self.plant.held_kg() / NORMAL_LITRE_KG);
        let recorder = self.plant.recorder;
        let moment = |t_s: f64| recorder.moment(t_s);
        let until = |until_s: Option<f64>| until_s.filter(|until_s| *until_s <= end_s).map(moment);
        let faults = self.plant.wear.truth(end_s).into_iter().map(|(fault, points)| FaultTruth {
            fault: fault.name,
            onset: moment(fault.onset_s),
            until: until(fault.until_s),
            severity: points.into_iter().map(|(t_s, severity)| SeverityPoint { at: moment(t_s), severity }).collect(),
        });
        let began = self.scenario.sensor_faults.iter().filter(|fault| fault.onset_s <= end_s);
        let sensor_faults = began.map(|fault| SensorFaultTruth {
            fault: fault.name,
            channel: fault.channel.column(),
            onset: moment(fault.onset_s),
            until: until(fault.until_s),
        });
        Truth {
            scenario: self.scenario.name.clone(),
            seed: self.seed,
            valve_id: self.valve_id,
            from: Moment(self.scenario.start_us),
            to: moment(end_s),
            sample_hz: self.sample_hz,
            faults: faults.collect(),
            sensor_faults: sensor_faults.collect(),
            air,
            cycles: recorder.cycles.clone(),
            events: recorder.events.clone(),
            pump: recorder.pump.clone(),
            states: recorder.states,
            spilled_m3: recorder.spilled_m3,
            true_valve: self.plant.frame.valve.truth,
        }
    }
}

/// What the transmitters see.
fn quantities(plant: &Plant) -> Quantities {
    let mut quantities = [0.0; CHANNELS];
    let mut set = |channel: Channel, quantity: f64| {
        if let Some(place) = quantities.get_mut(channel.index()) {
            *place = quantity;
        }
    };
    set(Channel::FloatPosition, 100.0 * plant.body.float.position);
    set(Channel::ChamberPressure, 1e-3 * plant.last.chamber_pa);
    set(Channel::Odour, plant.vault.near_ppm);
    set(Channel::LinePressure, 1e-3 * plant.last.line_pa);
    set(Channel::AirTemperature, plant.vault.air_c);
    set(Channel::PressureMin, 1e-3 * plant.extremes_pa.0);
    set(Channel::PressureMax, 1e-3 * plant.extremes_pa.1);
    quantities
}
