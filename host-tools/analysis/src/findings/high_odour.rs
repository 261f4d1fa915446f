//! High odour: hydrogen sulphide in the vault above a limit for a minute.

use airvalve_monitor::SiteData;
use airvalve_sensors::{Channel, LoopCurrent};
use airvalve_site::FindingLimits;

use super::{
    Finding, FindingKind, Judged, View,
    spells::{Figures, Frame, Lengths, SpellFinder},
};

/// A reading no further than this below the end of the loop's range stands at it, mA: a converter's step and its noise.
const END_MA: f32 = 0.02;

/// The greatest of a spell.
#[derive(Clone, Copy, Debug)]
struct Greatest {
    ppm: f32,
    /// A reading stood at the end of the loop's range: there was as much, or more.
    is_at_end: bool,
}

impl Figures for Greatest {
    fn join(&mut self, later: &Greatest) {
        self.ppm = self.ppm.max(later.ppm);
        self.is_at_end |= later.is_at_end;
    }
}

impl Greatest {
    fn detail(&self) -> String {
        if self.is_at_end {
            format!("hydrogen sulphide at least {:.0} ppm (end of the sensor's range) at the vent", self.ppm)
        } else {
            format!("hydrogen sulphide up to {:.0} ppm at the vent", self.ppm)
        }
    }
}

pub(super) struct HighOdour {
    limits: FindingLimits,
    /// What a loop carries from here on is no measurement.
    end_ppm: f32,
    spells: SpellFinder<Greatest>,
    severe: SpellFinder<Greatest>,
}

impl HighOdour {
    pub(super) fn new(limits: &FindingLimits, site: &SiteData, period_us: i64) -> HighOdour {
        let lengths = Lengths { least_s: limits.odour_s, join_s: limits.odour_join_s, period_us };
        let end_ma = LoopCurrent::from_milliamperes(LoopCurrent::MEASURING_HIGH_MA - END_MA);
        HighOdour {
            limits: *limits,
            end_ppm: site.spans.get(Channel::Odour).map_or(f32::INFINITY, |span| end_ma.as_quantity(span)),
            spells: SpellFinder::new(lengths),
            severe: SpellFinder::new(lengths),
        }
    }

    pub(super) fn frame(&mut self, frame: &Frame) {
        // At the limit counts as inside.
        let margin = |limit_ppm: f32| {
            let deadband_ppm = self.limits.odour_deadband_ppm;
            move |view: &View| (view.odour_ppm - limit_ppm.next_down()) / deadband_ppm
        };
        let end_ppm = self.end_ppm;
        let greatest = || Greatest {
            ppm: frame.mean.odour_ppm,
            is_at_end: frame.samples.iter().any(|view| view.odour_ppm >= end_ppm),
        };
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
            at_least: spell.figures.is_at_end,
            ..Finding::new(FindingKind::HighOdour, &spell, spell.figures.detail(), &threshold)
        });
        (judged, findings.collect())
    }
}
