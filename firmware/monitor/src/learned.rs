//! What the device has learned about its own valve: kept over a restart, carried in recordings.

use serde::{Deserialize, Serialize};

use crate::site::SiteData;

/// A feature of the valve: its baseline (how it was when it was learned) and its recent value.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Baseline {
    /// Mean while the baseline was learned.
    pub mean: f32,
    /// Standard deviation of single values around it.
    pub deviation: f32,
    /// Values seen, stops at 65535.
    pub count: u16,
    /// Exponentially weighted recent value.
    pub recent: f32,
}

impl Baseline {
    /// Takes one more value; the first `baseline_count` make the baseline, after that it stands.
    pub fn add(&mut self, value: f32, baseline_count: f32, recent_count: f32) {
        if !value.is_finite() {
            return;
        }
        self.count = self.count.saturating_add(1);
        let n = f32::from(self.count);
        if n <= baseline_count {
            // Welford's running mean and deviation.
            let off = value - self.mean;
            self.mean += off / n;
            let variance = self.deviation * self.deviation;
            self.deviation = libm::sqrtf((variance + (off * (value - self.mean) - variance) / n).max(0.0));
        }
        // Plain mean until enough values are there, then exponential.
        let share = 1.0 / n.min(recent_count.max(1.0));
        self.recent += (value - self.recent) * share;
    }

    /// Whether there are enough values for a baseline.
    pub fn is_learned(&self, baseline_count: f32) -> bool {
        f32::from(self.count) >= baseline_count
    }
}

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
    /// Float position at rest shortly after a release, %.
    pub rest_pct: Baseline,
    /// Displacement over orifice estimate.
    pub area_ratio: Baseline,
    /// Air arriving while sealed and the pump runs, NL/s.
    pub arrival_nl_s: Baseline,
    /// Pump-running time from cycle to cycle, s.
    pub interval_s: Baseline,
    /// Answer of the float to pressure steps, share of what physics asks.
    pub answer: Baseline,
    /// Share of that answer that comes late.
    pub late_answer: Baseline,
    /// Largest jump of a still float between cycles, %.
    pub jump_pct: Baseline,
    /// Odour between pulses, ppm.
    pub odour_base_ppm: Baseline,
    /// Height of odour pulses above that, ppm.
    pub odour_pulse_ppm: Baseline,
    /// Chamber pressure with the pump running, kPa.
    pub running_kpa: Baseline,
    /// Chamber pressure with the pump stopped, kPa.
    pub stopped_kpa: Baseline,
}

impl Learned {
    /// Nothing learned yet: only the data sheet.
    pub fn from_data_sheet(site: &SiteData) -> Learned {
        let none = Baseline::default();
        Learned {
            zero_kpa: 0.0,
            zero_uncertainty_kpa: site.zero_uncertainty_kpa(),
            opens_pct: none,
            closes_pct: none,
            rest_pct: none,
            area_ratio: none,
            arrival_nl_s: none,
            interval_s: none,
            answer: none,
            late_answer: none,
            jump_pct: none,
            odour_base_ppm: none,
            odour_pulse_ppm: none,
            running_kpa: none,
            stopped_kpa: none,
        }
    }
}
