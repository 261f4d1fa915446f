//! High odour: hydrogen sulphide in the vault above a limit for a minute.

use super::{
    Finding, FindingKind, FindingLimits, View,
    spells::{Figures, SpellFinder},
};
use crate::time::Time;

#[derive(Clone, Copy, Debug)]
struct Greatest(f32);

impl Figures for Greatest {
    fn join(&mut self, later: &Greatest) {
        self.0 = self.0.max(later.0);
    }
}

pub(super) struct HighOdour {
    limits: FindingLimits,
    spells: SpellFinder<Greatest>,
    severe: SpellFinder<Greatest>,
}

impl HighOdour {
    pub(super) fn new(limits: &FindingLimits, period_us: i64) -> HighOdour {
        let finder = || SpellFinder::new(limits.odour_s, limits.odour_join_s, period_us);
        HighOdour { limits: *limits, spells: finder(), severe: finder() }
    }

    #[inline(always)]
    pub(super) fn step(&mut self, view: &View) {
        let odour_ppm = view.odour_ppm;
        if odour_ppm.is_nan() {
            self.spells.skip(view.moment_us);
            self.severe.skip(view.moment_us);
            return;
        }
        self.spells.step(view.moment_us, odour_ppm >= self.limits.odour_ppm, || Greatest(odour_ppm));
        self.severe.step(view.moment_us, odour_ppm >= self.limits.odour_severe_ppm, || Greatest(odour_ppm));
    }

    pub(super) fn finish(self) -> Vec<Finding> {
        let limits = self.limits;
        let threshold =
            format!("{} ppm for {} s; severe at {} ppm", limits.odour_ppm, limits.odour_s, limits.odour_severe_ppm);
        let severe = self.severe.finish();
        let spells = self.spells.finish().into_iter();
        spells
            .map(|spell| Finding {
                kind: FindingKind::HighOdour,
                from: Time(spell.from_us),
                to: Time(spell.to_us),
                detail: format!("hydrogen sulphide up to {:.0} ppm at the vent", spell.figures.0),
                threshold: threshold.clone(),
                severe: severe.iter().any(|other| other.from_us <= spell.to_us && other.to_us >= spell.from_us),
                resolved: true,
                vented_nl: None,
                alarms: Vec::new(),
            })
            .collect()
    }
}
