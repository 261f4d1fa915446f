//! Finds the release cycles and measures each of them twice: by the orifice and by displacement.
//!
//! The air content `n = p V(x)` of the body is what tells a release: it falls only when air leaves, while a pressure
//! step moves float and pressure and leaves it as it is. Below the stroke (float at the bottom) it is blind; there the
//! position alone says that the orifice is open, and the cycle counts as confirmed when the float rises again.

mod trace;
mod tracker;

pub use tracker::ReleaseTracker;

/// Below this float position the displacement is blind, %.
pub const BLIND_BELOW_PCT: f32 = 2.0;

/// Air may arrive at this many times its usual rate where only a bound is known.
pub const ARRIVAL_FACTOR: f32 = 3.0;

/// A finished release cycle.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Cycle {
    /// First release orifice open, Unix microseconds.
    pub from_us: i64,
    /// All closed, Unix microseconds.
    pub to_us: i64,
    /// Air let out by the orifice estimate, NL, small orifice and second stage.
    pub orifice_nl: [f32; 2],
    /// Air let out by the displacement estimate, NL; NaN where it is blind.
    pub displacement_nl: f32,
    /// Displacement over orifice estimate; NaN where it was not judged.
    pub area_ratio: f32,
    /// Open time over the time that the clean orifice would need for the air that left; NaN where it was not judged. Of a
    /// single short release it says little, its mean over many is right.
    pub slowness: f32,
    /// Best estimate, NL, small orifice and second stage: by displacement; where that is blind, by the orifice and the
    /// area ratio learned; near a pressure step, halfway between the two.
    pub best_nl: [f32; 2],
    /// Float position at which it began and ended, %.
    pub start_pct: f32,
    /// Float position at which it ended, %.
    pub end_pct: f32,
    /// The content fell and the float rose again: air has left for sure.
    pub is_confirmed: bool,
    /// A pressure step lay within a minute before it: kept out of the area ratio.
    pub is_near_step: bool,
}

/// One conditioned sample, as the tracker needs it.
#[derive(Clone, Copy, Debug)]
pub struct ReleaseInput {
    /// Unix time, microseconds.
    pub time_us: i64,
    /// Since the sample before, s.
    pub dt_s: f32,
    /// Float position, %.
    pub float_pct: f32,
    /// Chamber pressure, zero-corrected, kPa gauge.
    pub pressure_kpa: f32,
    /// Air temperature, K.
    pub temperature_k: f32,
    /// Standard deviation of the content from the noise of float and pressure, NL.
    pub content_noise_nl: f32,
    /// Air arriving, NL/s, from the sealed time before.
    pub arrival_nl_s: f32,
    /// Air that usually arrives, NL/s; huge before it is known.
    pub usual_arrival_nl_s: f32,
    /// Time since the last pressure step, s.
    pub since_step_s: f32,
}

impl Cycle {
    /// Settles the best estimate, given the area ratio learned (`None` before there is one).
    pub(crate) fn settle(&mut self, learned_ratio: Option<f32>) {
        let orifice_nl: f32 = self.orifice_nl.iter().sum();
        let displaced = self.displacement_nl / orifice_nl;
        let scale = match learned_ratio {
            _ if orifice_nl <= 0.0 => 1.0,
            None if displaced.is_nan() => 1.0,
            Some(ratio) if displaced.is_nan() => ratio,
            // After a pressure step the gas is colder or warmer than it is taken to be, and the two err against
            // each other.
            Some(ratio) if self.is_near_step => 0.5 * (ratio + displaced),
            _ => displaced,
        };
        self.best_nl = self.orifice_nl.map(|nl| nl * scale);
    }

    /// Best estimate of the air that the cycle let out, NL.
    pub fn released_nl(&self) -> f32 {
        self.best_nl.iter().sum()
    }
}
