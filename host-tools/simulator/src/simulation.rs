//! A simulation: from sample to sample, with the bus that the device reads.

use airvalve_sensors::{CHANNELS, Channels, Contact, Contacts};
use airvalve_site::Site;

use crate::{
    bus::{BusDelay, SensorBus},
    deviations::Deviations,
    plant::Plant,
    random::{Gaussian, Random},
    reader::ScenarioError,
    scenario::{Fault, Scenario, SensorFault},
    sensing::Sensing,
    truth::{FaultTruth, Moment, SensorFaultTruth, SeverityPoint, Truth},
};

/// One output sample.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Tick {
    /// Unix time on the device's clock, microseconds.
    pub time_us: i64,
    /// Contacts that are wired.
    pub contacts: Contacts,
    /// The sample is lost on its way: the device never sees it.
    pub lost: bool,
    /// It comes twice.
    pub repeated: bool,
}

/// A running simulation.
///
/// # Example
/// ```no_run
/// # use airvalve_simulator::{Scenario, Simulation};
/// # use airvalve_sensors::{Channels, MISSING_CODE, bus::Converter};
/// # fn run(scenario: &Scenario, site: &airvalve_site::Site) -> Result<(), airvalve_simulator::ScenarioError> {
/// let mut simulation = Simulation::new(scenario, site, None)?;
/// let fitted = simulation.fitted();
/// let mut converter = Converter::first(simulation.bus(), |channel| fitted[channel.index()]);
/// let mut delay = simulation.delay();
/// let mut codes = Channels([MISSING_CODE; 7]);
/// while let Some(tick) = simulation.next() {
///     if !tick.lost {
///         converter.read(&mut codes, &mut delay);
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
    bus: SensorBus,
    losses: Random,
    true_valve: crate::truth::TrueValveTruth,
    burst: Option<(f64, f64)>,
}

impl Simulation {
    /// Sets the plant up; `seed` stands in for the scenario's own.
    ///
    /// # Errors
    /// [`ScenarioError::Contradiction`] where the scenario does not fit the site or itself.
    pub fn new(scenario: &Scenario, site: &Site, seed: Option<u64>) -> Result<Simulation, ScenarioError> {
        refuse_missing_second_stage(&scenario.faults, site)?;
        let seed = seed.unwrap_or(scenario.seed);
        let sample_hz = scenario.sample_hz.unwrap_or(site.sensors.sample_hz);
        let period_s = 1.0 / sample_hz;
        let deviations = Deviations::new(&scenario.true_valve, site, Random::new(seed, 1));
        let plant = Plant::new(scenario, site, &deviations, period_s, seed)?;
        let noise = Gaussian::new(seed, 4);
        let sensing = Sensing::new(scenario, site, deviations.zero_pct_span, noise)?;
        let bus = SensorBus::new(sensing.shunt_ohm());
        let site_burst = site.sampling.burst.map(|burst| (burst.burst_s, burst.every_s));
        Ok(Simulation {
            valve_id: site.valve_id.clone(),
            seed,
            sample_hz,
            period_s,
            samples: (scenario.duration_s * sample_hz) as u64,
            next: 0,
            true_valve: deviations.truth(site, &plant.body),
            burst: scenario.sampling.burst.or(site_burst),
            scenario: scenario.clone(),
            plant,
            sensing,
            bus,
            losses: Random::new(seed, 5),
        })
    }

    /// A handle of the sensor bus; clones share it.
    pub fn bus(&self) -> SensorBus {
        self.bus.clone()
    }

    /// What lets the time of the bus pass.
    pub fn delay(&self) -> BusDelay {
        self.bus.delay()
    }

    /// Which channels are fitted, by their ids.
    pub fn fitted(&self) -> [bool; CHANNELS] {
        self.sensing.fitted()
    }

    /// Contacts that are wired, one bit a contact id.
    pub fn contacts_fitted(&self) -> u8 {
        self.scenario.contacts.iter().fold(0, |bits, contact| bits | (1 << *contact as u8))
    }

    /// Length and spacing of the bursts in which samples are taken, s; `None` when sampling is continuous.
    pub fn burst_s(&self) -> Option<(f64, f64)> {
        self.burst
    }

    /// Samples a second.
    pub fn sample_hz(&self) -> f64 {
        self.sample_hz
    }

    /// Time since the start, s.
    pub fn now_s(&self) -> f64 {
        self.plant.now_s
    }

    /// Share of the scenario that is done, 0 to 1.
    pub fn progress(&self) -> f64 {
        if self.samples == 0 { 1.0 } else { self.next as f64 / self.samples as f64 }
    }

    /// The codes of the sample that [`Simulation::next`] gave, past the bus.
    pub fn codes(&self) -> Channels<i16> {
        self.sensing.codes()
    }

    /// What the valve really is.
    pub fn true_valve(&self) -> &crate::truth::TrueValveTruth {
        &self.true_valve
    }

    /// Steps of the physics so far.
    pub fn steps_taken(&self) -> u64 {
        self.plant.steps_taken
    }

    /// What the plant really does now: for looking at, not for a detector.
    pub fn glimpse(&self) -> Glimpse {
        let around = self.plant.surroundings();
        let body = &self.plant.body;
        let foul = body.fouling();
        Glimpse {
            now_s: self.plant.now_s,
            float_pct: f64::from(around.float_pct),
            level_pct: 100.0 * self.plant.body.level,
            chamber_kpa: f64::from(around.chamber_kpa),
            line_kpa: f64::from(around.line_kpa),
            main_kpa: self.plant.main_kpa(),
            odour_ppm: self.plant.odour_ppm(),
            air_c: self.plant.body.air_k - 273.15,
            air_l: 1e3 * self.plant.body.air_m3,
            riser_l_s: 1e3 * self.plant.body.riser_m3_s,
            held_nl: self.plant.held_nl(),
            arrived_nl: self.plant.recorder.arrived_nl(),
            is_pumping: self.plant.is_pumping(),
            is_releasing: foul.is_releasing,
            is_cushion_lost: body.is_cushion_lost(),
            is_float_held: body.float.is_held(),
            free_share: foul.free_share,
            leak_nl_s: foul.leak_nl_s,
            friction_pct: 100.0 * body.float.friction(),
            sunk_pct: 100.0 * body.float.sunk,
        }
    }

    /// Lets the plant run to the next sample; `None` at the end.
    #[allow(clippy::should_implement_trait)] // an iterator would borrow the bus's owner
    pub fn next(&mut self) -> Option<Tick> {
        loop {
            if self.next >= self.samples {
                return None;
            }
            let index = self.next;
            self.next += 1;
            // From the index, so that times do not drift.
            let t = index as f64 * self.period_s;
            if index == 0 {
                self.sensing.follow(self.plant.surroundings(), 0.0);
            } else {
                let begin_s = (index - 1) as f64 * self.period_s;
                self.plant.advance_period(begin_s, &mut self.sensing);
            }
            self.sample(t);
            let is_paused =
                self.burst.is_some_and(|(burst_s, every_s)| t - libm::floor(t / every_s) * every_s >= burst_s);
            if !is_paused {
                return Some(self.tick(t));
            }
        }
    }

    fn sample(&mut self, t: f64) {
        self.sensing.sample(
            t,
            self.period_s as f32,
            self.plant.odour_ppm() as f32,
            self.plant.vault_c() as f32,
            self.plant.is_pumping(),
        );
        self.bus.set_currents((1e9 * t) as u64, self.sensing.currents);
        if !self.scenario.bus_faults.is_empty() {
            self.fault_the_bus(t);
        }
    }

    fn fault_the_bus(&mut self, t: f64) {
        let mut faults = [None; 2];
        for fault in &self.scenario.bus_faults {
            let is_active = t >= fault.onset_s && fault.until_s.is_none_or(|until_s| t < until_s);
            if is_active && self.losses.uniform() < fault.share {
                for (slot, is_hit) in faults.iter_mut().zip(fault.hits) {
                    if is_hit {
                        *slot = Some(fault.kind);
                    }
                }
            }
        }
        self.bus.set_faults(faults);
    }

    fn tick(&mut self, t: f64) -> Tick {
        let sampling = &self.scenario.sampling;
        let is_in_gap = sampling.gaps.iter().any(|(from, to)| t >= *from && t < *to);
        let is_lost = sampling.loss_share > 0.0 && self.losses.uniform() < sampling.loss_share;
        let set_by_s: f64 = sampling.clock_steps.iter().filter(|(at_s, _)| t >= *at_s).map(|(_, by_s)| by_s).sum();
        Tick {
            time_us: self.plant.recorder.moment(t).0 + libm::rint(1e6 * set_by_s) as i64,
            contacts: self.contacts(),
            lost: is_in_gap || is_lost,
            repeated: sampling.repeat_share > 0.0 && self.losses.uniform() < sampling.repeat_share,
        }
    }

    fn contacts(&self) -> Contacts {
        let state = |contact: &Contact| match contact {
            Contact::PumpRunning => self.plant.is_pumping(),
            Contact::CoverOpen => self.plant.cover_is_open,
            Contact::VaultWater => self.plant.has_vault_water(),
        };
        let wired = &self.scenario.contacts;
        wired.iter().fold(Contacts::default(), |contacts, contact| contacts.with(*contact, Some(state(contact))))
    }

    /// Ends the simulation where it stands and hands out the truth.
    pub fn finish(self) -> Truth {
        let end_s = self.plant.now_s;
        let body = &self.plant.body;
        let from = self.plant.recorder.moment(0.0);
        let to = self.plant.recorder.moment(end_s);
        let moment = |t: f64| Moment(from.0 + libm::rint(1e6 * t) as i64);
        let faults = self.scenario.faults.iter().filter(|fault| fault.onset_s <= end_s);
        let sensor_faults = &self.scenario.sensor_faults;
        let sensor_faults = sensor_faults.iter().filter(|fault| fault.onset_s <= end_s);
        let faults = faults.map(|fault| fault_truth(fault, end_s, moment)).collect();
        let sensor_faults = sensor_faults.map(|fault| sensor_fault_truth(fault, moment)).collect();
        let spilled_m3 = body.spilled_m3;
        let (air, cycles, events, pump, states) = self.plant.recorder.finish(end_s, body);
        Truth {
            scenario: self.scenario.name,
            seed: self.seed,
            valve_id: self.valve_id,
            from,
            to,
            sample_hz: self.sample_hz,
            faults,
            sensor_faults,
            air,
            cycles,
            events,
            pump,
            states,
            spilled_m3,
            true_valve: self.true_valve,
        }
    }
}

/// The plant at one moment.
#[derive(Clone, Copy, Debug, PartialEq)]
#[allow(missing_docs)] // the names carry the units
pub struct Glimpse {
    /// After the start.
    pub now_s: f64,
    pub float_pct: f64,
    /// Of the liquid: below 0 in the pipe, above 100 into the seal volume.
    pub level_pct: f64,
    pub chamber_kpa: f64,
    pub line_kpa: f64,
    /// Of the main, without what the flow into the valve takes from it.
    pub main_kpa: f64,
    pub odour_ppm: f64,
    pub air_c: f64,
    pub air_l: f64,
    /// Up the riser.
    pub riser_l_s: f64,
    pub held_nl: f64,
    /// Since the start.
    pub arrived_nl: f64,
    pub is_pumping: bool,
    /// The float has a release orifice open, blocked or not.
    pub is_releasing: bool,
    pub is_cushion_lost: bool,
    /// The float is jammed.
    pub is_float_held: bool,
    /// Free share of the more clogged release orifice.
    pub free_share: f64,
    /// Air through shut release seats.
    pub leak_nl_s: f64,
    /// What the liquid must go before a greasy float follows, of the stroke.
    pub friction_pct: f64,
    /// How much deeper the float sits than a clean one, of the stroke.
    pub sunk_pct: f64,
}

fn refuse_missing_second_stage(faults: &[Fault], site: &Site) -> Result<(), ScenarioError> {
    for fault in faults {
        if fault.is_second_orifice && site.valve.release_orifices.len() < 2 {
            let rule = "the site's valve has no second release orifice";
            return Err(fault.place.contradiction(fault.name.to_owned(), rule));
        }
    }
    Ok(())
}

fn fault_truth(fault: &Fault, end_s: f64, moment: impl Fn(f64) -> Moment) -> FaultTruth {
    let until_s = fault.until_s.filter(|until_s| *until_s <= end_s);
    let last_s = until_s.unwrap_or(end_s);
    let grown_s = last_s.min(fault.onset_s + fault.growth_s);
    let mut times = vec![fault.onset_s];
    let mut t = fault.onset_s + 3600.0;
    while t < grown_s {
        times.push(t);
        t += 3600.0;
    }
    if grown_s > fault.onset_s {
        times.push(grown_s);
    }
    // The severity of the last moment, not the nothing that follows it.
    let severity_at = |t: f64| fault.severity_at(t.min(last_s - 1e-6).max(fault.onset_s));
    FaultTruth {
        fault: fault.name,
        onset: moment(fault.onset_s),
        until: until_s.map(&moment),
        severity: times.iter().map(|t| SeverityPoint { at: moment(*t), severity: severity_at(*t) }).collect(),
    }
}

fn sensor_fault_truth(fault: &SensorFault, moment: impl Fn(f64) -> Moment) -> SensorFaultTruth {
    SensorFaultTruth {
        fault: fault.name,
        channel: fault.channel.column(),
        onset: moment(fault.onset_s),
        until: fault.until_s.map(moment),
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]
    use super::*;
    use crate::keys::{Allowed, KEYS};

    /// Plays an hour with a drain and a fill, with one key at one value; says what is wrong with what comes out.
    fn play(section: &str, name: &str, value: f64, more: &str) -> Result<(), String> {
        let text = format!(
            "site = \"v.toml\"\nduration_h = 1\nsample_hz = 1
            [[event]]\nkind = \"drain-down\"\nat = 0.3\nrefill_after_h = 0.2
            [[event]]\nkind = \"pocket\"\nat = 0.1\nvolume_m3 = 0.02
            [[event]]\nkind = \"pump-trip\"\nat = 0.8\n{more}
            [{section}]\n{name} = {value:?}"
        );
        let scenario = Scenario::parse(&text, "extremes.toml".as_ref()).map_err(|error| error.to_string())?;
        let site = Site::parse(include_str!("../examples/valve-a.toml"), "v.toml").expect("a good site");
        let mut simulation = Simulation::new(&scenario, &site, None).map_err(|error| error.to_string())?;
        while simulation.next().is_some() {
            let now = simulation.glimpse();
            let all =
                [now.float_pct, now.level_pct, now.chamber_kpa, now.line_kpa, now.odour_ppm, now.air_c, now.air_l];
            let is_possible = (0.0..=100.0).contains(&now.float_pct) && now.chamber_kpa > -101.0;
            if !is_possible || !all.iter().all(|x| x.is_finite()) {
                return Err(format!("{now:?}"));
            }
        }
        let air = simulation.finish().air;
        let come = air.held_at_start_nl + air.arrived_nl + air.admitted_nl;
        let error = come - air.released_nl - air.held_at_end_nl;
        if error.abs() < 1e-6 * come + 1e-3 { Ok(()) } else { Err(format!("balance {error} of {come}")) }
    }

    #[test]
    fn every_number_at_its_ends_gives_a_finite_plant_whose_air_balances() {
        for key in KEYS.iter().filter(|key| !key.section.is_empty() && !key.section.ends_with("[]")) {
            let Allowed::Number { least, most, .. } = key.allowed else { continue };
            if key.section == "sampling" {
                continue;
            }
            for value in [least, most] {
                if let Err(what) = play(key.section, key.name, value, "") {
                    panic!("{}.{} = {value}: {what}", key.section, key.name);
                }
            }
        }
    }

    #[test]
    fn every_fault_at_its_ends_gives_a_finite_plant_whose_air_balances() {
        for kind in crate::keys::FAULT_KINDS {
            for severity in [0.0, 1e-6, 0.5, 1.0] {
                let fault = format!("[[fault]]\nkind = \"{kind}\"\nseverity = {severity:?}\nonset = 0.05\nuntil = 0.9");
                if let Err(what) = play("pump", "start_s", 1.5, &fault) {
                    panic!("{kind} {severity}: {what}");
                }
            }
        }
    }
}
