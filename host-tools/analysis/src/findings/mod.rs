//! Air problems that an engineer looks for in the samples themselves.
//!
//! One module a finding: a tracker that is shown the samples in frames of about a second and tells its spells at the end.
//! A new finding is a module, a kind, and a line in each function of [`Trackers`].

mod high_odour;
mod spells;
mod trapped_air;
mod vacuum;

use airvalve_monitor::{Learned, Monitor, Service, SiteData};
use airvalve_site::FindingLimits;
use serde::Serialize;

use crate::{result::rounded, time::Time};
use spells::{Frame, Spell};

/// Kinds that are not looked for yet.
pub const NOT_LOOKED_FOR: [&str; 6] =
    ["slam", "rapid-drain", "excess-air", "air-at-pump-start", "no-cycles", "cut-off"];

/// Length of a frame, microseconds.
const FRAME_US: i64 = 1_000_000;

/// Kinds of finding; the names are those of results.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum FindingKind {
    /// The chamber stood below atmosphere.
    Vacuum,
    /// Air stood at the high point for minutes.
    TrappedAir,
    /// Hydrogen sulphide above a limit.
    HighOdour,
}

impl FindingKind {
    /// Every kind that is looked for.
    pub const ALL: [FindingKind; 3] = [FindingKind::Vacuum, FindingKind::HighOdour, FindingKind::TrappedAir];

    /// Name in results.
    pub const fn name(self) -> &'static str {
        match self {
            FindingKind::Vacuum => "vacuum",
            FindingKind::TrappedAir => "trapped-air",
            FindingKind::HighOdour => "high-odour",
        }
    }
}

/// One finding.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Finding {
    /// What it is.
    pub kind: FindingKind,
    /// When it began.
    pub from: Time,
    /// When it ended, or the data.
    pub to: Time,
    /// What was seen, in figures.
    pub detail: String,
    /// The threshold that was used.
    pub threshold: String,
    /// Far beyond the threshold.
    #[serde(skip_serializing_if = "std::ops::Not::not")]
    pub severe: bool,
    /// True where a reading stood at the end of its sensor's range: it was as much as is said, or more.
    #[serde(skip_serializing_if = "std::ops::Not::not")]
    pub at_least: bool,
    /// False where it is no larger than three times its standard uncertainty.
    #[serde(skip_serializing_if = "is_true")]
    pub resolved: bool,
    /// Air let out meanwhile, NL.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub vented_nl: Option<f64>,
    /// True where it goes on over a pause between bursts of samples, in which nothing was seen.
    #[serde(skip_serializing_if = "std::ops::Not::not")]
    pub seen_in_bursts: bool,
    /// Faults whose alarms stood at the same time.
    pub alarms: Vec<&'static str>,
}

impl Finding {
    fn new<F>(kind: FindingKind, spell: &Spell<F>, detail: String, threshold: &str) -> Finding {
        let seen = if spell.is_in_bursts { "; seen in bursts, and taken to go on between them" } else { "" };
        Finding {
            kind,
            from: Time(spell.from_us),
            to: Time(spell.to_us),
            detail: detail + seen,
            threshold: threshold.to_owned(),
            severe: false,
            at_least: false,
            resolved: true,
            vented_nl: None,
            seen_in_bursts: spell.is_in_bursts,
            alarms: Vec::new(),
        }
    }
}

/// A kind of finding that was looked for, with the threshold that was used.
#[derive(Clone, Debug, PartialEq, Serialize)]
#[allow(missing_docs)]
pub struct Judged {
    pub kind: FindingKind,
    pub threshold: String,
    /// Time with samples in which it could not be judged, because a channel that it needs gave nothing to trust, h.
    pub not_judged_hours: f64,
}

impl Judged {
    fn new(kind: FindingKind, threshold: &str) -> Judged {
        Judged { kind, threshold: threshold.to_owned(), not_judged_hours: 0.0 }
    }
}

/// Time of frames in which each kind could not be judged, microseconds.
#[derive(Clone, Copy, Debug, Default)]
struct NotJudged {
    vacuum_us: i64,
    high_odour_us: i64,
    trapped_air_us: i64,
}

impl NotJudged {
    fn add(&mut self, mean: &View, length_us: i64) {
        let [without_float, without_pressure, without_odour] =
            [mean.float_pct, mean.pressure_kpa, mean.odour_ppm].map(|reading| reading.is_nan());
        for (time_us, is_missing) in [
            (&mut self.vacuum_us, without_pressure),
            (&mut self.high_odour_us, without_odour),
            (&mut self.trapped_air_us, without_float || without_pressure),
        ] {
            *time_us = time_us.saturating_add(if is_missing { length_us } else { 0 });
        }
    }

    fn hours(&self, kind: FindingKind) -> f64 {
        let time_us = match kind {
            FindingKind::Vacuum => self.vacuum_us,
            FindingKind::HighOdour => self.high_odour_us,
            FindingKind::TrappedAir => self.trapped_air_us,
        };
        rounded(time_us as f64 / 3.6e9)
    }
}

fn is_true(value: &bool) -> bool {
    *value
}

/// One sample as the trackers see it; NaN where a channel gives nothing to trust.
#[derive(Clone, Copy, Debug)]
pub(crate) struct View {
    pub(crate) moment_us: i64,
    pub(crate) float_pct: f32,
    /// Zero-corrected, gauge.
    pub(crate) pressure_kpa: f32,
    /// What was taken off, and its standard uncertainty.
    pub(crate) zero_kpa: f32,
    pub(crate) zero_uncertainty_kpa: f32,
    pub(crate) odour_ppm: f32,
}

impl View {
    pub(crate) const NOTHING: View = View {
        moment_us: 0,
        float_pct: f32::NAN,
        pressure_kpa: f32::NAN,
        zero_kpa: 0.0,
        zero_uncertainty_kpa: f32::NAN,
        odour_ppm: f32::NAN,
    };

    /// Mean of the samples of a frame, channel by channel, with the time and the zero of the last.
    fn mean(samples: &[View]) -> View {
        let mut sums = [(0.0, 0.0); 3];
        for view in samples {
            for ((sum, count), value) in sums.iter_mut().zip([view.float_pct, view.pressure_kpa, view.odour_ppm]) {
                if !value.is_nan() {
                    *sum += value;
                    *count += 1.0;
                }
            }
        }
        // Nothing over nothing is not a number, as it should be.
        let [float_pct, pressure_kpa, odour_ppm] = sums.map(|(sum, count): (f32, f32)| sum / count);
        View { float_pct, pressure_kpa, odour_ppm, ..samples.last().copied().unwrap_or(View::NOTHING) }
    }
}

/// All trackers.
pub(crate) struct Trackers {
    /// Samples of the frame that is not full yet.
    samples: Vec<View>,
    period_us: i64,
    not_judged: NotJudged,
    vacuum: vacuum::Vacuum,
    high_odour: high_odour::HighOdour,
    trapped_air: trapped_air::TrappedAir,
}

impl Trackers {
    pub(crate) fn new(limits: &FindingLimits, site: &SiteData, start: &Learned, period_us: i64) -> Trackers {
        Trackers {
            samples: Vec::new(),
            period_us,
            not_judged: NotJudged::default(),
            vacuum: vacuum::Vacuum::new(limits, site, start, period_us),
            high_odour: high_odour::HighOdour::new(limits, site, period_us),
            trapped_air: trapped_air::TrappedAir::new(limits, site, period_us),
        }
    }

    #[inline(always)]
    pub(crate) fn step(&mut self, view: &View, monitor: &Monitor) {
        if let Some(first) = self.samples.first() {
            let length_us = view.moment_us.saturating_sub(first.moment_us);
            if length_us.saturating_add(self.period_us / 2) >= FRAME_US {
                self.end_frame(monitor);
            }
        }
        self.samples.push(*view);
    }

    #[inline(never)]
    fn end_frame(&mut self, monitor: &Monitor) {
        if self.samples.is_empty() {
            return;
        }
        let frame = Frame { mean: View::mean(&self.samples), samples: &self.samples };
        let first_us = self.samples.first().map_or(0, |first| first.moment_us);
        let length_us = frame.mean.moment_us.saturating_sub(first_us).saturating_add(self.period_us);
        self.not_judged.add(&frame.mean, length_us);
        self.vacuum.frame(&frame);
        self.high_odour.frame(&frame);
        self.trapped_air.frame(&frame, monitor);
        self.samples.clear();
    }

    /// A pause between bursts of samples comes next.
    pub(crate) fn pause(&mut self, monitor: &Monitor) {
        self.end_frame(monitor);
        self.vacuum.pause();
        self.high_odour.pause();
        self.trapped_air.pause();
    }

    /// A gap in the samples comes next.
    pub(crate) fn gap(&mut self, monitor: &Monitor) {
        self.end_frame(monitor);
        self.vacuum.gap();
        self.high_odour.gap();
        self.trapped_air.gap();
    }

    /// Someone has worked on the valve or a sensor.
    pub(crate) fn service(&mut self, service: Service, monitor: &Monitor) {
        self.end_frame(monitor);
        if service.is_of_pressure_sensor() {
            self.vacuum.begin_anew();
        }
    }

    /// The kinds that could be judged, and all findings, by moments; the caller turns them into the device's times.
    pub(crate) fn finish(mut self, monitor: &Monitor) -> (Vec<Judged>, Vec<Finding>) {
        self.end_frame(monitor);
        let all = [self.vacuum.finish(), self.high_odour.finish(), self.trapped_air.finish()];
        let (judged, findings): (Vec<_>, Vec<_>) = all.into_iter().unzip();
        let mut findings: Vec<Finding> = findings.into_iter().flatten().collect();
        findings.sort_by_key(|finding| finding.from);
        let mut judged: Vec<Judged> = judged.into_iter().flatten().collect();
        for judged in &mut judged {
            judged.not_judged_hours = self.not_judged.hours(judged.kind);
        }
        (judged, findings)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_mean_leaves_out_what_is_missing() {
        let view = |float_pct| View { float_pct, ..View::NOTHING };
        let mean = View::mean(&[view(1.0), view(f32::NAN), view(2.0)]);
        assert_eq!(mean.float_pct, 1.5);
        assert!(mean.odour_ppm.is_nan());
    }
}
