//! Vacuum: the chamber below atmosphere for seconds; air should have come in.
//!
//! The zero of a transmitter can be larger than a vacuum, and is often learned only when the body has stood at atmosphere
//! for a minute, after the vacuum that emptied it. Until then low readings are kept back and judged by the learned zero.

use airvalve_monitor::{Learned, SiteData};
use airvalve_site::FindingLimits;

use super::{
    Finding, FindingKind, Judged, View,
    spells::{Figures, Frame, Lengths, SpellFinder},
};

/// Most samples that are kept back; when there are more they are judged by the zero that is known then.
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

/// What is kept back until the zero is known.
enum Kept {
    Frame(Vec<View>),
    Pause,
    Gap,
}

pub(super) struct Vacuum {
    limits: FindingLimits,
    spells: SpellFinder<Depth>,
    learned_below_kpa: f32,
    /// Readings above this are no vacuum, whatever the zero.
    surely_above_kpa: f32,
    is_zero_learned: bool,
    kept: Vec<Kept>,
    kept_samples: usize,
    is_low: bool,
    has_judged: bool,
    zero_kpa: f32,
    zero_uncertainty_kpa: f32,
}

impl Vacuum {
    pub(super) fn new(limits: &FindingLimits, site: &SiteData, start: &Learned, period_us: i64) -> Vacuum {
        let sheet_kpa = site.zero_uncertainty_kpa();
        Vacuum {
            limits: *limits,
            spells: SpellFinder::new(Lengths { least_s: limits.vacuum_s, join_s: limits.join_s, period_us }),
            learned_below_kpa: LEARNED_SHARE * sheet_kpa,
            surely_above_kpa: 3.0 * sheet_kpa - limits.vacuum_kpa,
            is_zero_learned: start.zero_uncertainty_kpa < LEARNED_SHARE * sheet_kpa,
            kept: Vec::new(),
            kept_samples: 0,
            is_low: false,
            has_judged: false,
            zero_kpa: start.zero_kpa,
            zero_uncertainty_kpa: start.zero_uncertainty_kpa,
        }
    }

    pub(super) fn frame(&mut self, frame: &Frame) {
        self.has_judged |= !frame.mean.pressure_kpa.is_nan();
        if self.is_zero_learned {
            judge(&mut self.spells, &self.limits, frame);
        } else {
            self.keep(frame);
        }
    }

    pub(super) fn pause(&mut self) {
        if self.kept.is_empty() { self.spells.pause() } else { self.keep_interruption(Kept::Pause) }
    }

    pub(super) fn gap(&mut self) {
        if self.kept.is_empty() { self.spells.gap() } else { self.keep_interruption(Kept::Gap) }
    }

    fn keep_interruption(&mut self, interruption: Kept) {
        match self.kept.last_mut() {
            // What came between two of them was no low frame: that ends a spell, as a gap does.
            Some(last @ (Kept::Pause | Kept::Gap)) => *last = Kept::Gap,
            _ => self.kept.push(interruption),
        }
    }

    /// The transmitter is another one: what was kept back is judged as it is, and the new zero is waited for.
    pub(super) fn begin_anew(&mut self) {
        self.judge_kept();
        self.is_zero_learned = false;
        self.is_low = false;
    }

    fn keep(&mut self, frame: &Frame) {
        let mean = &frame.mean;
        let is_low = mean.pressure_kpa + mean.zero_kpa <= self.surely_above_kpa;
        // The first frame after a low one ends a spell, and is kept too.
        if is_low || self.is_low {
            self.kept.push(Kept::Frame(frame.samples.to_vec()));
            self.kept_samples += frame.samples.len();
        }
        self.is_low = is_low;
        (self.zero_kpa, self.zero_uncertainty_kpa) = (mean.zero_kpa, mean.zero_uncertainty_kpa);
        self.is_zero_learned = mean.zero_uncertainty_kpa < self.learned_below_kpa;
        if self.is_zero_learned || self.kept_samples >= MOST_KEPT {
            self.judge_kept();
        }
    }

    fn judge_kept(&mut self) {
        self.kept_samples = 0;
        for kept in std::mem::take(&mut self.kept) {
            match kept {
                Kept::Pause => self.spells.pause(),
                Kept::Gap => self.spells.gap(),
                Kept::Frame(mut samples) => {
                    for view in &mut samples {
                        view.pressure_kpa += view.zero_kpa - self.zero_kpa;
                        (view.zero_kpa, view.zero_uncertainty_kpa) = (self.zero_kpa, self.zero_uncertainty_kpa);
                    }
                    let frame = Frame { mean: View::mean(&samples), samples: &samples };
                    judge(&mut self.spells, &self.limits, &frame);
                }
            }
        }
    }

    pub(super) fn finish(mut self) -> (Option<Judged>, Vec<Finding>) {
        self.judge_kept();
        let threshold = format!("below -{} kPa for {} s", self.limits.vacuum_kpa, self.limits.vacuum_s);
        let judged = self.has_judged.then(|| Judged::new(FindingKind::Vacuum, &threshold));
        let spells = self.spells.finish().into_iter();
        let findings = spells.map(|spell| {
            let Depth { least_kpa, zero_uncertainty_kpa } = spell.figures;
            let resolved = -least_kpa > 3.0 * zero_uncertainty_kpa;
            let doubt = if resolved { "" } else { "; the transmitter's zero is not known well enough to be sure" };
            let detail = format!("chamber pressure down to {least_kpa:.1} kPa{doubt}");
            Finding { resolved, ..Finding::new(FindingKind::Vacuum, &spell, detail, &threshold) }
        });
        (judged, findings.collect())
    }
}

fn judge(spells: &mut SpellFinder<Depth>, limits: &FindingLimits, frame: &Frame) {
    let (limit_kpa, deadband_kpa) = (-limits.vacuum_kpa, limits.vacuum_deadband_kpa);
    let margin = |view: &View| (limit_kpa - view.pressure_kpa) / deadband_kpa;
    let View { pressure_kpa: least_kpa, zero_uncertainty_kpa, .. } = frame.mean;
    spells.frame(frame, margin, || Depth { least_kpa, zero_uncertainty_kpa });
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;
    use crate::time::Time;

    /// Ten samples a second, before the zero is known.
    fn vacuum() -> Vacuum {
        let site = airvalve_site::Site::parse(&airvalve_site::template(), "valve-a.toml").unwrap();
        let detector = site.detector(|_| true);
        let start = Learned::from_data_sheet(&detector);
        Vacuum::new(&FindingLimits::default(), &detector, &start, 100_000)
    }

    /// Findings in readings, each with the zero that is known with it.
    fn findings(readings: impl Iterator<Item = (f32, f32, f32)>) -> Vec<Finding> {
        let mut vacuum = vacuum();
        let views: Vec<View> = readings
            .enumerate()
            .map(|(place, (reading_kpa, zero_kpa, zero_uncertainty_kpa))| View {
                moment_us: place as i64 * 100_000,
                pressure_kpa: reading_kpa - zero_kpa,
                zero_kpa,
                zero_uncertainty_kpa,
                ..View::NOTHING
            })
            .collect();
        views.chunks(10).for_each(|samples| vacuum.frame(&Frame { mean: View::mean(samples), samples }));
        vacuum.finish().1
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
    fn gaps_without_a_low_reading_between_them_are_kept_as_one() {
        let mut vacuum = vacuum();
        for place in 0..10_000 {
            let pressure_kpa = if place == 0 { -12.0 } else { 200.0 };
            let view = View { moment_us: place * 60_000_000, pressure_kpa, zero_uncertainty_kpa: 9.8, ..View::NOTHING };
            vacuum.frame(&Frame { mean: view, samples: &[view] });
            if place % 3 == 0 { vacuum.pause() } else { vacuum.gap() }
        }
        // The low frame, the one after it, and an interruption behind each.
        assert_eq!(vacuum.kept.len(), 4);
    }

    #[test]
    fn a_vacuum_smaller_than_three_uncertainties_is_not_resolved() {
        let found = findings((0..60).map(|_| (-12.0, 0.0, 9.8)));
        assert!(found.iter().all(|finding| !finding.resolved) && found.len() == 1);
    }
}
