//! Main, valve and vault together, from sample to sample in steps as long as accuracy allows.

use airvalve_simulator::{ScenarioError, scenario::Scenario};
use airvalve_site::Site;

use crate::{
    actions::Actions,
    arrivals::Arrivals,
    cushion::{Body, Drive, Frame, Passed, WALL_CAPACITY},
    day,
    float::{Build, Float},
    gas::{CV_J_KG_K, GAS_J_KG_K, Gas, NORMAL_LITRE_KG, vapour_pressure_pa},
    pipe::{Course, GRAVITY_M_S2, Pipe, WATER_KG_M3},
    random::Random,
    recorder::Recorder,
    slosh::{Mode, Surface},
    station::{Station, Switch},
    valve::{ORIFICES, Valve, circle_m2},
    vault::Vault,
    wear::Wear,
};

/// Everything but sensors and clock.
#[derive(Clone, Debug)]
pub(crate) struct Plant {
    pub(crate) frame: Frame,
    pub(crate) body: Body,
    pub(crate) last: Passed,
    pub(crate) pipe: Pipe,
    pub(crate) station: Station,
    pub(crate) vault: Vault,
    pub(crate) wear: Wear,
    pub(crate) recorder: Recorder,
    pub(crate) arrivals: Arrivals,
    pub(crate) actions: Actions,
    pub(crate) is_open: [bool; ORIFICES],
    /// Share of the pump's flow that runs in the main, and how fast it comes and goes, s.
    pub(crate) pump_share: f64,
    start_s: f64,
    stop_s: f64,
    pub(crate) is_isolated: bool,
    /// Air under the isolating valve while it is shut, kg.
    pub(crate) waiting_kg: f64,
    arrived_kg: f64,
    /// When the fill's flow began to fade, s.
    pub(crate) fading_since_s: Option<f64>,
    ripple: f64,
    ripple_random: Random,
    pub(crate) period_s: f64,
    pub(crate) t_s: f64,
    next_hour_s: f64,
    start_us: i64,
    dt_s: f64,
    pub(crate) steps_are_fixed: bool,
    /// Scales every step; for looking at convergence.
    pub(crate) step_share: f64,
    pub(crate) steps_taken: u64,
    /// Least and greatest chamber pressure since the last sample, Pa gauge.
    pub(crate) extremes_pa: (f64, f64),
    pub(crate) gas_out_kg: f64,
    pub(crate) liquid_out_m3: f64,
}

/// Shortest step, only for a bubble that a slam squeezes, and the longest after a switch, s.
const SHORTEST_S: f64 = 0.000_02;
const AFTER_SWITCH_S: f64 = 0.001;
/// How much longer than the last a step may be, and how coarse a step may be before it is taken again.
const GROWTH: f64 = 1.6;
const TOO_COARSE: f64 = 2.5;
const AIM: f64 = 0.8;
/// The step of a scenario that asks for fixed ones, s.
const FIXED_S: f64 = 0.001;
/// A riser that is no further open than this is shut; air that has waited under it comes up in about this time, s.
const SHUT: f64 = 1e-3;
const WAITING_S: f64 = 5.0;

impl Plant {
    pub(crate) fn new(scenario: &Scenario, site: &Site, period_s: f64, seed: u64) -> Result<Plant, ScenarioError> {
        let valve = Valve::new(&scenario.true_valve, site, 0.01 * scenario.air.edge_pct, seed);
        let frame = frame(scenario, site, valve, period_s);
        let actions = Actions::new(&scenario.events, site, scenario.plant.is_empty_at_start)?;
        let head_m = frame.riser_m + 0.9 * frame.build.stroke_m;
        let mut pipe = Pipe::new(scenario, site, head_m, period_s, frame.valve.atmosphere_pa, seed);
        let mut station = Station::new(&scenario.inflow, &scenario.pump, site, period_s, seed);
        let mean_l_s = scenario.inflow.mean_l_s.unwrap_or(0.3 * site.line.flow_l_s);
        let arrivals = Arrivals::new(&scenario.air, mean_l_s / site.line.flow_l_s, seed);
        let volume_m3 = 120.0 * 0.5e-3 * site.line.flow_l_s;
        let gauge_pa = if scenario.plant.is_empty_at_start { 0.0 } else { 1e3 * site.line.static_kpa };
        let position = if scenario.plant.is_empty_at_start { 0.0 } else { 0.01 * scenario.plant.initial_float_pct };
        let air_m3 = if scenario.plant.is_empty_at_start {
            pipe.course = Course::Standing;
            station.lock();
            frame.valve.body_m3() + volume_m3
        } else {
            frame.valve.seal_m3 + (1.0 - position) * frame.valve.stroke_m3
        };
        let dry_pa = gauge_pa + frame.valve.atmosphere_pa - frame.vapour_pa;
        let body = Body {
            air_kg: dry_pa * air_m3 / (GAS_J_KG_K * frame.liquid_k),
            gas_k: frame.liquid_k,
            wall_k: frame.liquid_k,
            air_m3,
            riser_m3_s: 0.0,
            fast_m3_s: [0.0; 2],
            float: Float { position, rest_s: 60.0, ..Float::default() },
            surface: Surface::default(),
            lift: [0.0; ORIFICES],
        };
        let recorder = Recorder::new(scenario.start_us, body.air_kg / NORMAL_LITRE_KG, site.line.working_kpa);
        let mut plant = Plant {
            vault: Vault::new(&scenario.vault, site, seed),
            wear: Wear::new(&scenario.faults, 0.01 * scenario.plant.float_play_pct, seed),
            is_open: frame.valve.seats.map(|seat| seat.is_some() && scenario.plant.is_empty_at_start),
            last: Passed { chamber_pa: gauge_pa, line_pa: gauge_pa, ..Passed::default() },
            extremes_pa: (gauge_pa, gauge_pa),
            pump_share: 0.0,
            start_s: scenario.pump.start_s,
            stop_s: scenario.pump.stop_s,
            is_isolated: false,
            waiting_kg: 0.0,
            arrived_kg: 0.0,
            fading_since_s: None,
            ripple: 0.01 * scenario.plant.ripple_pct,
            ripple_random: Random::new(seed, 9),
            period_s,
            t_s: 0.0,
            next_hour_s: 0.0,
            start_us: scenario.start_us,
            dt_s: AFTER_SWITCH_S,
            steps_are_fixed: scenario.steps_are_fixed,
            step_share: 1.0,
            steps_taken: 0,
            gas_out_kg: 0.0,
            liquid_out_m3: 0.0,
            frame,
            body,
            pipe,
            station,
            recorder,
            arrivals,
            actions,
        };
        plant.wear.go_on(0.0, period_s);
        plant.each_minute();
        Ok(plant)
    }

    /// Air in the body and the pipe below it, kg.
    pub(crate) fn held_kg(&self) -> f64 {
        self.body.air_kg + self.waiting_kg
    }

    pub(crate) fn arrived_nl(&self) -> f64 {
        self.arrived_kg / NORMAL_LITRE_KG
    }

    fn each_minute(&mut self) {
        let hour = day::hour_utc(self.start_us + (self.t_s * 1e6) as i64);
        self.station.set_hour(hour);
        self.arrivals.set_hour(hour, self.t_s);
        self.vault.set_hour(hour);
        self.next_hour_s = self.t_s + Vault::MINUTE_S;
    }

    /// Lets one sample's time go by.
    pub(crate) fn go_on_to(&mut self, end_s: f64) {
        if self.t_s >= self.next_hour_s {
            self.each_minute();
        }
        match self.station.go_on(self.period_s) {
            Some(Switch::Start) => self.pump_starts(),
            Some(Switch::Stop) => self.pump_stops(),
            None => {}
        }
        self.pipe.go_on();
        self.wear.go_on(self.t_s, self.period_s);
        if self.ripple > 0.0 && self.pump_share > 0.5 {
            self.body.surface.stir(&self.frame.mode, self.ripple, &mut self.ripple_random);
        }
        self.extremes_pa = (self.last.chamber_pa, self.last.chamber_pa);
        (self.gas_out_kg, self.liquid_out_m3) = (0.0, 0.0);
        while end_s - self.t_s > 1e-9 {
            while let Some(action) = self.actions.due(self.t_s) {
                self.act(action);
            }
            self.arrivals.take_slugs(self.t_s);
            let until_s = end_s.min(self.actions.next_s()).min(self.arrivals.next_slug_s());
            self.one_step((until_s - self.t_s).max(1e-6));
        }
        if self.station.is_running {
            self.recorder.pump.running_s += self.period_s;
            self.recorder.pump.pumped_m3 += self.period_s * self.station.pumped_m3_s();
        }
        let gas_m3 = self.gas_out_kg * GAS_J_KG_K * (self.vault.air_c + 273.15) / self.frame.valve.atmosphere_pa;
        self.vault.go_on(gas_m3, self.liquid_out_m3, self.period_s);
    }

    pub(crate) fn pump_starts(&mut self) {
        let now = self.recorder.moment(self.t_s);
        self.recorder.pump.starts.push(now);
        self.pipe.pump_starts(self.t_s);
        self.arrivals.pump_starts(self.t_s);
        self.shorten();
    }

    pub(crate) fn pump_stops(&mut self) {
        self.pipe.pump_stops(self.t_s);
        self.shorten();
    }

    /// Something has just changed: the next steps are short.
    pub(crate) fn shorten(&mut self) {
        self.dt_s = self.dt_s.min(AFTER_SWITCH_S);
    }

    /// One step of at most `most_s`.
    fn one_step(&mut self, most_s: f64) {
        let tolerance = self.step_share;
        let shortest_s = SHORTEST_S * tolerance;
        let wished_s = self.dt_s.min(self.to_next_position_s()).min(tolerance * self.period_s).max(shortest_s);
        let mut dt_s = if self.steps_are_fixed { FIXED_S } else { wished_s };
        // No sliver of a step before the end.
        if most_s < 1.3 * dt_s {
            dt_s = most_s;
        }
        let (share, arrival_kg_s, after, passed) = loop {
            let (share, drive) = self.drive(dt_s);
            let (after, passed) = self.frame.step(&self.body, &drive, dt_s);
            if self.steps_are_fixed || passed.coarseness <= TOO_COARSE * tolerance || dt_s <= shortest_s {
                break (share, drive.arrival_kg_s, after, passed);
            }
            dt_s = (dt_s * (AIM * tolerance / passed.coarseness).max(0.1)).max(shortest_s);
        };
        self.dt_s = dt_s * (AIM * tolerance / passed.coarseness.max(1e-9)).clamp(0.3, GROWTH);
        self.pump_share = share;
        self.account(arrival_kg_s, dt_s);
        self.body = after;
        self.last = passed;
        self.t_s += dt_s;
        self.steps_taken += 1;
        self.extremes_pa = (self.extremes_pa.0.min(passed.chamber_pa), self.extremes_pa.1.max(passed.chamber_pa));
        self.move_seats();
        self.follow_course();
        self.record(&passed, dt_s);
    }

    /// What the chamber would have if nothing flowed up the riser, Pa gauge.
    pub(crate) fn still_pa(&self) -> f64 {
        let source = self.pipe.source(self.t_s, self.pump_share);
        if source.is_still {
            return self.last.chamber_pa;
        }
        source.pa - WATER_KG_M3 * GRAVITY_M_S2 * self.frame.head_m(self.body.air_m3).0
    }

    /// Dry air through shut release seats now, kg/s.
    pub(crate) fn leak_kg_s(&self) -> f64 {
        let (_, drive) = self.drive(self.period_s);
        self.frame.leak_kg_s(&self.body, &drive)
    }

    /// What acts on the body over the next `dt_s`, and the pump's share at its end.
    fn drive(&self, dt_s: f64) -> (f64, Drive<'_>) {
        let condition = &self.wear.condition;
        let riser_open = if self.is_isolated { 0.0 } else { condition.riser_open };
        let share = self.pump_share_after(dt_s);
        let source = self.pipe.source(self.t_s + dt_s, share);
        let arrival_kg_s = if riser_open < SHUT {
            0.0
        } else {
            let waiting_kg_s = if self.waiting_kg > 0.0 { self.waiting_kg / (WAITING_S + dt_s) } else { 0.0 };
            self.arrivals.rate_kg_s(share, dt_s) + waiting_kg_s
        };
        let air_k = self.vault.air_c + 273.15;
        let outside = Gas { pa: self.frame.valve.atmosphere_pa, k: air_k, vapour_pa: self.frame.vapour_pa };
        (share, Drive { source, arrival_kg_s, condition, riser_open, outside, is_open: self.is_open })
    }

    fn pump_share_after(&self, dt_s: f64) -> f64 {
        let (target, time_s) = if self.station.is_running { (1.0, self.start_s) } else { (0.0, self.stop_s) };
        let way = self.pump_share - target;
        if way.abs() < 1e-5 { target } else { target + way * libm::exp(-dt_s / time_s) }
    }

    /// Books the air that arrived in a step: at the high point, and from there in the body.
    fn account(&mut self, into_body_kg_s: f64, dt_s: f64) {
        let came_kg_s = self.arrivals.rate_kg_s(self.pump_share, dt_s);
        self.arrivals.take(dt_s);
        self.arrived_kg += dt_s * came_kg_s;
        // Without a shut valve both are the same rate, bit for bit.
        self.waiting_kg = (self.waiting_kg + dt_s * (came_kg_s - into_body_kg_s)).max(0.0);
    }

    /// Time until the float reaches a position at which an orifice moves, s.
    fn to_next_position_s(&self) -> f64 {
        let speed = self.body.float.speed_1_s;
        if speed.abs() < 1e-5 {
            return f64::INFINITY;
        }
        let mut next_s = f64::INFINITY;
        for (seat, is_open) in self.frame.valve.seats.iter().zip(self.is_open) {
            let Some(seat) = seat else { continue };
            let place = if is_open { seat.closes_above } else { seat.opens_below };
            let time_s = (place - self.body.float.position) / speed;
            if time_s > 0.0 {
                next_s = next_s.min(time_s);
            }
        }
        // Just past it.
        next_s + 1e-4
    }
}

/// Valve, riser and film of a scenario.
pub(crate) fn frame(scenario: &Scenario, site: &Site, valve: Valve, period_s: f64) -> Frame {
    let plant = &scenario.plant;
    let liquid_k = site.water.temperature_c + 273.15;
    let vapour_pa = if scenario.air.is_moist { vapour_pressure_pa(site.water.temperature_c) } else { 0.0 };
    let riser_mm = plant.riser_diameter_mm.unwrap_or(site.valve.large_orifice.diameter_mm);
    // Without a diameter the main runs at 1 m/s.
    let main_m2 = plant.main_diameter_mm.map_or(1e-3 * site.line.flow_l_s, circle_m2);
    let stroke_m = valve.stroke_m();
    let film_m3 = valve.seal_m3 + 0.1 * valve.stroke_m3;
    let film_kg_m3 = (1e3 * site.line.working_kpa + valve.atmosphere_pa) / (GAS_J_KG_K * liquid_k);
    Frame {
        build: Build { stroke_m },
        mode: Mode::new(0.5 * stroke_m, valve.stroke_m3, period_s),
        riser_m: plant.riser_length_m,
        riser_m2: circle_m2(riser_mm),
        riser_loss: plant.riser_loss,
        // A change of flow runs off both ways.
        impedance: 0.5 * WATER_KG_M3 * plant.wave_speed_m_s / main_m2,
        relief_s: [0.7 * plant.reflection_s, 1.3 * plant.reflection_s],
        vapour_pa,
        liquid_k,
        film_w_k: film_kg_m3 * film_m3 * CV_J_KG_K / plant.wall_heat_s,
        films_m3_kg: 1.0 / film_kg_m3,
        films_1_m3: 1.0 / film_m3,
        wall_j_m3_k: WALL_CAPACITY * film_kg_m3 * CV_J_KG_K,
        strokes_1_m3: 1.0 / valve.stroke_m3,
        valve,
    }
}
