//! Air problems that an engineer looks for in the samples themselves.
//!
//! One module a finding: a tracker that is shown every sample and tells its spells at the end. A new finding is a module,
//! a kind, and a line in each function of [`Trackers`].

mod high_odour;
mod spells;
mod trapped_air;
mod vacuum;

use airvalve_monitor::{Learned, Monitor, SiteData};
use serde::Serialize;

use crate::time::Time;

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
    /// False where it is no larger than three times its standard uncertainty.
    #[serde(skip_serializing_if = "is_true")]
    pub resolved: bool,
    /// Air let out meanwhile, NL.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub vented_nl: Option<f64>,
    /// Faults whose alarms stood at the same time.
    pub alarms: Vec<&'static str>,
}

fn is_true(value: &bool) -> bool {
    *value
}

/// Thresholds of the findings.
#[derive(Clone, Copy, Debug, PartialEq)]
#[allow(missing_docs)] // the names carry the units
pub struct FindingLimits {
    /// Source of all defaults: the contract for results.
    pub join_s: f64,
    pub vacuum_kpa: f32,
    pub vacuum_s: f64,
    pub odour_ppm: f32,
    pub odour_severe_ppm: f32,
    pub odour_s: f64,
    pub odour_join_s: f64,
    pub trapped_s: f64,
    pub trapped_share_of_static: f32,
}

impl Default for FindingLimits {
    fn default() -> FindingLimits {
        FindingLimits {
            join_s: 60.0,
            vacuum_kpa: 5.0,
            vacuum_s: 2.0,
            odour_ppm: 10.0,
            odour_severe_ppm: 100.0,
            odour_s: 60.0,
            odour_join_s: 600.0,
            trapped_s: 300.0,
            trapped_share_of_static: 0.3,
        }
    }
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

/// All trackers.
pub(crate) struct Trackers {
    vacuum: vacuum::Vacuum,
    high_odour: high_odour::HighOdour,
    trapped_air: trapped_air::TrappedAir,
}

impl Trackers {
    pub(crate) fn new(limits: &FindingLimits, site: &SiteData, start: &Learned, period_us: i64) -> Trackers {
        Trackers {
            vacuum: vacuum::Vacuum::new(limits, site, start, period_us),
            high_odour: high_odour::HighOdour::new(limits, period_us),
            trapped_air: trapped_air::TrappedAir::new(limits, site, period_us),
        }
    }

    #[inline(always)]
    pub(crate) fn step(&mut self, view: &View, monitor: &Monitor) {
        self.vacuum.step(view);
        self.high_odour.step(view);
        self.trapped_air.step(view, monitor);
    }

    /// All findings, by moments; the caller turns them into the device's times.
    pub(crate) fn finish(self) -> Vec<Finding> {
        let mut findings = self.vacuum.finish();
        findings.extend(self.high_odour.finish());
        findings.extend(self.trapped_air.finish());
        findings.sort_by_key(|finding| finding.from);
        findings
    }
}
