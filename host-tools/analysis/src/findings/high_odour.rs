//! High odour: hydrogen sulphide in the vault above a limit for a minute.

use airvalve_site::FindingLimits;

use super::{
    Finding, FindingKind, Judged, View,
    spells::{Figures, Frame, Lengths, SpellFinder},
};

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
        let lengths = Lengths { least_s: limits.odour_s, join_s: limits.odour_join_s, period_us };
        HighOdour { limits: *limits, spells: SpellFinder::new(lengths), severe: SpellFinder::new(lengths) }
    }

    pub(super) fn frame(&mut self, frame: &Frame) {
        // At the limit counts as inside.
        let margin = |limit_ppm: f32| {
            let deadband_ppm = self.limits.odour_deadband_ppm;
            move |view: &View| (view.odour_ppm - limit_ppm.next_down()) / deadband_ppm
        };
        let greatest = || Greatest(frame.mean.odour_ppm);
        self.spells.frame(frame, margin(self.limits.odour_ppm), greatest);
        self.severe.frame(frame, margin(self.limits.odour_severe_ppm), greatest);
    }

    pub(super) fn pause(&mut self) {
        self.spells.pause();
        self.severe.pause();
    }

    pub(super) fn gap(&mut self) {
        self.spells.gap();
        self.severe.gap();
    }

    pub(super) fn finish(self) -> (Option<Judged>, Vec<Finding>) {
        let limits = self.limits;
        let threshold =
            format!("{} ppm for {} s; severe at {} ppm", limits.odour_ppm, limits.odour_s, limits.odour_severe_ppm);
        let judged = self.spells.has_judged().then(|| Judged::new(FindingKind::HighOdour, &threshold));
        let severe = self.severe.finish();
        let spells = self.spells.finish().into_iter();
        let findings = spells.map(|spell| Finding {
            severe: severe.iter().any(|other| other.from_us <= spell.to_us && other.to_us >= spell.from_us),
            ..Finding::new(
                FindingKind::HighOdour,
                &spell,
                format!("hydrogen sulphide up to {:.0} ppm at the vent", spell.figures.0),
                &threshold,
            )
        });
        (judged, findings.collect())
    }
}
