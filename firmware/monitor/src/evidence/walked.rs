//! Where releases begin and end, against where they usually do.
//!
//! An orifice opens and closes where it is built to: when several releases in a row lie elsewhere, all to one side, it is
//! the float's reading that has walked.

use airvalve_sensors::Channel;

use super::{Context, fouling};
use crate::{
    learned::{Baseline, Learned, same_side},
    release::Cycle,
};

/// Releases in a row. Source: the project's goals, a drift is asked for after three releases.
const RELEASES: usize = 3;
/// Releases before a usual position is known.
const LEAST_CYCLES: f32 = 4.0;
/// A position is elsewhere when it is off by so many accuracies of the transmitter, and by so many of its own deviations.
const ELSEWHERE_ACCURACIES: f32 = 5.0;
const ELSEWHERE_DEVIATIONS: f32 = 4.0;
/// After a pressure step a release begins in mid-movement, and where it ends is known less well by this factor.
const AFTER_STEP: f32 = 1.5;

/// The last releases.
#[derive(Clone, Debug, Default)]
pub(super) struct Walked {
    /// How far off each was, signed, 1 at the limit.
    last: [f32; RELEASES],
}

impl Walked {
    /// Takes a release of the small orifice that was seen whole.
    pub(super) fn cycle(&mut self, cycle: &Cycle, learned: &Learned, context: &Context) {
        let accuracy_pct = context.site.accuracy(Channel::FloatPosition);
        let off = |pct: f32, usual: &Baseline| {
            let limit_pct = (ELSEWHERE_ACCURACIES * accuracy_pct).max(ELSEWHERE_DEVIATIONS * usual.deviation);
            if usual.weight < LEAST_CYCLES { 0.0 } else { (pct - usual.mean) / limit_pct }
        };
        let off = if !cycle.is_near_step {
            same_side(off(cycle.start_pct, &learned.opens_pct), off(cycle.end_pct, &learned.closes_pct))
        } else if fouling::is_slower(learned, context.settings) {
            0.0
        } else {
            off(cycle.end_pct, &learned.closes_after_step_pct) / AFTER_STEP
        };
        self.last.rotate_right(1);
        if let Some(newest) = self.last.first_mut() {
            *newest = off;
        }
    }

    /// How far all of them lie to one side, 1 at the limit.
    pub(super) fn evidence(&self) -> f32 {
        let [first, second, third] = self.last;
        libm::fabsf(same_side(same_side(first, second), third))
    }
}
