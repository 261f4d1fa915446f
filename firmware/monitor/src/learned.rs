//! What the device has learned about its own valve: kept over a restart, carried in recordings.

use serde::{Deserialize, Serialize};

use crate::site::SiteData;

/// Sealed time before a usual pressure is known, min: many pumps run for a few minutes at a time only.
const LEAST_STOPPED_MIN: f32 = 20.0;
const LEAST_RUNNING_MIN: f32 = 3.0;
/// With the pump running the pressure has gone the other way by this share.
const OPPOSITE: f32 = 0.3;

/// A feature of the valve: its baseline (how it was when it was learned) and its recent value.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Baseline {
    /// Mean while the baseline was learned.
    pub mean: f32,
    /// Standard deviation of single values around it.
    pub deviation: f32,
    /// Values seen, or minutes where values are weighted by their length.
    pub weight: f32,
    /// Exponentially weighted recent value.
    pub recent: f32,
}

impl Baseline {
    /// Takes one more value; the first `baseline_weight` make the baseline, after that it stands.
    pub fn add(&mut self, value: f32, baseline_weight: f32, recent_weight: f32) {
        self.add_weighted(value, 1.0, baseline_weight, recent_weight);
    }

    /// Takes one more value that counts `weight` times.
    // Not inlined: it stands in two dozen places, and a device's flash is small.
    #[inline(never)]
    pub fn add_weighted(&mut self, value: f32, weight: f32, baseline_weight: f32, recent_weight: f32) {
        if !value.is_finite() || weight <= 0.0 {
            return;
        }
        self.weight += weight;
        if self.weight <= baseline_weight {
            // Welford's running mean and deviation.
            let share = weight / self.weight;
            let off = value - self.mean;
            self.mean += off * share;
            let variance = self.deviation * self.deviation;
            self.deviation = libm::sqrtf((variance + (off * (value - self.mean) - variance) * share).max(0.0));
        }
        // Plain mean until enough values are there, then exponential.
        let share = (weight / self.weight.min(recent_weight.max(weight))).min(1.0);
        self.recent += (value - self.recent) * share;
    }
}

impl Baseline {
    /// Takes one more value of a quantity that scatters much: the recent value is averaged over so many that its error is
    /// `error`, from `recent_weight` to [`MOST_RECENT`].
    pub fn add_scattered(&mut self, value: f32, baseline_weight: f32, recent_weight: f32, error: f32) {
        let needed = self.recent_weight(recent_weight, error);
        self.add(value, baseline_weight, needed);
    }

    /// Over how many values the recent one is averaged for this error.
    pub fn recent_weight(&self, least: f32, error: f32) -> f32 {
        let deviations = self.deviation / error;
        // No `clamp`: it panics where a limit is NaN.
        (deviations * deviations).max(least).min(least.max(MOST_RECENT))
    }
}

/// Most values over which a recent value is averaged.
const MOST_RECENT: f32 = 64.0;

/// Everything learned.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Learned {
    /// Reading of the pressure channel at atmosphere, kPa.
    pub zero_kpa: f32,
    /// Standard uncertainty of that, kPa.
    pub zero_uncertainty_kpa: f32,
    /// Float position at which the small orifice opens, %.
    pub opens_pct: Baseline,
    /// Float position at which it has closed, %.
    pub closes_pct: Baseline,
    /// The same of cycles within a minute of a pressure step.
    pub closes_after_step_pct: Baseline,
    /// Displacement over orifice estimate.
    pub area_ratio: Baseline,
    /// Open time over the time that the clean orifice would need.
    pub slowness: Baseline,
    /// The same of cycles within a minute of a pressure step, to be held against each other only.
    pub slowness_after_step: Baseline,
    /// Air arriving while sealed, net of leaks, with the pump running, NL/s; weighted in minutes.
    pub arrival_running_nl_s: Baseline,
    /// The same with the pump stopped.
    pub arrival_stopped_nl_s: Baseline,
    /// Answer of the float to pressure steps, share of what physics asks.
    pub answer: Baseline,
    /// Air space at those tests, strokes.
    pub tested_space: Baseline,
    /// Share of that answer that comes late.
    pub late_answer: Baseline,
    /// How far a float that rests stands off from where a free one would before it moves, % of stroke.
    pub stick_pct: Baseline,
    /// Odour just before releases, ppm.
    pub odour_base_ppm: Baseline,
    /// Share of releases that showed an odour pulse.
    pub odour_pulse_seen: Baseline,
    /// Height of odour pulses above the odour before them, ppm.
    pub odour_pulse_ppm: Baseline,
    /// Chamber pressure with the pump running, kPa; weighted in minutes.
    pub running_kpa: Baseline,
    /// Chamber pressure with the pump stopped, kPa.
    pub stopped_kpa: Baseline,
    /// What the main itself has added to that suddenly since it was learned, kPa.
    pub shifted_kpa: f32,
    /// How far the chamber lies below the line while nothing moves, kPa; weighted in minutes.
    pub below_line_kpa: Baseline,
}

impl Learned {
    /// Air that usually arrives while sealed, over both states of the pump, NL/s; `None` before an hour of it was seen.
    pub fn usual_arrival_nl_s(&self) -> Option<f32> {
        let (running, stopped) = (&self.arrival_running_nl_s, &self.arrival_stopped_nl_s);
        let minutes = running.weight + stopped.weight;
        (minutes >= 60.0).then(|| (running.mean * running.weight + stopped.mean * stopped.weight).max(0.0) / minutes)
    }

    /// Above this chamber pressure a pump runs, kPa: halfway between the two usual ones, which follow a reading that drifts.
    pub fn pump_above_kpa(&self, site: &SiteData) -> f32 {
        let (running, stopped) = (&self.running_kpa, &self.stopped_kpa);
        let are_known = running.weight.min(stopped.weight) >= LEAST_RUNNING_MIN && running.recent > stopped.recent;
        0.5 * if are_known { running.recent + stopped.recent } else { site.working_kpa + site.static_kpa }
    }

    /// How far the usual pressure at rest has walked, kPa, beside what the main has added suddenly; 0 before it is known, and
    /// where the pressure with the pump running has gone the other way.
    pub fn rest_walk_kpa(&self) -> f32 {
        let (stopped, running) = (&self.stopped_kpa, &self.running_kpa);
        if stopped.weight < LEAST_STOPPED_MIN {
            return 0.0;
        }
        let walked_kpa = stopped.recent - stopped.mean - self.shifted_kpa;
        let running_kpa = if running.weight < LEAST_RUNNING_MIN { 0.0 } else { running.recent - running.mean };
        if running_kpa * walked_kpa < -OPPOSITE * walked_kpa * walked_kpa { 0.0 } else { walked_kpa }
    }

    /// How far both usual pressures have walked together, kPa: more likely the transmitter's doing than the main's.
    pub fn pressure_walk_kpa(&self) -> f32 {
        let running = &self.running_kpa;
        if running.weight < LEAST_STOPPED_MIN {
            return 0.0;
        }
        same_side(running.recent - running.mean, self.rest_walk_kpa())
    }

    /// Nothing learned yet: only the data sheet.
    pub fn from_data_sheet(site: &SiteData) -> Learned {
        let none = Baseline::default();
        Learned {
            zero_kpa: 0.0,
            zero_uncertainty_kpa: site.zero_uncertainty_kpa(),
            opens_pct: none,
            closes_pct: none,
            closes_after_step_pct: none,
            area_ratio: none,
            slowness: none,
            slowness_after_step: none,
            arrival_running_nl_s: none,
            arrival_stopped_nl_s: none,
            answer: none,
            tested_space: none,
            late_answer: none,
            stick_pct: none,
            odour_base_ppm: none,
            odour_pulse_seen: none,
            odour_pulse_ppm: none,
            running_kpa: none,
            stopped_kpa: none,
            shifted_kpa: 0.0,
            below_line_kpa: none,
        }
    }
}

/// The smaller of two that lie on the same side of zero, else 0.
pub(crate) fn same_side(a: f32, b: f32) -> f32 {
    if a * b <= 0.0 {
        0.0
    } else if libm::fabsf(a) < libm::fabsf(b) {
        a
    } else {
        b
    }
}
