//! Which faults the detector can judge by what it has learned, and what is still missing for the others.

use airvalve_monitor::{Fault, Learned, SiteData, settings::EvidenceSettings};
use airvalve_sensors::Channel;
use serde::Serialize;

use super::{OPEN_TIMES, RESTS, has_odour, is_zero_learned};

// From how much on the detector judges. Source: its evidence; a test holds them against it.
/// Sealed time in each state of the pump for a weeping seat, min.
const ARRIVAL_MIN: f32 = 90.0;
/// Sealed time in one state of the pump for its usual pressure, min; with the pump stopped, for a walk of it.
const PRESSURE_MIN: f32 = 5.0;
const WALK_MIN: f32 = 20.0;
/// Cycles for a walk of the positions, and releases for a dead cell, with pulses among them.
const WALK_CYCLES: f32 = 4.0;
const RELEASES: f32 = 10.0;
const PULSES: f32 = 3.0;
/// A zero is unsure by so many of its standard uncertainties.
const UNSURE: f32 = 3.0;
/// Those without a pressure step near.
const CALM_CYCLES: &str = "calm release cycles";

/// Whether a fault can be judged yet.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct FaultJudged {
    /// Name of the fault.
    pub fault: &'static str,
    /// Column of the channel, for a sensor fault.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub channel: Option<&'static str>,
    /// It can be told, if only by the data sheet.
    pub is_judged: bool,
    /// What is still missing until it can be judged, or be judged by what is usual for this valve.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub missing: Option<String>,
}

/// Every fault of the valve, and those of sensors that only what was learned can tell.
pub(super) fn faults(learned: &Learned, site: &SiteData, settings: &EvidenceSettings) -> Vec<FaultJudged> {
    let mut all: Vec<FaultJudged> = Fault::VALVE.map(|fault| of_valve(fault, learned, site, settings)).into();
    let drift =
        |channel: Channel, missing| FaultJudged { channel: Some(channel.column()), ..judged(Fault::Drift, missing) };
    let cycles = learned.opens_pct.weight.max(learned.closes_after_step_pct.weight);
    let positions = so_many(cycles, WALK_CYCLES, "release cycles");
    all.push(drift(Channel::FloatPosition, positions));
    let pressures = so_many(learned.stopped_kpa.weight, WALK_MIN, "sealed min stopped");
    all.push(drift(Channel::ChamberPressure, pressures));
    if has_odour(site) {
        let channel = Some(Channel::Odour.column());
        all.push(FaultJudged { channel, ..judged(Fault::DeadCell, dead_cell(learned)) });
    }
    all
}

/// A fault that can be judged as soon as nothing is missing.
fn judged(fault: Fault, missing: Option<String>) -> FaultJudged {
    FaultJudged { fault: fault.name(), channel: None, is_judged: missing.is_none(), missing }
}

/// A fault that is judged by the data sheet at once, and better later.
fn judged_at_once(fault: Fault, missing: Option<String>) -> FaultJudged {
    FaultJudged { is_judged: true, ..judged(fault, missing) }
}

fn of_valve(fault: Fault, learned: &Learned, site: &SiteData, settings: &EvidenceSettings) -> FaultJudged {
    let few = settings.recent_cycles;
    match fault {
        Fault::LargeSeatOpen => judged(fault, usual_pressure(learned, site)),
        Fault::LargeShut => judged_at_once(fault, zero(learned, site)),
        Fault::Clogging => clogging(learned, settings),
        Fault::Sluggish => judged(fault, sluggish(learned, few)),
        Fault::Weeping => {
            let [running, stopped] = [&learned.arrival_running_nl_s, &learned.arrival_stopped_nl_s];
            judged(fault, of_both(running.weight, stopped.weight, ARRIVAL_MIN))
        }
        Fault::Heavy => judged(fault, so_many(learned.answer.weight, few, "pressure steps")),
        // By position and pressure alone.
        _ => judged_at_once(fault, None),
    }
}

/// How many are there of how many; none when that is enough.
fn so_many(weight: f32, needed: f32, what: &str) -> Option<String> {
    (weight < needed).then(|| format!("{:.0} of {:.0} {what}", weight.max(0.0).floor(), needed.ceil()))
}

fn of_both(running_min: f32, stopped_min: f32, needed_min: f32) -> Option<String> {
    let running = so_many(running_min, needed_min, "sealed min pumping");
    let what = if running.is_some() { "stopped" } else { "sealed min stopped" };
    let stopped = so_many(stopped_min, needed_min, what);
    let missing: Vec<String> = running.into_iter().chain(stopped).collect();
    (!missing.is_empty()).then(|| missing.join(", "))
}

/// Held against the line, or else against the usual pressure of one state of the pump.
fn usual_pressure(learned: &Learned, site: &SiteData) -> Option<String> {
    let known_min = learned.running_kpa.weight.max(learned.stopped_kpa.weight);
    let missing = so_many(known_min, PRESSURE_MIN, "sealed min");
    missing.filter(|_| !site.is_fitted(Channel::LinePressure))
}

fn zero(learned: &Learned, site: &SiteData) -> Option<String> {
    let unsure_kpa = UNSURE * learned.zero_uncertainty_kpa;
    let missing = || {
        format!(
            "pressure zero not learned, until then a vacuum deeper than {unsure_kpa:.0} kPa counts, or one that is seen to end"
        )
    };
    (!is_zero_learned(learned, site)).then(missing)
}

/// Against the data sheet from a few calm cycles on, against its own usual time, and soon after steps, from many.
fn clogging(learned: &Learned, settings: &EvidenceSettings) -> FaultJudged {
    let (few, many) = (settings.recent_cycles, OPEN_TIMES * settings.baseline_cycles + settings.recent_cycles);
    let (calm, after_step) = (learned.slowness.weight, learned.slowness_after_step.weight);
    if calm < few && after_step < many {
        return judged(Fault::Clogging, so_many(calm, few, CALM_CYCLES));
    }
    let own = so_many(calm.max(after_step), many, "release cycles of its own");
    judged_at_once(Fault::Clogging, own.map(|own| format!("{own}, until then against the data sheet")))
}

fn sluggish(learned: &Learned, few: f32) -> Option<String> {
    let rests = so_many(learned.stick_pct.weight, RESTS * few, "rests of the float")?;
    let steps = so_many(learned.late_answer.weight, few, "pressure steps")?;
    Some(format!("{rests}, or {steps}"))
}

fn dead_cell(learned: &Learned) -> Option<String> {
    let releases = so_many(learned.odour_pulse_seen.weight, RELEASES, "releases");
    let pulses = so_many(learned.odour_pulse_ppm.weight, PULSES, "with a rise of the odour");
    let missing: Vec<String> = releases.into_iter().chain(pulses).collect();
    (!missing.is_empty()).then(|| missing.join(", "))
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use airvalve_monitor::learned::Baseline;

    use super::*;
    use crate::learned::tests::{detectors_evidence, site};

    /// A valve with every kind of fouling at once, learned from so much.
    fn fouled(weight: f32) -> Learned {
        let now = |mean, recent| Baseline { mean, deviation: 0.001, weight, recent };
        Learned {
            slowness: now(1.0, 4.0),
            stick_pct: now(0.5, 9.0),
            answer: now(1.0, 0.3),
            tested_space: now(0.5, 0.5),
            arrival_running_nl_s: now(0.05, 0.01),
            arrival_stopped_nl_s: now(0.05, 0.0),
            ..Learned::from_data_sheet(&site())
        }
    }

    fn told(fault: Fault, learned: &Learned) -> FaultJudged {
        let all = faults(learned, &site(), &EvidenceSettings::default());
        all.into_iter().find(|judged| judged.fault == fault.name()).unwrap()
    }

    #[test]
    fn a_fault_counts_as_judged_from_where_the_detector_judges_it() {
        for fault in [Fault::Clogging, Fault::Sluggish, Fault::Heavy, Fault::Weeping] {
            for weight in [0.0, 4.0, 7.9, 8.0, 8.1, 23.9, 24.0, 47.9, 48.0, 89.9, 90.0, 500.0] {
                // One that answers late is not called heavy.
                let mut learned = fouled(weight);
                if fault == Fault::Heavy {
                    learned.stick_pct = Baseline::default();
                }
                let told = told(fault, &learned);
                assert_eq!(told.is_judged, detectors_evidence(fault, &learned) > 0.5, "{weight}: {told:?}");
            }
        }
    }

    #[test]
    fn what_is_missing_is_said_with_figures() {
        let missing = |fault, learned: &Learned| told(fault, learned).missing.unwrap_or_default();
        let early = fouled(6.0);
        assert_eq!(missing(Fault::Clogging, &early), "6 of 8 calm release cycles");
        let later = "20 of 48 release cycles of its own, until then against the data sheet";
        assert_eq!(missing(Fault::Clogging, &fouled(20.0)), later);
        assert_eq!(missing(Fault::Clogging, &fouled(48.0)), "");
        assert_eq!(missing(Fault::Heavy, &early), "6 of 8 pressure steps");
        let weeping = "6 of 90 sealed min pumping, 6 of 90 stopped";
        assert_eq!(missing(Fault::Weeping, &early), weeping);
        let zero = told(Fault::LargeShut, &early);
        assert!(zero.is_judged && zero.missing.unwrap().starts_with("pressure zero not learned, until then a vacuum"));
        assert_eq!(missing(Fault::LargeShut, &Learned { zero_uncertainty_kpa: 0.5, ..early }), "");
        assert!(told(Fault::JammedLow, &early).is_judged);
    }
}
