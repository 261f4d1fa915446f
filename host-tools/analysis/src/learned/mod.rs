//! What the detector has learned of its valve, in figures, and which faults it can judge by that.
//!
//! The detector keeps means and weights; here they get their uncertainty, are held against the data sheet, and are read as
//! "what is still missing". It costs the device nothing.

mod judged;

use airvalve_monitor::{Learned, SiteData, learned::Baseline, settings::EvidenceSettings};
use airvalve_sensors::Channel;
use serde::Serialize;

use crate::result::rounded;
pub use judged::FaultJudged;

/// Two-sided 95 % of a normal distribution.
const COVERAGE: f64 = 1.96;
/// A stretch of sealed time is at most this long, min: so many minutes are one value of arriving air. Source: the
/// detector's evidence of the cushion.
const STRETCH_MIN: f32 = 10.0;
/// Sealed minutes that make a usual pressure. Source: the same.
const PRESSURE_MIN: f32 = 20.0;
/// Rests, and cycles, for one of the usual number. Source: the detector's evidence of cushion and fouling.
const RESTS: f32 = 3.0;
const OPEN_TIMES: f32 = 2.0;
/// Area ratio, and answer to steps, that the detector takes for those of the data sheet. Source: its evidence of fouling.
const AREA_RATIO: [f32; 2] = [0.8, 1.25];
const ANSWER: [f32; 2] = [0.6, 1.15];
/// Release times before their mean says something: the detector's own number of recent ones.
const LEAST_TIMES: f32 = 8.0;
/// Share of the transmitter's accuracy below which the zero counts as learned. Source: the detector's zero.
const ZERO_SHARE: f32 = 0.3;

/// What the detector has learned by the end of a replay.
#[derive(Clone, Debug, Default, PartialEq, Serialize)]
pub struct LearnedResult {
    /// Every quantity that can be learned from the channels that are fitted.
    pub quantities: Vec<LearnedQuantity>,
    /// Every fault for which something must be learned first, or which can be judged at once.
    pub faults: Vec<FaultJudged>,
}

/// One learned quantity.
#[derive(Clone, Debug, Default, PartialEq, Serialize)]
pub struct LearnedQuantity {
    /// Its key.
    pub name: &'static str,
    /// What it is, in words.
    pub what: &'static str,
    /// Unit; empty for a ratio.
    pub unit: &'static str,
    /// Mean while it was learned: what is usual for this valve; none before anything was learned.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub value: Option<f64>,
    /// Half width of the interval that holds that mean with 95 %, from the scatter of single values; how far the sensors
    /// are off besides is part of the data sheet's tolerance.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub uncertainty: Option<f64>,
    /// Its recent value.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub now: Option<f64>,
    /// From how much it was learned; none where that is not counted.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub from: Option<f64>,
    /// Of what `from` counts: `cycles`, `steps`, `rests`, `releases` or `min`.
    pub counted_in: &'static str,
    /// What the data sheet has, and from where to where its tolerance reaches.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub data_sheet: Option<DataSheet>,
    /// Whether it lies, with its whole interval, outside that tolerance: fouled or set wrongly from the start.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub is_outside: Option<bool>,
}

/// A value of the data sheet with its tolerance, in the unit of the quantity.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize)]
#[allow(missing_docs)]
pub struct DataSheet {
    pub value: f64,
    pub low: f64,
    pub high: f64,
}

impl DataSheet {
    fn new(value: f32, [low, high]: [f32; 2]) -> Option<DataSheet> {
        let [value, low, high] = [value, low, high].map(|number| rounded(f64::from(number)));
        Some(DataSheet { value, low, high })
    }

    fn within(value: f32, tolerance: f32) -> Option<DataSheet> {
        DataSheet::new(value, [value - tolerance, value + tolerance])
    }
}

/// How a baseline was learned.
struct Kind {
    counted_in: &'static str,
    /// Weight at which the baseline stands.
    stands_at: f32,
    /// Weight of one value that is independent of the others.
    one: f32,
}

impl LearnedResult {
    /// What was learned on this site under these settings.
    pub(crate) fn new(learned: &Learned, site: &SiteData, settings: &EvidenceSettings) -> LearnedResult {
        LearnedResult {
            quantities: quantities(learned, site, settings),
            faults: judged::faults(learned, site, settings),
        }
    }
}

fn quantities(learned: &Learned, site: &SiteData, settings: &EvidenceSettings) -> Vec<LearnedQuantity> {
    let many = settings.baseline_cycles;
    let counted = |counted_in, stands_at| Kind { counted_in, stands_at, one: 1.0 };
    let cycles = || counted("cycles", many);
    let steps = || counted("steps", many);
    let releases = || counted("releases", many);
    let open_times = || counted("cycles", OPEN_TIMES * many);
    let rests = counted("rests", RESTS * many);
    let arrival = || Kind { counted_in: "min", stands_at: 60.0 * settings.arrival_baseline_h, one: STRETCH_MIN };
    let minutes = || counted("min", PRESSURE_MIN);
    let position = |nominal_pct| DataSheet::within(nominal_pct, settings.position_tolerance_pct);
    let (opens, closes) = (position(site.small.opens_below_pct), position(site.small.closes_above_pct));
    let answer = DataSheet::new(1.0, ANSWER);
    let mut all = vec![
        zero(learned, site),
        of("opens_pct", "float position at which the small orifice opens", "%", &learned.opens_pct, cycles(), opens),
        of("closes_pct", "float position at which it closes", "%", &learned.closes_pct, cycles(), closes),
        of(
            "closes_after_step_pct",
            "the same soon after a pressure step",
            "%",
            &learned.closes_after_step_pct,
            cycles(),
            None,
        ),
        area_ratio(learned, cycles()),
        of("open_time", "time of a release over a clean orifice's", "", &learned.slowness, open_times(), None),
        of(
            "open_time_after_step",
            "the same soon after a pressure step",
            "",
            &learned.slowness_after_step,
            open_times(),
            None,
        ),
        of(
            "answer",
            "answer of the float to pressure steps over what physics asks",
            "",
            &learned.answer,
            steps(),
            answer,
        ),
        of("tested_space", "air space at those steps, strokes", "", &learned.tested_space, steps(), None),
        of("late_answer", "share of the answer that comes late", "", &learned.late_answer, steps(), None),
        of("stick_pct", "how far a resting float stands off before it moves", "%", &learned.stick_pct, rests, None),
        of(
            "arrival_running_nl_s",
            "air that arrives while sealed, less leaks, pump running",
            "NL/s",
            &learned.arrival_running_nl_s,
            arrival(),
            None,
        ),
        of("arrival_stopped_nl_s", "the same, pump stopped", "NL/s", &learned.arrival_stopped_nl_s, arrival(), None),
        of("running_kpa", "usual chamber pressure, pump running", "kPa", &learned.running_kpa, minutes(), None),
        of("stopped_kpa", "the same, pump stopped", "kPa", &learned.stopped_kpa, minutes(), None),
    ];
    if site.is_fitted(Channel::LinePressure) {
        let below = &learned.below_line_kpa;
        all.push(of("below_line_kpa", "how far the chamber lies below the line", "kPa", below, minutes(), None));
    }
    if has_odour(site) {
        let (base, pulse, seen) = (&learned.odour_base_ppm, &learned.odour_pulse_ppm, &learned.odour_pulse_seen);
        all.push(of("odour_base_ppm", "odour before releases", "ppm", base, releases(), None));
        all.push(of("odour_pulse_ppm", "rise of the odour after releases", "ppm", pulse, releases(), None));
        all.push(of("odour_pulse_seen", "share of releases after which it rises", "", seen, releases(), None));
    }
    all
}

/// Odour tells something here.
fn has_odour(site: &SiteData) -> bool {
    site.is_sewage && site.is_fitted(Channel::Odour)
}

/// The zero of the pressure is known from the first rest at atmosphere on.
fn is_zero_learned(learned: &Learned, site: &SiteData) -> bool {
    learned.zero_uncertainty_kpa < ZERO_SHARE * site.accuracy(Channel::ChamberPressure)
}

/// Its uncertainty is kept beside it, not worked out from a scatter.
fn zero(learned: &Learned, site: &SiteData) -> LearnedQuantity {
    let sheet = DataSheet::within(0.0, site.accuracy(Channel::ChamberPressure));
    let quantity = LearnedQuantity {
        name: "zero_kpa",
        what: "reading of the chamber pressure at atmosphere",
        unit: "kPa",
        counted_in: "rests at atmosphere",
        data_sheet: sheet,
        ..LearnedQuantity::default()
    };
    if !is_zero_learned(learned, site) {
        return quantity;
    }
    let value = f64::from(learned.zero_kpa);
    let uncertainty = COVERAGE * f64::from(learned.zero_uncertainty_kpa);
    quantity.with(value, Some(uncertainty), value)
}

/// Only releases of some samples show it singly, and where samples are few those are the long ones: it lies outside the
/// data sheet only where the mean time of all releases does.
fn area_ratio(learned: &Learned, kind: Kind) -> LearnedQuantity {
    let what = "area of the small orifice over the data sheet's, of releases long enough to show it";
    let [least, most] = AREA_RATIO;
    let quantity = of("area_ratio", what, "", &learned.area_ratio, kind, DataSheet::new(1.0, AREA_RATIO));
    let by_time = &learned.slowness;
    let agrees = by_time.mean > 1.0 / least || by_time.mean < 1.0 / most;
    let is_outside =
        quantity.is_outside.filter(|_| by_time.weight >= LEAST_TIMES).map(|is_outside| is_outside && agrees);
    LearnedQuantity { is_outside, ..quantity }
}

fn of(
    name: &'static str,
    what: &'static str,
    unit: &'static str,
    baseline: &Baseline,
    kind: Kind,
    data_sheet: Option<DataSheet>,
) -> LearnedQuantity {
    let Kind { counted_in, stands_at, one } = kind;
    let quantity = LearnedQuantity {
        name,
        what,
        unit,
        from: Some(rounded(f64::from(baseline.weight))),
        counted_in,
        data_sheet,
        ..LearnedQuantity::default()
    };
    if baseline.weight <= 0.0 {
        return quantity;
    }
    let count = f64::from(baseline.weight.min(stands_at) / one);
    let uncertainty = (count >= 2.0).then(|| coverage(count - 1.0) * f64::from(baseline.deviation) / count.sqrt());
    quantity.with(f64::from(baseline.mean), uncertainty, f64::from(baseline.recent))
}

impl LearnedQuantity {
    fn with(self, value: f64, uncertainty: Option<f64>, now: f64) -> LearnedQuantity {
        let outside = |(sheet, uncertainty): (DataSheet, f64)| {
            value - uncertainty > sheet.high || value + uncertainty < sheet.low
        };
        LearnedQuantity {
            value: Some(significant(value)),
            uncertainty: uncertainty.map(significant),
            now: Some(significant(now)),
            is_outside: self.data_sheet.zip(uncertainty).map(outside),
            ..self
        }
    }
}

/// Four significant figures: air arrives by hundredths of a litre, pressure stands in hundreds of kPa.
fn significant(value: f64) -> f64 {
    let magnitude = value.abs().log10().floor();
    if !magnitude.is_finite() {
        return 0.0;
    }
    let scale = 10_f64.powf(3.0 - magnitude);
    (value * scale).round() / scale
}

/// Half width of a 95 % interval in standard deviations of the mean, for so many degrees of freedom.
///
/// Source: Abramowitz and Stegun 26.7.5, two terms; within 2 % from four degrees of freedom on.
fn coverage(freedom: f64) -> f64 {
    let z = COVERAGE;
    let first = (z.powi(3) + z) / 4.0;
    let second = (5.0 * z.powi(5) + 16.0 * z.powi(3) + 3.0 * z) / 96.0;
    z + first / freedom + second / (freedom * freedom)
}

#[cfg(test)]
pub(crate) mod tests {
    #![allow(clippy::unwrap_used)]
    use airvalve_monitor::{Fault, Monitor, Settings};
    use airvalve_sensors::{Channels, Contacts, QuantitySample};

    use super::*;

    pub(crate) fn site() -> SiteData {
        airvalve_site::Site::parse(&airvalve_site::template(), "a.toml").unwrap().detector(|_| true)
    }

    /// What the detector itself says of a fault, by what it has learned alone.
    pub(crate) fn detectors_evidence(fault: Fault, learned: &Learned) -> f32 {
        let mut monitor = Monitor::with_learned(&site(), &Settings::default(), learned);
        for second in 0..30 {
            let mut quantities = Channels([f32::NAN; airvalve_sensors::CHANNELS]);
            quantities.set(Channel::FloatPosition, 95.0 + 0.1 * (second % 2) as f32);
            quantities.set(Channel::ChamberPressure, 180.0 + 0.1 * (second % 3) as f32);
            let sample = QuantitySample { time_us: second * 1_000_000, quantities, contacts: Contacts::default() };
            monitor.step_quantities(&sample);
        }
        monitor.evidence().values.get(fault)
    }

    #[test]
    fn the_detector_takes_the_same_answers_for_those_of_the_data_sheet() {
        let [least, most] = ANSWER;
        let heavy = |mean| {
            let answer = Baseline { mean, deviation: 0.001, weight: 500.0, recent: 0.5 };
            let tested_space = Baseline { recent: 0.5, ..answer };
            let learned = Learned { answer, tested_space, ..Learned::from_data_sheet(&site()) };
            detectors_evidence(Fault::Heavy, &learned)
        };
        assert_eq!((heavy(0.3), heavy(2.0)), (heavy(least), heavy(most)));
        assert!(heavy(least) < heavy(0.7) && heavy(1.1) < heavy(most));
    }

    fn told(learned: &Learned, name: &str) -> LearnedQuantity {
        let result = LearnedResult::new(learned, &site(), &EvidenceSettings::default());
        result.quantities.into_iter().find(|quantity| quantity.name == name).unwrap()
    }

    fn baseline(mean: f32, deviation: f32, weight: f32) -> Baseline {
        Baseline { mean, deviation, weight, recent: mean }
    }

    #[test]
    fn nothing_learned_has_no_value() {
        let bare = Learned::from_data_sheet(&site());
        let result = LearnedResult::new(&bare, &site(), &EvidenceSettings::default());
        assert_eq!(result.quantities.len(), 19);
        assert!(result.quantities.iter().all(|quantity| quantity.value.is_none() && quantity.is_outside.is_none()));
    }

    #[test]
    fn a_valve_that_was_fouled_from_the_start_lies_outside_its_data_sheet() {
        let bare = Learned::from_data_sheet(&site());
        let outside = |learned: Learned, name: &str| told(&learned, name).is_outside;
        for (ratio, is_outside) in [(0.97, false), (0.78, false), (0.55, true)] {
            let area_ratio = baseline(ratio, 0.1, 12.0);
            let learned = Learned { area_ratio, slowness: baseline(1.0 / ratio, 0.3, 12.0), ..bare };
            assert_eq!(outside(learned, "area_ratio"), Some(is_outside), "{ratio}");
            // Only the long releases of a valve that lets out some in a moment are judged singly.
            let learned = Learned { area_ratio, slowness: baseline(1.0, 0.3, 12.0), ..bare };
            assert_eq!(outside(learned, "area_ratio"), Some(false), "{ratio}");
            assert_eq!(outside(Learned { area_ratio, ..bare }, "area_ratio"), None, "{ratio}");
        }
        let opens = |opens_pct: f32| Learned { opens_pct: baseline(opens_pct, 0.5, 12.0), ..bare };
        assert_eq!(outside(opens(76.0), "opens_pct"), Some(false));
        assert_eq!(outside(opens(65.0), "opens_pct"), Some(true));
        assert_eq!(outside(Learned { answer: baseline(0.4, 0.1, 12.0), ..bare }, "answer"), Some(true));
        let zero = |zero_kpa| Learned { zero_kpa, zero_uncertainty_kpa: 0.5, ..bare };
        let accuracy_kpa = site().accuracy(Channel::ChamberPressure);
        assert_eq!(outside(zero(0.8 * accuracy_kpa), "zero_kpa"), Some(false));
        assert_eq!(outside(zero(1.2 * accuracy_kpa), "zero_kpa"), Some(true));
    }

    #[test]
    fn the_uncertainty_is_that_of_the_mean() {
        let bare = Learned::from_data_sheet(&site());
        // Source: Student's t, 95 % two-sided: 2.262 for 9 degrees of freedom, 2.093 for 19, 2.776 for 4.
        for (weight, count, student) in
            [(10.0, 10.0, 2.262), (20.0, 20.0, 2.093), (300.0, 20.0, 2.093), (5.0, 5.0, 2.776)]
        {
            let told = told(&Learned { area_ratio: baseline(1.0, 0.1, weight), ..bare }, "area_ratio");
            let expected = student * 0.1 / f64::sqrt(count);
            assert!((told.uncertainty.unwrap() / expected - 1.0).abs() < 0.02, "{told:?}");
        }
        assert_eq!(told(&Learned { area_ratio: baseline(1.0, 0.0, 1.0), ..bare }, "area_ratio").uncertainty, None);
        // Ten minutes of sealed time are one value of arriving air.
        let told = told(&Learned { arrival_stopped_nl_s: baseline(0.02, 0.01, 90.0), ..bare }, "arrival_stopped_nl_s");
        assert!((told.uncertainty.unwrap() / (2.306 * 0.01 / 3.0) - 1.0).abs() < 0.02, "{told:?}");
    }
}
