//! Vacuum: the chamber below atmosphere for seconds; air should have come in.

use super::{
    Finding, FindingKind, FindingLimits, View,
    spells::{Figures, SpellFinder},
};
use crate::time::Time;

#[derive(Clone, Copy, Debug)]
struct Least(f32);

impl Figures for Least {
    fn join(&mut self, later: &Least) {
        self.0 = self.0.min(later.0);
    }
}

pub(super) struct Vacuum {
    limits: FindingLimits,
    spells: SpellFinder<Least>,
}

impl Vacuum {
    pub(super) fn new(limits: &FindingLimits, period_us: i64) -> Vacuum {
        Vacuum { limits: *limits, spells: SpellFinder::new(limits.vacuum_s, limits.join_s, period_us) }
    }

    #[inline(always)]
    pub(super) fn step(&mut self, view: &View) {
        if view.pressure_kpa.is_nan() {
            self.spells.skip(view.moment_us);
            return;
        }
        let is_inside = view.pressure_kpa < -self.limits.vacuum_kpa;
        self.spells.step(view.moment_us, is_inside, || Least(view.pressure_kpa));
    }

    pub(super) fn finish(self) -> Vec<Finding> {
        let threshold = format!("below -{} kPa for {} s", self.limits.vacuum_kpa, self.limits.vacuum_s);
        let spells = self.spells.finish().into_iter();
        spells
            .map(|spell| Finding {
                kind: FindingKind::Vacuum,
                from: Time(spell.from_us),
                to: Time(spell.to_us),
                detail: format!("chamber pressure down to {:.1} kPa", spell.figures.0),
                threshold: threshold.clone(),
                severe: false,
                vented_nl: None,
                alarms: Vec::new(),
            })
            .collect()
    }
}
