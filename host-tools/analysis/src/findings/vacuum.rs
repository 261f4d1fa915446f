//! Vacuum: the chamber below atmosphere for seconds; air should have come in.
//!
//! The zero of a transmitter can be larger than a vacuum, and is often learned only when the body has stood at atmosphere
//! for a minute, after the vacuum that emptied it. Until then low readings are kept back and judged by the learned zero.

use airvalve_monitor::{Learned, SiteData};

use super::{
    Finding, FindingKind, FindingLimits, View,
    spells::{Figures, SpellFinder},
};
use crate::time::Time;

/// Most readings that are kept back; more than this many low ones are judged as they come.
const MOST_KEPT: usize = 1 << 18;
/// A zero counts as learned when its standard uncertainty is below this share of what the data sheet gives.
const LEARNED_SHARE: f32 = 0.5;

#[derive(Clone, Copy, Debug)]
struct Depth {
    least_kpa: f32,
    zero_uncertainty_kpa: f32,
}

impl Figures for Depth {
    fn join(&mut self, later: &Depth) {
        if later.least_kpa < self.least_kpa {
            *self = *later;
        }
    }
}

pub(super) struct Vacuum {
    limits: FindingLimits,
    spells: SpellFinder<Depth>,
    learned_below_kpa: f32,
    /// Readings above this are no vacuum, whatever the zero.
    surely_above_kpa: f32,
    is_zero_learned: bool,
    /// Moments and readings, not corrected.
    kept: Vec<(i64, f32)>,
    is_low: bool,
    last: (f32, f32),
}

impl Vacuum {
    pub(super) fn new(limits: &FindingLimits, site: &SiteData, start: &Learned, period_us: i64) -> Vacuum {
        let sheet_kpa = site.zero_uncertainty_kpa();
        Vacuum {
            limits: *limits,
            spells: SpellFinder::new(limits.vacuum_s, limits.join_s, period_us),
            learned_below_kpa: LEARNED_SHARE * sheet_kpa,
            surely_above_kpa: 3.0 * sheet_kpa - limits.vacuum_kpa,
            is_zero_learned: start.zero_uncertainty_kpa < LEARNED_SHARE * sheet_kpa,
            kept: Vec::new(),
            is_low: false,
            last: (start.zero_kpa, start.zero_uncertainty_kpa),
        }
    }

    #[inline(always)]
    pub(super) fn step(&mut self, view: &View) {
        if self.is_zero_learned {
            self.judge(view.moment_us, view.pressure_kpa, view.zero_uncertainty_kpa);
        } else {
            self.keep(view);
        }
    }

    #[inline(always)]
    fn judge(&mut self, moment_us: i64, pressure_kpa: f32, zero_uncertainty_kpa: f32) {
        if pressure_kpa.is_nan() {
            self.spells.skip(moment_us);
            return;
        }
        let is_inside = pressure_kpa < -self.limits.vacuum_kpa;
        self.spells.step(moment_us, is_inside, || Depth { least_kpa: pressure_kpa, zero_uncertainty_kpa });
    }

    fn keep(&mut self, view: &View) {
        let reading_kpa = view.pressure_kpa + view.zero_kpa;
        let is_low = reading_kpa <= self.surely_above_kpa;
        // The first reading after a low one ends a spell, and is kept too.
        if is_low || self.is_low {
            self.kept.push((view.moment_us, reading_kpa));
        }
        self.is_low = is_low;
        self.last = (view.zero_kpa, view.zero_uncertainty_kpa);
        self.is_zero_learned = view.zero_uncertainty_kpa < self.learned_below_kpa;
        if self.is_zero_learned || self.kept.len() >= MOST_KEPT {
            self.judge_kept();
        }
    }

    #[cold]
    fn judge_kept(&mut self) {
        let (zero_kpa, zero_uncertainty_kpa) = self.last;
        for (moment_us, reading_kpa) in std::mem::take(&mut self.kept) {
            self.judge(moment_us, reading_kpa - zero_kpa, zero_uncertainty_kpa);
        }
    }

    pub(super) fn finish(mut self) -> Vec<Finding> {
        self.judge_kept();
        let threshold = format!("below -{} kPa for {} s", self.limits.vacuum_kpa, self.limits.vacuum_s);
        let spells = self.spells.finish().into_iter();
        spells
            .map(|spell| {
                let Depth { least_kpa, zero_uncertainty_kpa } = spell.figures;
                let resolved = -least_kpa > 3.0 * zero_uncertainty_kpa;
                let doubt = if resolved { "" } else { "; the transmitter's zero is not known well enough to be sure" };
                Finding {
                    kind: FindingKind::Vacuum,
                    from: Time(spell.from_us),
                    to: Time(spell.to_us),
                    detail: format!("chamber pressure down to {least_kpa:.1} kPa{doubt}"),
                    threshold: threshold.clone(),
                    severe: false,
                    resolved,
                    vented_nl: None,
                    alarms: Vec::new(),
                }
            })
            .collect()
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;

    /// Ten samples a second: readings, and the zero that is known with each.
    fn findings(readings: impl Iterator<Item = (f32, f32, f32)>) -> Vec<Finding> {
        let site = airvalve_site::Site::parse(&airvalve_site::template(), "valve-a.toml").unwrap();
        let detector = site.detector(|_| true);
        let start = Learned::from_data_sheet(&detector);
        let mut vacuum = Vacuum::new(&FindingLimits::default(), &detector, &start, 100_000);
        for (place, (reading_kpa, zero_kpa, zero_uncertainty_kpa)) in readings.enumerate() {
            vacuum.step(&View {
                moment_us: place as i64 * 100_000,
                float_pct: 50.0,
                pressure_kpa: reading_kpa - zero_kpa,
                zero_kpa,
                zero_uncertainty_kpa,
                odour_ppm: f32::NAN,
            });
        }
        vacuum.finish()
    }

    #[test]
    fn a_zero_that_is_learned_later_makes_no_vacuum() {
        let before = (0..1200).map(|_| (-12.0, 0.0, 9.8));
        let after = (0..600).map(|_| (-12.0, -12.0, 0.5));
        assert_eq!(findings(before.chain(after)), []);
    }

    #[test]
    fn a_vacuum_before_the_zero_is_learned_is_found_in_its_whole_length() {
        let vacuum = (0..60).map(|_| (-4.0, 0.0, 9.8));
        let empty = (0..700).map(|_| (4.2, 0.0, 9.8));
        let learned = (0..100).map(|_| (4.2, 4.2, 0.5));
        let found = findings(vacuum.chain(empty).chain(learned));
        assert_eq!(found.len(), 1);
        assert_eq!((found[0].from, found[0].to), (Time(0), Time(5_900_000)));
        assert!(found[0].resolved);
    }

    #[test]
    fn a_vacuum_smaller_than_three_uncertainties_is_not_resolved() {
        let found = findings((0..60).map(|_| (-12.0, 0.0, 9.8)));
        assert!(found.iter().all(|finding| !finding.resolved) && found.len() == 1);
    }
}
