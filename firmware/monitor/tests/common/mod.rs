//! A valve in a few lines: the quasi-steady balance of its air cushion, for tests of the detector's logic.
//!
//! Invented scenario. The full physics (inertia, heat, vault, transients) is the simulator's.
#![allow(dead_code, clippy::unwrap_used)]

use airvalve_monitor::{
    AlarmChange, Cycle, Event, Fault, Monitor, Settings, SiteData, ValveState,
    airflow::{Orifice, normal_litres},
    site::ReleaseStage,
};
use airvalve_sensors::{Channel, Channels, Contact, Contacts, FrontEnd, QuantitySample, Span};

/// Site of the tests: 2.5 mm small orifice, 6 L stroke, 180 kPa static, 320 kPa working.
pub(crate) fn site() -> SiteData {
    let span = |low, high| Some(Span { low, high });
    SiteData {
        p_atm_kpa: 100.3,
        static_kpa: 180.0,
        working_kpa: 320.0,
        flow_l_s: 28.0,
        largest_pocket_m3: 0.5,
        seal_volume_l: 1.2,
        stroke_volume_l: 6.0,
        large_out: Orifice::Area { effective_area_mm2: 1217.0 },
        large_in: Orifice::Area { effective_area_mm2: 1217.0 },
        large_opens_below_pct: 20.0,
        large_closes_above_pct: 22.0,
        reopen_kpa: 5.0,
        small: ReleaseStage {
            orifice: Orifice::Area { effective_area_mm2: 3.19 },
            opens_below_pct: 80.0,
            closes_above_pct: 92.0,
        },
        second: None,
        is_sewage: true,
        air_temperature_k: 285.15,
        sample_period_s: 0.1,
        burst_s: 0.0,
        burst_every_s: 0.0,
        spans: Channels([span(0.0, 100.0), span(-100.0, 1600.0), span(0.0, 200.0), None, None, None, None]),
        accuracy_pct_span: Channels([1.0, 1.0, 5.0, 1.0, 1.0, 1.0, 1.0]),
        front_end: FrontEnd::default(),
    }
}

/// What is wrong with the valve from `fault_from_s` on.
#[derive(Clone, Copy, PartialEq, Debug)]
pub(crate) enum Wrong {
    Nothing,
    JammedAt(f32),
    SmallBlocked,
    SeatOpen,
    Clogged(f32),
    Heavy(f32),
}

/// The valve and what drives it.
pub(crate) struct Plant {
    pub(crate) site: SiteData,
    pub(crate) hz: f32,
    pub(crate) noise: f32,
    pub(crate) arrival_nl_s: f32,
    pub(crate) wrong: Wrong,
    pub(crate) wrong_from_s: f32,
    pub(crate) opens_pct: f32,
    pub(crate) closes_pct: f32,
    pub(crate) released_nl: f64,
    content_nl: f32,
    is_open: bool,
    line_kpa: f32,
    odour_ppm: f32,
    caught_pct: Option<f32>,
    seed: u64,
    time_s: f64,
}

impl Plant {
    pub(crate) fn new(hz: f32) -> Plant {
        let site = site();
        let content_nl = normal_litres(280.3, site.air_space_l(90.0), 285.15);
        Plant {
            site,
            hz,
            noise: 0.1,
            arrival_nl_s: 0.02,
            wrong: Wrong::Nothing,
            wrong_from_s: f32::MAX,
            opens_pct: 80.0,
            closes_pct: 92.0,
            released_nl: 0.0,
            content_nl,
            is_open: false,
            line_kpa: 180.0,
            odour_ppm: 0.5,
            caught_pct: None,
            seed: 0x9E37_79B9_7F4A_7C15,
            time_s: 0.0,
        }
    }

    fn gaussian(&mut self) -> f32 {
        // Sum of twelve uniform numbers: near enough to normal for a transmitter's noise.
        let mut sum = -6.0;
        for _ in 0..12 {
            self.seed ^= self.seed << 13;
            self.seed ^= self.seed >> 7;
            self.seed ^= self.seed << 17;
            sum += (self.seed >> 40) as f32 / (1u64 << 24) as f32;
        }
        sum
    }

    /// Level of the liquid in % of stroke: above 100 the cushion is smaller than the seal volume.
    fn level_pct(&self) -> f32 {
        let pressure = self.line_kpa + self.site.p_atm_kpa;
        let volume_l = self.content_nl / normal_litres(pressure, 1.0, 285.15);
        100.0 * (1.0 - (volume_l - self.site.seal_volume_l) / self.site.stroke_volume_l)
    }

    /// One sample later.
    pub(crate) fn next(&mut self) -> QuantitySample {
        let dt = 1.0 / self.hz;
        let fine = 20;
        for _ in 0..fine {
            self.advance(dt / fine as f32);
        }
        self.time_s += f64::from(dt);
        let float_pct = self.float_pct();
        let mut quantities = Channels([f32::NAN; 7]);
        quantities.set(Channel::FloatPosition, float_pct + self.noise * self.gaussian());
        quantities.set(Channel::ChamberPressure, self.line_kpa + 17.0 * self.noise * self.gaussian());
        quantities.set(Channel::Odour, self.odour_ppm + 2.0 * self.noise * self.gaussian());
        QuantitySample {
            time_us: (self.time_s * 1e6).round() as i64,
            quantities,
            contacts: Contacts::default().with(Contact::PumpRunning, Some(self.is_pumping())),
        }
    }

    pub(crate) fn is_pumping(&self) -> bool {
        (self.time_s % 600.0) >= 300.0
    }

    fn is_wrong(&self) -> bool {
        self.time_s as f32 >= self.wrong_from_s
    }

    fn float_pct(&mut self) -> f32 {
        let mut level_pct = self.level_pct();
        match self.wrong {
            Wrong::Heavy(offset_pct) if self.is_wrong() => level_pct -= offset_pct,
            Wrong::JammedAt(at_pct) if self.is_wrong() => {
                return *self.caught_pct.get_or_insert(at_pct);
            }
            _ => {}
        }
        level_pct.clamp(0.0, 100.0)
    }

    fn advance(&mut self, dt: f32) {
        let target = if self.is_pumping() { 320.0 } else { 180.0 };
        self.line_kpa += (target - self.line_kpa) * (dt / 3.0);
        let float_pct = self.float_pct();
        self.is_open = if self.is_open { float_pct < self.closes_pct } else { float_pct < self.opens_pct };
        let mut area = if self.is_open { 1.0 } else { 0.0 };
        if self.is_wrong() {
            match self.wrong {
                Wrong::SmallBlocked => area = 0.0,
                Wrong::SeatOpen => area = 1.0,
                Wrong::Clogged(share) => area *= share,
                _ => {}
            }
        }
        let flow = self.site.small.orifice.normal_flow_nl_s(self.line_kpa, self.site.p_atm_kpa, 285.15) * area;
        // Without a cushion liquid spills instead of air.
        let least_nl = normal_litres(self.line_kpa + self.site.p_atm_kpa, 0.05, 285.15);
        let is_spilling = self.content_nl <= least_nl;
        let out = if is_spilling { flow.min(self.arrival_nl_s) } else { flow };
        self.content_nl = (self.content_nl + (self.arrival_nl_s - out) * dt).max(least_nl);
        self.released_nl += f64::from(out * dt);
        let smell = if area > 0.0 { 40.0 } else { 0.5 };
        self.odour_ppm += (smell - self.odour_ppm) * (dt / 20.0);
    }
}

/// What a run of the detector gave.
#[derive(Default, Debug)]
pub(crate) struct Outcome {
    pub(crate) alarms: Vec<AlarmChange>,
    pub(crate) cycles: Vec<Cycle>,
    pub(crate) states: Vec<ValveState>,
}

impl Outcome {
    pub(crate) fn raised(&self) -> Vec<Fault> {
        self.alarms.iter().filter(|alarm| alarm.is_active).map(|alarm| alarm.fault).collect()
    }
}

/// Runs a plant through a detector.
pub(crate) fn run(plant: &mut Plant, monitor: &mut Monitor, hours: f32) -> Outcome {
    let mut outcome = Outcome::default();
    for _ in 0..(hours * 3600.0 * plant.hz) as usize {
        let sample = plant.next();
        for event in &monitor.step_quantities(&sample) {
            match event {
                Event::Alarm(alarm) => outcome.alarms.push(*alarm),
                Event::Cycle(cycle) => outcome.cycles.push(*cycle),
                Event::State { state, .. } => outcome.states.push(*state),
            }
        }
    }
    outcome
}

pub(crate) fn monitor_for(plant: &Plant) -> Monitor {
    let site = SiteData { sample_period_s: 1.0 / plant.hz, ..plant.site };
    Monitor::new(&site, &Settings::default())
}

/// Runs hand-drawn signals: float in %, chamber pressure in kPa, odour in ppm, as functions of time in seconds.
pub(crate) fn draw(hz: f32, seconds: f32, mut signal: impl FnMut(f32) -> [f32; 3]) -> (Outcome, Monitor) {
    let mut plant = Plant::new(hz);
    let mut monitor = monitor_for(&plant);
    let mut outcome = Outcome::default();
    for i in 0..(seconds * hz) as u32 {
        let time_s = i as f32 / hz;
        let [float_pct, pressure_kpa, odour_ppm] = signal(time_s);
        let mut quantities = Channels([f32::NAN; 7]);
        quantities.set(Channel::FloatPosition, float_pct + plant.noise * plant.gaussian());
        quantities.set(Channel::ChamberPressure, pressure_kpa + plant.noise * plant.gaussian());
        quantities.set(Channel::Odour, odour_ppm + plant.noise * plant.gaussian());
        let time_us = (f64::from(i) / f64::from(hz) * 1e6).round() as i64;
        let sample = QuantitySample { time_us, quantities, contacts: Contacts::default() };
        for event in &monitor.step_quantities(&sample) {
            match event {
                Event::Alarm(alarm) => outcome.alarms.push(*alarm),
                Event::Cycle(cycle) => outcome.cycles.push(*cycle),
                Event::State { state, .. } => outcome.states.push(*state),
            }
        }
    }
    (outcome, monitor)
}
