//! The main at the high point, as a source of pressure that the riser hangs on.
//!
//! Full: between static and working pressure by the square of the pump's flow, with an elastic mode that each change of
//! the pump excites, and the impedance of the main for what the valve does fast. Draining and filling: a source behind a
//! resistance that passes the event's flow at atmospheric pressure.

use airvalve_simulator::scenario::Scenario;
use airvalve_site::Site;

use crate::random::{Random, Wander};

/// Density of the liquid, kg/m3, and gravity, m/s2.
pub(crate) const WATER_KG_M3: f64 = 1000.0;
pub(crate) const GRAVITY_M_S2: f64 = 9.806_65;
/// Least absolute pressure of the column: it boils. Pa.
const BOILS_PA: f64 = 2000.0;

/// What the main does.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) enum Course {
    Full,
    /// The pressure falls from `from_pa` at `since_s` towards `-drive_pa`.
    Draining {
        since_s: f64,
        from_pa: f64,
        drive_pa: f64,
        fall_s: f64,
        resistance: f64,
        volume_m3: f64,
    },
    /// Drained; the column stands lower.
    Standing,
    Filling {
        resistance: f64,
        flow_m3_s: f64,
    },
}

/// The source that the riser sees over one step.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Source {
    /// At the foot of the riser at no flow, Pa gauge.
    pub(crate) pa: f64,
    /// Pressure lost a squared flow, Pa/(m3/s)2.
    pub(crate) resistance: f64,
    /// Nothing flows.
    pub(crate) is_still: bool,
}

/// The main.
#[derive(Clone, Debug)]
pub(crate) struct Pipe {
    random: Random,
    static_pa: f64,
    swing_pa: f64,
    /// Liquid in riser and body over the foot of the riser, Pa: the site's pressures are those of the chamber.
    head_pa: f64,
    floor_pa: f64,
    resistance: f64,
    surge: Surge,
    start_surge_pa: f64,
    stop_surge_pa: f64,
    wanders: [Wander; 2],
    wander_pa: f64,
    wander_deviation_pa: f64,
    /// Where the pressure stands over the usual one, where that goes, and what is kept of the way in a sample.
    shift_pa: f64,
    shift_to_pa: f64,
    shift_keep: f64,
    usual_swing_pa: f64,
    /// Rise of the next pump to start, over the usual one.
    pub(crate) next_rise: f64,
    pub(crate) course: Course,
}

impl Pipe {
    pub(crate) fn new(
        scenario: &Scenario,
        site: &Site,
        period_s: f64,
        head_m: f64,
        atmosphere_pa: f64,
        seed: u64,
    ) -> Pipe {
        let (plant, pump, line) = (&scenario.plant, &scenario.pump, &site.line);
        let mut random = Random::new(seed, 7);
        let flow_m3_s = 1e-3 * line.flow_l_s;
        let swing_pa = 1e3 * (line.working_kpa - line.static_kpa);
        let losses_pa = swing_pa.max(0.02 * 1e3 * line.working_kpa);
        Pipe {
            static_pa: 1e3 * line.static_kpa,
            swing_pa,
            head_pa: WATER_KG_M3 * GRAVITY_M_S2 * head_m,
            floor_pa: BOILS_PA - atmosphere_pa,
            resistance: losses_pa / (flow_m3_s * flow_m3_s),
            surge: Surge::new(pump.surge_period_s, pump.surge_decay_s),
            start_surge_pa: pump.start_surge_kpa.map_or(0.2 * swing_pa, |kpa| 1e3 * kpa),
            stop_surge_pa: pump.stop_surge_kpa.map_or(0.4 * swing_pa, |kpa| 1e3 * kpa),
            wanders: [Wander::new(120.0, period_s, &mut random), Wander::new(1800.0, period_s, &mut random)],
            wander_pa: 0.0,
            wander_deviation_pa: 1e3 * plant.pressure_wander_kpa,
            shift_pa: 0.0,
            shift_to_pa: 0.0,
            shift_keep: 0.0,
            usual_swing_pa: swing_pa,
            next_rise: 1.0,
            course: Course::Full,
            random,
        }
    }

    /// One sample goes by.
    pub(crate) fn go_on(&mut self) {
        if self.wander_deviation_pa > 0.0 {
            let [fast, slow] = &mut self.wanders;
            let both = 0.6 * fast.go_on(&mut self.random) + 0.8 * slow.go_on(&mut self.random);
            self.wander_pa = self.wander_deviation_pa * both;
        }
        self.shift_pa = self.shift_to_pa + self.shift_keep * (self.shift_pa - self.shift_to_pa);
    }

    /// The source at a time, the pump's flow being `share` of its full one.
    #[inline]
    pub(crate) fn source(&self, t_s: f64, share: f64) -> Source {
        match self.course {
            Course::Full => {
                let level = self.static_pa
                    + self.swing_pa * share * share
                    + self.wander_pa
                    + self.shift_pa
                    + self.surge.at(t_s);
                Source { pa: (level + self.head_pa).max(self.floor_pa), resistance: self.resistance, is_still: false }
            }
            Course::Draining { since_s, from_pa, drive_pa, fall_s, resistance, .. } => {
                let gone = libm::exp(-(t_s - since_s) / fall_s);
                Source { pa: -drive_pa + (from_pa + drive_pa) * gone, resistance, is_still: false }
            }
            Course::Standing => Source { pa: 0.0, resistance: self.resistance, is_still: true },
            Course::Filling { resistance, .. } => {
                Source { pa: self.static_pa + self.swing_pa + self.head_pa, resistance, is_still: false }
            }
        }
    }

    /// A surge that begins upwards (downwards, if negative) with about this amplitude.
    pub(crate) fn strike(&mut self, t_s: f64, amplitude_pa: f64) {
        const SPREAD: f64 = 0.15;
        let amplitude_pa = self.random.log_normal(amplitude_pa, SPREAD);
        self.surge.strike(t_s, amplitude_pa);
    }

    /// The pressure goes to so much over the usual one.
    pub(crate) fn shift(&mut self, by_pa: f64, fall_s: f64, period_s: f64) {
        (self.shift_to_pa, self.shift_keep) = (by_pa, libm::exp(-period_s / fall_s));
    }

    pub(crate) fn pump_starts(&mut self, t_s: f64) {
        self.swing_pa = self.next_rise * self.usual_swing_pa;
        self.strike(t_s, self.start_surge_pa);
    }

    pub(crate) fn pump_stops(&mut self, t_s: f64) {
        self.strike(t_s, -self.stop_surge_pa);
    }

    pub(crate) fn drain(&mut self, t_s: f64, flow_m3_s: f64, drive_pa: f64, fall_s: f64, volume_m3: f64, share: f64) {
        let from_pa = self.source(t_s, share).pa;
        let resistance = drive_pa / (flow_m3_s * flow_m3_s);
        self.course = Course::Draining { since_s: t_s, from_pa, drive_pa, fall_s, resistance, volume_m3 };
    }

    pub(crate) fn fill(&mut self, flow_m3_s: f64) {
        let resistance = (self.static_pa + self.swing_pa + self.head_pa) / (flow_m3_s * flow_m3_s);
        self.surge.still();
        self.course = Course::Filling { resistance, flow_m3_s };
    }
}

/// The main's elastic mode: `e^(-t/decay) (a cos wt + b sin wt)` from `since_s`.
#[derive(Clone, Copy, Debug)]
struct Surge {
    angular_rad_s: f64,
    decay_s: f64,
    since_s: f64,
    a_pa: f64,
    b_pa: f64,
    /// From here it is too small to matter.
    until_s: f64,
}

impl Surge {
    fn new(period_s: f64, decay_s: f64) -> Surge {
        let angular_rad_s = 2.0 * std::f64::consts::PI / period_s;
        Surge { angular_rad_s, decay_s, since_s: 0.0, a_pa: 0.0, b_pa: 0.0, until_s: 0.0 }
    }

    fn at(&self, t_s: f64) -> f64 {
        if t_s >= self.until_s {
            return 0.0;
        }
        let passed_s = t_s - self.since_s;
        let turn = self.angular_rad_s * passed_s;
        libm::exp(-passed_s / self.decay_s) * (self.a_pa * libm::cos(turn) + self.b_pa * libm::sin(turn))
    }

    fn strike(&mut self, t_s: f64, amplitude_pa: f64) {
        const SMALL_PA: f64 = 20.0;
        let (mut a, mut b) = (0.0, 0.0);
        if t_s < self.until_s {
            let passed_s = t_s - self.since_s;
            let turn = self.angular_rad_s * passed_s;
            let (keep, cosine, sine) = (libm::exp(-passed_s / self.decay_s), libm::cos(turn), libm::sin(turn));
            a = keep * (self.a_pa * cosine + self.b_pa * sine);
            b = keep * (self.b_pa * cosine - self.a_pa * sine);
        }
        // The first quarter period damps the first peak already.
        let to_peak_s = 0.25 * 2.0 * std::f64::consts::PI / self.angular_rad_s;
        b += amplitude_pa * libm::exp((to_peak_s / self.decay_s).min(1.0));
        let size = libm::sqrt(a * a + b * b);
        self.until_s = t_s + self.decay_s * libm::log((size / SMALL_PA).max(1.0));
        (self.since_s, self.a_pa, self.b_pa) = (t_s, a, b);
    }

    fn still(&mut self) {
        self.until_s = 0.0;
    }
}
