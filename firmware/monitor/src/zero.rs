//! The reading of the pressure channel at atmosphere, learned whenever the body is known to stand at it.

use airvalve_sensors::{Channel, Span};

use crate::{frame::Frame, learned::Learned, site::SiteData};

/// How long float and pressure must stand still, s.
const STILL_S: f32 = 60.0;
/// Time constant of the zero once they do, s.
const LEARN_S: f32 = 30.0;
/// Float positions up to this count as fully down, %.
const DOWN_PCT: f32 = 5.0;
/// Least standard uncertainty of a learned zero, share of span: drift with temperature between two visits to zero.
const LEAST_UNCERTAINTY_SHARE: f32 = 3e-4;

/// Watches for times at atmosphere.
#[derive(Clone, Copy, Debug)]
pub struct ZeroTracker {
    tolerance_kpa: f32,
    steady_kpa: f32,
    least_uncertainty_kpa: f32,
    still_s: f32,
    ref_pct: f32,
    ref_kpa: f32,
}

impl ZeroTracker {
    /// A tracker that knows the transmitter's tolerance.
    pub fn new(site: &SiteData) -> ZeroTracker {
        let width = site.spans.get(Channel::ChamberPressure).map_or(1.0, Span::width);
        ZeroTracker {
            tolerance_kpa: 0.01 * site.accuracy_pct_span.get(Channel::ChamberPressure) * width,
            steady_kpa: (2e-3 * width).max(0.5),
            least_uncertainty_kpa: (LEAST_UNCERTAINTY_SHARE * width).max(0.05),
            still_s: 0.0,
            ref_pct: 0.0,
            ref_kpa: 0.0,
        }
    }

    /// Float and pressure have stood still at atmosphere for a minute.
    pub fn is_at_rest(&self) -> bool {
        self.still_s >= STILL_S
    }

    /// Whether it stood still meanwhile is not known.
    pub fn after_gap(&mut self) {
        self.still_s = 0.0;
    }

    /// Takes one frame; true when the zero has been corrected.
    ///
    /// A float that is jammed low under pressure teaches nothing: the pressure is then outside the tolerance.
    pub fn frame(&mut self, frame: &Frame, learned: &mut Learned) -> bool {
        let reading_kpa = frame.pressure_kpa + learned.zero_kpa;
        let is_known = learned.zero_uncertainty_kpa < 0.3 * self.tolerance_kpa;
        // Once it is known, a slow leak of vacuum must not pull it away.
        let off_kpa = if is_known { frame.pressure_kpa } else { reading_kpa };
        let allowed_kpa = if is_known { 0.2 * self.tolerance_kpa } else { self.tolerance_kpa };
        let is_quiet = frame.float_pct <= DOWN_PCT
            && libm::fabsf(off_kpa) <= allowed_kpa
            && libm::fabsf(frame.float_pct - self.ref_pct) <= 1.0
            && libm::fabsf(reading_kpa - self.ref_kpa) <= self.steady_kpa;
        if !is_quiet {
            self.still_s = 0.0;
            self.ref_pct = frame.float_pct;
            self.ref_kpa = reading_kpa;
            return false;
        }
        self.still_s += frame.length_s;
        if self.still_s < STILL_S {
            return false;
        }
        let share = if is_known { (frame.length_s / LEARN_S).min(1.0) } else { 1.0 };
        learned.zero_kpa += (reading_kpa - learned.zero_kpa) * share;
        learned.zero_uncertainty_kpa +=
            (self.least_uncertainty_kpa - learned.zero_uncertainty_kpa) * if is_known { share } else { 0.9 };
        true
    }
}
