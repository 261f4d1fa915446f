//! Pump station and main: wet well, pump, and the pressure of the main at the valve in closed form.

use airvalve_site::Site;

use crate::{
    random::Gaussian,
    scenario::Scenario,
    steps::{Relaxation, Rotation, Steps},
};

const DAY_S: f64 = 86_400.0;
/// Gauge pressure at which the water column separates, Pa.
const SEPARATION_PA: f64 = -97_000.0;
/// Inflow and wander are drawn anew each minute.
const MINUTE_S: f64 = 60.0;

/// Cosine over the day, 1 at `peak_hour` UTC.
pub(crate) fn day_wave(unix_s: f64, peak_hour: f64) -> f64 {
    let angle = 2.0 * core::f64::consts::PI * (unix_s / DAY_S - peak_hour / 24.0);
    libm::cos(angle)
}

/// Wet well and pump.
#[derive(Clone, Debug)]
pub(crate) struct Station {
    well_m3: f64,
    volume_m3: f64,
    mean_m3_s: f64,
    day_swing: f64,
    peak_hour: f64,
    variation: f64,
    /// Random part of the inflow, a slow first-order noise of unit deviation.
    noise: f64,
    inflow_m3_s: f64,
    pub(crate) pumped_m3_s: f64,
    /// Inflow times this: storm or quiet.
    pub(crate) factor: f64,
    pub(crate) is_pumping: bool,
    /// What the pump gives of its own; another pump gives more or less.
    usual_m3_s: f64,
    /// The pump may not run: main drained, or tripped.
    pub(crate) is_locked: bool,
}

impl Station {
    pub(crate) fn new(scenario: &Scenario, site: &Site) -> Station {
        let flow_m3_s = 1e-3 * site.line.flow_l_s;
        let volume_m3 = scenario.pump.well_volume_m3.unwrap_or(100.0 * flow_m3_s);
        Station {
            well_m3: 0.01 * scenario.pump.initial_level_pct * volume_m3,
            volume_m3,
            mean_m3_s: 1e-3 * scenario.inflow.mean_l_s.unwrap_or(0.3 * site.line.flow_l_s),
            day_swing: 0.01 * scenario.inflow.day_swing_pct,
            peak_hour: scenario.inflow.peak_hour,
            variation: 0.01 * scenario.inflow.variation_pct,
            noise: 0.0,
            inflow_m3_s: 0.0,
            pumped_m3_s: flow_m3_s,
            usual_m3_s: flow_m3_s,
            factor: 1.0,
            is_pumping: false,
            is_locked: false,
        }
    }

    /// Draws the inflow of the next minute.
    pub(crate) fn every_minute(&mut self, unix_s: f64, gaussian: &mut Gaussian) {
        // Correlation over ten minutes.
        const KEPT: f64 = 0.904_837_418_035_959_6;
        const DRAWN: f64 = 0.425_757_270_217_664_6;
        self.noise = KEPT * self.noise + DRAWN * gaussian.next();
        let day = 1.0 + self.day_swing * day_wave(unix_s, self.peak_hour);
        let random = (1.0 + self.variation * self.noise).max(0.0);
        self.inflow_m3_s = self.mean_m3_s * day * random;
    }

    /// Lets the level move; says whether the pump has switched.
    #[inline]
    pub(crate) fn advance(&mut self, dt: f64) -> bool {
        self.well_m3 += dt * self.factor * self.inflow_m3_s;
        if self.is_pumping {
            self.well_m3 -= dt * self.pumped_m3_s;
        }
        // A full well overflows.
        self.well_m3 = self.well_m3.clamp(0.0, 3.0 * self.volume_m3);
        let wanted = if self.is_locked {
            false
        } else if self.is_pumping {
            self.well_m3 > 0.0
        } else {
            self.well_m3 >= self.volume_m3
        };
        let has_switched = wanted != self.is_pumping;
        self.is_pumping = wanted;
        has_switched
    }

    /// Another pump, which raises the main's pressure by so many times the usual: losses go with the square of the flow.
    pub(crate) fn change_over(&mut self, factor: f64) {
        self.pumped_m3_s = self.usual_m3_s * factor.max(0.01).sqrt();
    }

    /// Stops the pump and keeps it from starting.
    pub(crate) fn lock(&mut self) {
        self.is_locked = true;
        self.is_pumping = false;
    }

    /// Goes on with the pump running, as after a fill.
    pub(crate) fn take_over(&mut self) {
        self.is_locked = false;
        self.is_pumping = true;
        self.well_m3 = self.well_m3.max(self.volume_m3);
    }

    /// Time until the pump switches, s.
    #[inline]
    pub(crate) fn time_to_switch_s(&self) -> f64 {
        let inflow = self.factor * self.inflow_m3_s;
        if self.is_pumping {
            self.well_m3 / (self.pumped_m3_s - inflow).max(1e-9)
        } else {
            (self.volume_m3 - self.well_m3).max(0.0) / inflow.max(1e-9)
        }
    }
}

/// What the main does at the high point.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) enum MainState {
    /// Full.
    Full,
    /// Draining until the air space reaches this, m3.
    Draining { until_m3: f64 },
    /// Drained: no liquid at the high point.
    Empty,
    /// Filling again.
    Filling,
}

/// The main's pressure far from the valve, Pa gauge, and its resistances.
#[derive(Clone, Debug)]
pub(crate) struct RisingMain {
    pub(crate) state: MainState,
    static_pa: f64,
    working_pa: f64,
    target_pa: f64,
    /// First-order departure from the target.
    departure_pa: f64,
    fall: Relaxation,
    start: Relaxation,
    stop: Relaxation,
    /// Damped oscillation, complex.
    oscillation: (f64, f64),
    rotation: Rotation,
    start_surge_pa: f64,
    stop_surge_pa: f64,
    /// Lasting resistance of the full main, and by how much that of a drain or fill differs, Pa s/m3.
    pub(crate) resistance: f64,
    extra_resistance: f64,
    pub(crate) impedance: f64,
    pub(crate) reflections: Relaxation,
    /// Wander between two minutes.
    wander: (f64, f64),
    wander_pa: f64,
    wander_at: f64,
    wander_deviation_pa: f64,
    /// Where the pressure stands over the usual one, where that goes, and how fast, Pa.
    shift_pa: f64,
    shift_to_pa: f64,
    shift_pace: Option<Relaxation>,
    /// Rise that the next pump to start makes, Pa.
    next_rise_pa: f64,
    rise_pa: f64,
    pub(crate) pressure_pa: f64,
}

impl RisingMain {
    pub(crate) fn new(scenario: &Scenario, site: &Site, steps: &Steps) -> RisingMain {
        let (plant, pump) = (&scenario.plant, &scenario.pump);
        let flow_m3_s = 1e-3 * site.line.flow_l_s;
        let diameter_m = plant
            .main_diameter_mm
            .map_or_else(|| (4.0 * flow_m3_s / core::f64::consts::PI).sqrt(), |diameter_mm| 1e-3 * diameter_mm);
        let area_m2 = 0.25 * core::f64::consts::PI * diameter_m * diameter_m;
        let rise_kpa = (site.line.working_kpa - site.line.static_kpa).abs();
        let static_pa = 1e3 * site.line.static_kpa;
        let start = Relaxation::new(steps, pump.start_s);
        RisingMain {
            state: MainState::Full,
            static_pa,
            working_pa: 1e3 * site.line.working_kpa,
            target_pa: static_pa,
            departure_pa: 0.0,
            fall: start.clone(),
            start,
            stop: Relaxation::new(steps, pump.stop_s),
            oscillation: (0.0, 0.0),
            rotation: Rotation::new(steps, pump.surge_period_s, pump.surge_decay_s),
            start_surge_pa: 1e3 * pump.start_surge_kpa.unwrap_or(0.2 * rise_kpa),
            stop_surge_pa: 1e3 * pump.stop_surge_kpa.unwrap_or(0.4 * rise_kpa),
            // A litre a second that leaves at the valve lowers the head there as the pumped flow raises it.
            resistance: 1e3 * rise_kpa / flow_m3_s,
            extra_resistance: 0.0,
            // Waves go both ways from the junction: half the impedance of the main.
            impedance: 0.5 * crate::air::WATER_KG_M3 * plant.wave_speed_m_s / area_m2,
            reflections: Relaxation::new(steps, plant.reflection_s),
            wander: (0.0, 0.0),
            wander_pa: 0.0,
            wander_at: 0.0,
            wander_deviation_pa: 1e3 * plant.pressure_wander_kpa,
            shift_pa: 0.0,
            shift_to_pa: 0.0,
            shift_pace: None,
            next_rise_pa: 1e3 * (site.line.working_kpa - site.line.static_kpa),
            rise_pa: 1e3 * (site.line.working_kpa - site.line.static_kpa),
            pressure_pa: static_pa,
        }
    }

    /// Where the pressure will settle, Pa gauge.
    pub(crate) fn target_pa(&self) -> f64 {
        self.target_pa
    }

    /// Draws where the slow wander goes in the next minute.
    pub(crate) fn every_minute(&mut self, gaussian: &mut Gaussian) {
        const KEPT: f64 = 0.9;
        const DRAWN: f64 = 0.435_889_894_354_067_4;
        let next = KEPT * self.wander.1 + DRAWN * self.wander_deviation_pa * gaussian.next();
        self.wander = (self.wander.1, next);
        self.wander_at = 0.0;
    }

    fn move_to(&mut self, target_pa: f64, surge_pa: f64) {
        self.target_pa = target_pa;
        self.departure_pa = self.pressure_pa - self.wander_pa - target_pa;
        self.oscillation = (surge_pa, 0.0);
    }

    pub(crate) fn pump_switched(&mut self, is_pumping: bool) {
        if self.state != MainState::Full {
            return;
        }
        if is_pumping {
            if self.next_rise_pa != self.working_pa - self.static_pa {
                self.working_pa = self.static_pa + self.next_rise_pa;
            }
            self.fall = self.start.clone();
            self.move_to(self.working_pa, self.start_surge_pa);
        } else {
            self.fall = self.stop.clone();
            self.move_to(self.static_pa, -self.stop_surge_pa);
        }
    }

    /// Another pump takes over at the next start, with so many times the usual rise.
    pub(crate) fn change_over(&mut self, factor: f64) {
        self.next_rise_pa = factor * self.rise_pa;
    }

    /// The pressure goes to so much over the usual one.
    pub(crate) fn shift(&mut self, by_pa: f64, pace: Relaxation) {
        self.shift_to_pa = by_pa;
        self.shift_pace = Some(pace);
    }

    /// The pump stops at once, with a surge of its own.
    pub(crate) fn trip(&mut self, surge_kpa: Option<f64>) {
        if self.state == MainState::Full {
            let surge_pa = surge_kpa.map_or(0.9 * self.working_pa, |surge_kpa| 1e3 * surge_kpa);
            self.fall = self.stop.clone();
            self.move_to(self.static_pa, -surge_pa);
        }
    }

    pub(crate) fn drain(&mut self, flow_m3_s: f64, drive_pa: f64, fall: Relaxation, until_m3: f64) {
        self.state = MainState::Draining { until_m3 };
        self.fall = fall;
        self.move_to(-drive_pa, 0.0);
        self.extra_resistance = drive_pa / flow_m3_s - self.resistance;
    }

    /// Nothing is left to drain.
    pub(crate) fn run_empty(&mut self) {
        self.state = MainState::Empty;
        self.target_pa = 0.0;
        self.departure_pa = 0.0;
        self.oscillation = (0.0, 0.0);
    }

    pub(crate) fn fill(&mut self, flow_m3_s: f64) {
        self.state = MainState::Filling;
        self.fall = self.start.clone();
        self.move_to(self.working_pa, 0.0);
        self.extra_resistance = self.working_pa / flow_m3_s - self.resistance;
    }

    /// The high point is full again.
    pub(crate) fn be_full(&mut self) {
        self.state = MainState::Full;
    }

    #[inline]
    pub(crate) fn advance(&mut self, dt: f64, level: usize) {
        self.wander_at = (self.wander_at + dt / MINUTE_S).min(1.0);
        self.wander_pa = self.wander.0 + (self.wander.1 - self.wander.0) * self.wander_at;
        if let Some(pace) = &self.shift_pace {
            self.shift_pa += pace.gone[level] * (self.shift_to_pa - self.shift_pa);
            self.wander_pa += self.shift_pa;
        }
        if self.is_moving() {
            self.departure_pa *= self.fall.left[level];
            let (re, im) = self.oscillation;
            let (c, s) = self.rotation.factor[level];
            self.oscillation = (re * c - im * s, re * s + im * c);
            if self.departure_pa.abs() < 5.0 && self.swing_pa() < 5.0 {
                self.departure_pa = 0.0;
                self.oscillation = (0.0, 0.0);
            }
        }
        if self.state == MainState::Full && self.extra_resistance != 0.0 {
            // The column takes up its speed: the resistance of the fill fades within a few reflections.
            self.extra_resistance *= self.reflections.left[level];
            if self.extra_resistance.abs() < 1e-3 * self.resistance {
                self.extra_resistance = 0.0;
            }
        }
        let wander_pa = if self.state == MainState::Full { self.wander_pa } else { 0.0 };
        let pressure_pa = self.target_pa + self.departure_pa + self.oscillation.1 + wander_pa;
        self.pressure_pa = pressure_pa.max(SEPARATION_PA);
    }

    pub(crate) fn total_resistance(&self) -> f64 {
        self.resistance + self.extra_resistance
    }

    #[inline]
    pub(crate) fn is_moving(&self) -> bool {
        self.departure_pa != 0.0 || self.oscillation != (0.0, 0.0)
    }

    fn swing_pa(&self) -> f64 {
        self.oscillation.0.abs().max(self.oscillation.1.abs())
    }

    /// Longest step that still follows the pressure, s.
    #[inline]
    pub(crate) fn longest_step_s(&self) -> f64 {
        if !self.is_moving() {
            return f64::INFINITY;
        }
        let moving_pa = self.departure_pa.abs() + self.swing_pa();
        if moving_pa > 1_000.0 { 0.05 } else { 0.25 }
    }
}
