//! The plant as a whole: station, main, valve and vault, over one sample period.

use airvalve_site::Site;

use crate::{
    air::{GAS_CONSTANT_J_KG_K, NORMAL_LITRE_KG},
    arrivals::Arrivals,
    body::{Body, Feed, LARGE},
    deviations::Deviations,
    fouling::Fouling,
    random::{Gaussian, Random},
    reader::ScenarioError,
    recorder::{Recorder, released_kg},
    scenario::Scenario,
    sensing::{Sensing, Surroundings},
    station::{MainState, RisingMain, Station, day_wave},
    steps::{Relaxation, Steps},
    timetable::{Action, Timetable},
    truth::SpellTruth,
    vault::VaultAir,
};

/// Shortest step, s; the ladder's finest is about as long.
const SHORTEST_S: f64 = 1.0e-3;
/// A step is at most this share of the time since something began.
const SHARE_SINCE_EVENT: f64 = 0.03;
/// A step is at most this share of the time until something begins.
const SHARE_TO_EVENT: f64 = 0.4;
/// Volume of pipe that is empty at the start of a scenario that begins empty, m3.
const EMPTY_PIPE_M3: f64 = 1.0;
/// Water on the floor that the contact feels, m3.
const WATER_CONTACT_M3: f64 = 0.05;
/// Air changes of a vault with its cover open, 1/s.
const OPEN_COVER_CHANGES_PER_S: f64 = 20.0 / 3600.0;

pub(crate) struct Plant {
    steps: Steps,
    is_fixed: bool,
    start_unix_s: f64,
    /// Now, s after the start.
    pub(crate) now_s: f64,
    last_event_s: f64,
    next_minute_s: f64,
    station: Station,
    main: RisingMain,
    arrivals: Arrivals,
    pub(crate) body: Body,
    fouling: Fouling,
    vault: VaultAir,
    timetable: Timetable,
    is_isolated: bool,
    pub(crate) cover_is_open: bool,
    is_flooded: bool,
    usual_changes_per_s: f64,
    temperature_swing_c: f64,
    water_c: f64,
    static_pa: f64,
    wall_heat: Relaxation,
    weather: Gaussian,
    pub(crate) recorder: Recorder,
    vented_kg: f64,
    spilled_m3: f64,
    pub(crate) steps_taken: u64,
}

impl Plant {
    pub(crate) fn new(
        scenario: &Scenario,
        site: &Site,
        deviations: &Deviations,
        period_s: f64,
        seed: u64,
    ) -> Result<Plant, ScenarioError> {
        let steps = Steps::new(period_s);
        let mut main = RisingMain::new(scenario, site, &steps);
        let mut body = deviations.body(scenario, site);
        settle(scenario, site, &mut body, &mut main);
        let timetable = Timetable::new(&scenario.events, site, scenario.plant.is_empty_at_start)?;
        let mut station = Station::new(scenario, site);
        station.is_locked = scenario.plant.is_empty_at_start;
        let mut plant = Plant {
            is_fixed: scenario.steps_are_fixed,
            start_unix_s: 1e-6 * scenario.start_us as f64,
            now_s: 0.0,
            last_event_s: 0.0,
            next_minute_s: 0.0,
            station,
            main,
            arrivals: Arrivals::new(&scenario.air, &steps, Random::new(seed, 2)),
            recorder: Recorder::new(scenario.start_us, &body),
            body,
            fouling: Fouling::new(&scenario.faults),
            vault: vault_air(scenario, site),
            timetable,
            is_isolated: false,
            cover_is_open: false,
            is_flooded: false,
            usual_changes_per_s: site.vault.air_changes_per_h / 3600.0,
            temperature_swing_c: scenario.vault.temperature_swing_c,
            water_c: site.water.temperature_c,
            static_pa: 1e3 * site.line.static_kpa,
            wall_heat: Relaxation::new(&steps, scenario.plant.wall_heat_s),
            weather: Gaussian::new(seed, 3),
            vented_kg: 0.0,
            spilled_m3: 0.0,
            steps_taken: 0,
            steps,
        };
        plant.every_minute();
        plant.fouling.apply(0.0, &mut plant.body);
        Ok(plant)
    }

    /// Lets one sample period pass.
    pub(crate) fn advance_period(&mut self, begin_s: f64, sensing: &mut Sensing) {
        self.fouling.apply(begin_s, &mut self.body);
        let mut position = 0;
        let finest_s = self.steps.seconds[self.steps.finest];
        while position < self.steps.per_period() {
            self.now_s = begin_s + f64::from(position) * finest_s;
            while let Some(action) = self.timetable.due(self.now_s) {
                self.act(action);
            }
            if self.now_s >= self.next_minute_s {
                self.every_minute();
            }
            let level =
                if self.is_fixed { self.steps.finest } else { self.steps.level_for(self.wanted_step_s(), position) };
            self.step(level);
            let dt = self.steps.seconds[level] as f32;
            sensing.follow(self.surroundings(), dt);
            position += self.steps.stride(level);
        }
        self.now_s = begin_s + self.steps.seconds[0];
        self.air_the_vault(self.steps.seconds[0]);
        self.recorder.sample(self.now_s, &self.body);
    }

    /// How long the next step may be, s.
    #[inline]
    fn wanted_step_s(&self) -> f64 {
        let mut wanted_s = (SHARE_SINCE_EVENT * (self.now_s - self.last_event_s)).max(SHORTEST_S);
        let to_event_s = self.body.time_to_switch_s();
        wanted_s = wanted_s.min((SHARE_TO_EVENT * to_event_s).max(SHORTEST_S));
        wanted_s = wanted_s.min(self.main.longest_step_s());
        if self.body.has_open_seat {
            wanted_s = wanted_s.min(self.longest_open_step_s());
        }
        if self.arrivals.is_rushing() {
            wanted_s = wanted_s.min(0.25);
        }
        wanted_s.min(self.station.time_to_switch_s().max(0.05))
    }

    /// With a seat open: short while the float moves, longer while a pocket vents, a cushion weeps or a seat spills steadily.
    fn longest_open_step_s(&self) -> f64 {
        let is_flowing = self.body.riser_m3_s.abs() > 1e-6;
        if self.body.seats[LARGE].is_open && is_flowing {
            0.02
        } else if self.body.is_pocket() || self.body.is_cushion_lost() {
            0.25
        } else if self.body.level_rate.abs() > 1e-3 {
            0.01
        } else {
            0.25
        }
    }

    fn step(&mut self, level: usize) {
        let dt = self.steps.seconds[level];
        self.steps_taken += 1;
        if self.station.advance(dt) {
            self.pump_switched();
        }
        let is_pumping = self.is_pumping();
        if is_pumping {
            self.recorder.pump.running_s += dt;
            self.recorder.pump.pumped_m3 += dt * self.station.pumped_m3_s;
        }
        self.main.advance(dt, level);
        let is_full = self.main.state == MainState::Full;
        let opening = self.opening();
        let arrived_kg = self.arrivals.mass_kg(self.now_s, dt, level, is_pumping, is_full);
        // Air passes a shut riser by.
        let arrival_kg = if opening > 1e-3 { arrived_kg * opening } else { 0.0 };
        let feed = Feed {
            source_pa: self.body.p_atm_pa + self.main.pressure_pa,
            impedance: self.main.impedance,
            taken_up: self.main.reflections.gone[level],
            resistance: self.main.total_resistance(),
            opening: if self.main.state == MainState::Empty { 0.0 } else { opening },
            arrival_kg,
            wall_k: 273.15 + self.water_c,
            heat_share: self.wall_heat.gone[level],
        };
        let large_was_open = self.body.seats[LARGE].is_open;
        let has_switched = self.body.step(dt, &feed);
        let end_s = self.now_s + dt;
        if has_switched {
            self.last_event_s = end_s;
            if large_was_open && !self.body.seats[LARGE].is_open {
                self.recorder.large_shut(end_s, &self.body);
            }
        }
        self.recorder.step(end_s, dt, &self.body, self.main.state, arrival_kg);
        if self.main.state != MainState::Full {
            self.watch_drain(end_s);
        }
        self.recorder.end_slam(end_s, self.main.target_pa());
    }

    fn opening(&self) -> f64 {
        if self.is_isolated { 0.0 } else { self.fouling.opening }
    }

    fn pump_switched(&mut self) {
        self.last_event_s = self.now_s;
        self.main.pump_switched(self.station.is_pumping);
        if self.station.is_pumping {
            self.note_start();
        }
    }

    fn note_start(&mut self) {
        self.arrivals.pump_started(self.now_s);
        let at = self.recorder.moment(self.now_s);
        self.recorder.pump.starts.push(at);
    }

    /// Drained out, or filled up?
    fn watch_drain(&mut self, end_s: f64) {
        match self.main.state {
            MainState::Draining { until_m3 } if self.body.air_m3 >= until_m3 => {
                self.main.run_empty();
                self.body.riser_m3_s = 0.0;
                self.body.settled_m3_s = 0.0;
                self.last_event_s = end_s;
                self.recorder.drain_ended(end_s, &self.body);
            }
            MainState::Filling => {
                let is_in_body = self.body.level > 0.0 && !self.body.seats[LARGE].is_open;
                let is_pressed = self.body.gauge_pa() > 0.5 * self.static_pa;
                if is_in_body || is_pressed || self.body.level > 0.5 {
                    self.main.be_full();
                    self.station.take_over();
                    self.last_event_s = end_s;
                    self.recorder.fill_ended(end_s, &self.body);
                }
            }
            _ => {}
        }
    }

    fn act(&mut self, action: Action) {
        self.last_event_s = self.now_s;
        match action {
            Action::Pocket { volume_m3, spread_s } => {
                let line_pa = self.body.p_atm_pa + self.static_pa;
                let mass_kg = line_pa * volume_m3 / (GAS_CONSTANT_J_KG_K * (273.15 + self.water_c));
                self.arrivals.pocket(mass_kg, spread_s, self.now_s);
            }
            Action::Drain { is_burst, flow_m3_s, drive_pa, fall_s, volume_m3 } => {
                let body_m3 = self.body.seal_m3 + self.body.stroke_m3 + self.body.riser_m3;
                let fall = Relaxation::new(&self.steps, fall_s);
                self.main.drain(flow_m3_s, drive_pa, fall, body_m3 + volume_m3);
                self.station.lock();
                self.recorder.drain_began(self.now_s, is_burst, &self.body);
            }
            Action::Fill { flow_m3_s } => {
                if self.main.state != MainState::Full {
                    self.recorder.drain_ended(self.now_s, &self.body);
                    self.main.fill(flow_m3_s);
                    self.recorder.fill_began(self.now_s, &self.body);
                    self.note_start();
                }
            }
            Action::Trip { surge_kpa } => {
                self.station.lock();
                self.main.trip(surge_kpa);
            }
            Action::ReleasePump => self.station.is_locked = self.main.state != MainState::Full,
            Action::InflowFactor(factor) => self.station.factor = factor,
            Action::Isolate(is_shut) => self.isolate(is_shut),
            Action::Flood(is_flooded) => self.is_flooded = is_flooded,
            Action::Rise(factor) => {
                self.main.change_over(factor);
                self.station.change_over(factor);
            }
            Action::Shift { by_pa, fall_s } => self.main.shift(by_pa, Relaxation::new(&self.steps, fall_s)),
            Action::Cover(is_open) => {
                self.cover_is_open = is_open;
                self.vault.changes_per_s = if is_open {
                    OPEN_COVER_CHANGES_PER_S.max(self.usual_changes_per_s)
                } else {
                    self.usual_changes_per_s
                };
            }
        }
    }

    fn isolate(&mut self, is_shut: bool) {
        self.is_isolated = is_shut;
        let now = self.recorder.moment(self.now_s);
        let isolations = &mut self.recorder.events.isolations;
        if is_shut {
            isolations.push(SpellTruth { from: now, to: None });
        } else if let Some(isolation) = isolations.last_mut() {
            isolation.to = Some(now);
        }
    }

    fn every_minute(&mut self) {
        self.next_minute_s += 60.0;
        let unix_s = self.start_unix_s + self.now_s;
        self.station.every_minute(unix_s, &mut self.weather);
        self.main.every_minute(&mut self.weather);
        self.arrivals.every_minute(unix_s, self.now_s);
        let day = day_wave(unix_s, 15.0);
        self.body.vault_k = 273.15 + self.water_c + self.temperature_swing_c * day;
    }

    fn air_the_vault(&mut self, dt: f64) {
        let released_kg = released_kg(&self.body);
        let density = self.body.p_atm_pa / (GAS_CONSTANT_J_KG_K * self.body.vault_k);
        let gas_m3 = (released_kg - self.vented_kg) / density;
        let spilled_m3 = self.body.spilled_m3 - self.spilled_m3;
        (self.vented_kg, self.spilled_m3) = (released_kg, self.body.spilled_m3);
        self.vault.advance(dt, gas_m3, spilled_m3);
    }

    pub(crate) fn surroundings(&self) -> Surroundings {
        Surroundings {
            float_pct: (100.0 * self.body.float.position) as f32,
            chamber_kpa: (1e-3 * self.body.gauge_pa()) as f32,
            line_kpa: (1e-3 * (self.body.junction_pa - self.body.p_atm_pa)) as f32,
        }
    }

    pub(crate) fn main_kpa(&self) -> f64 {
        1e-3 * self.main.pressure_pa
    }

    pub(crate) fn odour_ppm(&self) -> f64 {
        self.vault.near_ppm
    }

    pub(crate) fn vault_c(&self) -> f64 {
        self.body.vault_k - 273.15
    }

    pub(crate) fn has_vault_water(&self) -> bool {
        self.is_flooded || self.vault.water_m3 > WATER_CONTACT_M3
    }

    pub(crate) fn is_pumping(&self) -> bool {
        self.station.is_pumping || self.main.state == MainState::Filling
    }

    /// Air in body and pipe now, NL.
    pub(crate) fn held_nl(&self) -> f64 {
        self.body.air_kg / NORMAL_LITRE_KG
    }
}

fn settle(scenario: &Scenario, site: &Site, body: &mut Body, main: &mut RisingMain) {
    let wall_k = 273.15 + site.water.temperature_c;
    if scenario.plant.is_empty_at_start {
        let air_m3 = body.seal_m3 + body.stroke_m3 + body.riser_m3 + EMPTY_PIPE_M3;
        body.settle(body.p_atm_pa, air_m3, wall_k);
        main.run_empty();
    } else {
        let down = 1.0 - 0.01 * scenario.plant.initial_float_pct;
        let static_pa = body.p_atm_pa + 1e3 * site.line.static_kpa;
        body.settle(static_pa, body.seal_m3 + down * body.stroke_m3, wall_k);
    }
}

fn vault_air(scenario: &Scenario, site: &Site) -> VaultAir {
    let settings = &scenario.vault;
    let preset_ppm = if site.water.is_sewage { 250.0 } else { 0.0 };
    let near_m3 = 1e-3 * settings.near_volume_l;
    VaultAir {
        near_m3,
        near_ppm: 0.0,
        rest_m3: (site.vault.volume_m3 - near_m3).max(near_m3),
        rest_ppm: 0.0,
        exchange_m3_s: 1e-3 * settings.near_exchange_l_s,
        changes_per_s: site.vault.air_changes_per_h / 3600.0,
        gas_ppm: settings.gas_h2s_ppm.unwrap_or(preset_ppm),
        stripping: settings.stripping,
        water_m3: 0.0,
        drain_m3_s: 1e-3 * settings.drain_l_s,
    }
}
