//! Trapped air: a pocket that stands at the high point for minutes, vented or not.

use std::collections::VecDeque;

use airvalve_monitor::{Monitor, SiteData};
use airvalve_site::FindingLimits;

use super::{
    Finding, FindingKind, Judged, View,
    spells::{Figures, Frame, Lengths, SpellFinder},
};
use crate::result::rounded;

/// The line has lost its pressure when it is below the limit by this share of it.
const PRESSURE_DEADBAND: f32 = 0.1;

/// A spell can begin so many frames before it is known to have begun: as many as its means are over.
const MOST_BACK: usize = 11;

/// Air let out by the release orifices so far, at the start and at the last sample of a spell, NL.
#[derive(Clone, Copy, Debug)]
struct Vented {
    first_nl: f64,
    last_nl: f64,
}

impl Figures for Vented {
    fn join(&mut self, later: &Vented) {
        self.last_nl = later.last_nl;
    }
}

pub(super) struct TrappedAir {
    limits: FindingLimits,
    below_pct: f32,
    above_kpa: f32,
    spells: SpellFinder<Vented>,
    /// Air let out before each of the last frames, NL.
    before_nl: VecDeque<f64>,
    so_far_nl: f64,
}

impl TrappedAir {
    pub(super) fn new(limits: &FindingLimits, site: &SiteData, period_us: i64) -> TrappedAir {
        let lengths = Lengths { least_s: limits.trapped_s, join_s: limits.join_s, period_us };
        TrappedAir {
            limits: *limits,
            below_pct: site.small.opens_below_pct,
            above_kpa: limits.trapped_share_of_static * site.static_kpa,
            spells: SpellFinder::new(lengths),
            before_nl: VecDeque::new(),
            so_far_nl: 0.0,
        }
    }

    pub(super) fn frame(&mut self, frame: &Frame, monitor: &Monitor) {
        let (below_pct, above_kpa) = (self.below_pct, self.above_kpa);
        let deadband_pct = self.limits.trapped_deadband_pct;
        let deadband_kpa = (PRESSURE_DEADBAND * above_kpa).max(1.0);
        let margin = |view: &View| {
            let of_float = (below_pct - view.float_pct) / deadband_pct;
            let of_pressure = (view.pressure_kpa - above_kpa) / deadband_kpa;
            // Not `min`, which takes one for both where the other is not known.
            if of_float < of_pressure || of_float.is_nan() { of_float } else { of_pressure }
        };
        if self.before_nl.len() >= MOST_BACK {
            self.before_nl.pop_front();
        }
        self.before_nl.push_back(self.so_far_nl);
        self.so_far_nl = vented_nl(monitor);
        let vented = Vented { first_nl: self.before_nl.front().copied().unwrap_or_default(), last_nl: self.so_far_nl };
        self.spells.frame(frame, margin, || vented);
    }

    pub(super) fn pause(&mut self) {
        self.spells.pause();
    }

    pub(super) fn gap(&mut self) {
        self.spells.gap();
    }

    pub(super) fn finish(self) -> (Option<Judged>, Vec<Finding>) {
        let threshold = format!(
            "float below {:.0} % for {:.0} min, chamber above {:.0} kPa",
            self.below_pct,
            self.limits.trapped_s / 60.0,
            self.above_kpa
        );
        let judged = self.spells.has_judged().then(|| Judged::new(FindingKind::TrappedAir, &threshold));
        let spells = self.spells.finish().into_iter();
        let findings = spells.map(|spell| {
            let vented_nl = rounded((spell.figures.last_nl - spell.figures.first_nl).max(0.0));
            let detail = format!("air stood at the high point; at most {vented_nl:.0} NL can have left meanwhile");
            let finding = Finding::new(FindingKind::TrappedAir, &spell, detail, &threshold);
            Finding { vented_nl: Some(vented_nl), ..finding }
        });
        (judged, findings.collect())
    }
}

/// Air let out through the release orifices so far, NL, the release that goes on included.
fn vented_nl(monitor: &Monitor) -> f64 {
    let totals = monitor.totals();
    let done_nl = totals.small_out.as_nl() + totals.second_out.as_nl() + totals.release_unconfirmed.as_nl();
    done_nl + f64::from(monitor.open_release_nl())
}
