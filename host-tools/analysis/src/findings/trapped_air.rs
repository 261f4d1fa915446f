//! Trapped air: a pocket that stands at the high point for minutes, vented or not.

use airvalve_monitor::{Monitor, SiteData};

use super::{
    Finding, FindingKind, FindingLimits, View,
    spells::{Figures, SpellFinder},
};
use crate::{result::rounded, time::Time};

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
}

impl TrappedAir {
    pub(super) fn new(limits: &FindingLimits, site: &SiteData, period_us: i64) -> TrappedAir {
        TrappedAir {
            limits: *limits,
            below_pct: site.small.opens_below_pct,
            above_kpa: limits.trapped_share_of_static * site.static_kpa,
            spells: SpellFinder::new(limits.trapped_s, limits.join_s, period_us),
        }
    }

    #[inline(always)]
    pub(super) fn step(&mut self, view: &View, monitor: &Monitor) {
        if view.pressure_kpa.is_nan() || view.float_pct.is_nan() {
            self.spells.skip(view.moment_us);
            return;
        }
        let is_inside = view.float_pct < self.below_pct && view.pressure_kpa > self.above_kpa;
        self.spells.step(view.moment_us, is_inside, || {
            let so_far_nl = vented_nl(monitor);
            Vented { first_nl: so_far_nl, last_nl: so_far_nl }
        });
    }

    pub(super) fn finish(self) -> Vec<Finding> {
        let threshold = format!(
            "float below {:.0} % for {:.0} min, chamber above {:.0} kPa",
            self.below_pct,
            self.limits.trapped_s / 60.0,
            self.above_kpa
        );
        let spells = self.spells.finish().into_iter();
        spells
            .map(|spell| {
                let vented_nl = rounded((spell.figures.last_nl - spell.figures.first_nl).max(0.0));
                Finding {
                    kind: FindingKind::TrappedAir,
                    from: Time(spell.from_us),
                    to: Time(spell.to_us),
                    detail: format!("air stood at the high point; at most {vented_nl:.0} NL can have left meanwhile"),
                    threshold: threshold.clone(),
                    severe: false,
                    resolved: true,
                    vented_nl: Some(vented_nl),
                    alarms: Vec::new(),
                }
            })
            .collect()
    }
}

/// Air let out through the release orifices so far, NL, the release that goes on included.
fn vented_nl(monitor: &Monitor) -> f64 {
    let totals = monitor.totals();
    let done_nl = totals.small_out.as_nl() + totals.second_out.as_nl() + totals.release_unconfirmed.as_nl();
    done_nl + f64::from(monitor.open_release_nl())
}
