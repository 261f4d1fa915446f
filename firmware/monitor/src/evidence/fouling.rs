//! Fouling: what was learned of the valve against how it is now.

use super::Context;
use crate::{
    airflow::normal_litres,
    fault::{Fault, PerFault},
    learned::{Baseline, Learned},
    settings::EvidenceSettings,
};

/// Loss of discharge area at which clogging is certain enough: between the 0.7 at which it begins to matter and the 0.5
/// at which it must be told.
const CLOGGED_LOSS: f32 = 0.40;
/// How much higher than it should the liquid stands when the float counts as heavy, of the stroke.
const HEAVY_STROKES: f32 = 0.065;
/// Least answer of a clean float where none has been learned: the gas, still warm from the step, takes up to 29 %
/// (1 - 1/1.4) and the play of the float some more.
const UNLEARNED_ANSWER: f32 = 0.6;
/// Standard deviations of a recent mean that count: common practice for a chart that is looked at all the time.
const SIGNIFICANT_DEVIATIONS: f32 = 4.0;
/// A clean float stands off by no more than this before it moves, % of stroke: play, noise and what arrives unevenly.
const MOST_USUAL_STICK_PCT: f32 = 1.0;
/// An area ratio below this share of the usual one slows the end of a release.
const SLOWER: f32 = 0.85;
/// A pressure that may be misread by so many times its accuracy makes a light float look heavy.
const DOUBTED_ACCURACIES: f32 = 2.5;
/// Share of the answer that comes late at which the float counts as sluggish.
const LATE_SHARE: f32 = 0.35;
/// Leak, as a share of the mean arrival, at which a seat counts as weeping.
const LEAK_SHARE: f32 = 0.45;
/// Sealed time in a state of the pump before its arrival is known, min.
const LEAST_ARRIVAL_MIN: f32 = 90.0;

/// Weighs the four kinds of fouling; a float that has stopped to answer is jammed, not heavy.
pub(super) fn weigh(values: &mut PerFault<f32>, learned: &Learned, has_answered: bool, context: &Context) {
    let settings = context.settings;
    values.set(Fault::Clogging, clogging(learned, context));
    let (answer, usual) = (&learned.answer, usual_answer(learned, settings));
    let answer_loss = loss(answer, usual, settings) - misread_loss(learned, context);
    let sluggish = sluggish(learned, settings);
    values.set(Fault::Sluggish, sluggish);
    // A heavy float hides so much of the cushion that answers: the loss times the cushion.
    let hidden = answer_loss * learned.tested_space.recent;
    // A position that reads too low takes the cushion for too large, and shows it where the orifice closes.
    let misread = 0.01 * closes_lower_pct(learned);
    let heavy = ((hidden - misread) / HEAVY_STROKES).min(significance(answer, usual, settings));
    // One that answers late is sluggish.
    let is_plain = has_answered && sluggish < 0.8 && context.pressure_doubt < DOUBTED_ACCURACIES;
    values.set(Fault::Heavy, if is_plain { heavy.max(0.0) } else { 0.0 });
    values.set(Fault::Weeping, weeping(learned));
}

/// Loss of the answer that a drift of the pressure's reading makes: a pressure that reads too low by a share takes every
/// step for so much larger than it is.
fn misread_loss(learned: &Learned, context: &Context) -> f32 {
    // Most where a pump has stopped.
    -learned.pressure_walk_kpa() / (learned.stopped_kpa.recent + context.site.p_atm_kpa).max(1.0)
}

/// Relative loss of the recent value against what it should be. What lies outside the data sheet's tolerance does not
/// become its own normal: the references are held within it.
fn loss(baseline: &Baseline, reference: f32, settings: &EvidenceSettings) -> f32 {
    if baseline.weight < settings.recent_cycles { 0.0 } else { 1.0 - baseline.recent / reference }
}

/// How far a recent value lies below its reference, 1 at the deviations of its mean that chance does not reach in years.
fn significance(baseline: &Baseline, reference: f32, settings: &EvidenceSettings) -> f32 {
    let error = baseline.deviation / libm::sqrtf(settings.recent_cycles.min(baseline.weight).max(1.0));
    (reference - baseline.recent) / (SIGNIFICANT_DEVIATIONS * error).max(1e-3)
}

/// Area ratio that this valve should show.
pub(crate) fn usual_area_ratio(learned: &Learned, settings: &EvidenceSettings) -> f32 {
    let ratio = &learned.area_ratio;
    if ratio.weight >= settings.baseline_cycles { ratio.mean.clamp(0.8, 1.25) } else { 1.0 }
}

/// Area ratio that it shows now, by how much longer releases take.
pub(crate) fn area_ratio_now(learned: &Learned, settings: &EvidenceSettings) -> f32 {
    let longer = |slowness: &Baseline| {
        if slowness.weight >= settings.baseline_cycles { (slowness.recent - slowness.mean).max(0.0) } else { 0.0 }
    };
    let longer = longer(&learned.slowness).max(longer(&learned.slowness_after_step));
    usual_area_ratio(learned, settings) / (1.0 + longer)
}

/// Whether releases have become so much slower that one in mid-movement ends elsewhere.
pub(crate) fn is_slower(learned: &Learned, settings: &EvidenceSettings) -> bool {
    area_ratio_now(learned, settings) < SLOWER * usual_area_ratio(learned, settings)
}

/// Answer to pressure steps that this valve should show.
pub(crate) fn usual_answer(learned: &Learned, settings: &EvidenceSettings) -> f32 {
    let answer = &learned.answer;
    if answer.weight >= settings.baseline_cycles { answer.mean.clamp(UNLEARNED_ANSWER, 1.15) } else { UNLEARNED_ANSWER }
}

/// Times the usual number of cycles that make a baseline of the open time: it scatters more.
pub(super) const SLOWNESS_BASELINE: f32 = 2.0;
/// Error to which a recent open time is averaged, share of a clean one.
pub(super) const SLOWNESS_ERROR: f32 = 0.12;
/// Lag of float, transmitter and filters, which makes a short release look longer, s.
const LONGER_S: f32 = 0.3;
/// A usual area down to this share of the data sheet's is within its tolerance.
const LEAST_USUAL_RATIO: f32 = 0.8;

/// The open time against what it should be. Lags add the same to it whatever the area is, so that the difference counts.
fn clogging(learned: &Learned, context: &Context) -> f32 {
    let settings = context.settings;
    let evidence = |slowness: &Baseline, reference: f32| {
        let longer = slowness.recent - reference;
        let count = slowness.recent_weight(settings.recent_cycles, SLOWNESS_ERROR).min(slowness.weight).max(1.0);
        let error = slowness.deviation / libm::sqrtf(count);
        let is_recent = slowness.weight >= settings.recent_cycles;
        let loss = 1.0 - 1.0 / (1.0 + longer.max(0.0));
        let significance = longer / (SIGNIFICANT_DEVIATIONS * error).max(1e-3);
        if is_recent { (loss / CLOGGED_LOSS).min(significance).max(0.0) } else { 0.0 }
    };
    let is_known =
        |slowness: &Baseline| slowness.weight >= SLOWNESS_BASELINE * settings.baseline_cycles + settings.recent_cycles;
    // What lies outside the data sheet's tolerance does not become its own normal.
    let most = 1.0 / LEAST_USUAL_RATIO + LONGER_S / clean_release_s(context);
    let calm = &learned.slowness;
    let reference = if is_known(calm) { calm.mean.min(most) } else { most };
    let after_step = &learned.slowness_after_step;
    // Cycles after pressure steps are held against their like, and only once these are known.
    let by_like = if is_known(after_step) { evidence(after_step, after_step.mean) } else { 0.0 };
    evidence(calm, reference).max(by_like)
}

/// Time that a usual release takes through a clean orifice, s.
fn clean_release_s(context: &Context) -> f32 {
    let (site, small) = (context.site, &context.site.small);
    let travel_l = 0.01 * (small.closes_above_pct - small.opens_below_pct).max(1.0) * site.stroke_volume_l;
    let air_nl = normal_litres(site.static_kpa + site.p_atm_kpa, travel_l, context.temperature_k);
    let flow_nl_s = small.orifice.normal_flow_nl_s(site.static_kpa, site.p_atm_kpa, context.temperature_k);
    (air_nl / flow_nl_s.max(1e-6)).max(0.01)
}

/// How far the closing position has walked down, % of stroke, by the kind of cycle that this valve shows more of.
fn closes_lower_pct(learned: &Learned) -> f32 {
    let (calm, after_step) = (&learned.closes_pct, &learned.closes_after_step_pct);
    let closes = if calm.weight >= after_step.weight { calm } else { after_step };
    (closes.mean - closes.recent).max(0.0)
}

/// A float that sticks stands off before it moves, and comes late where it creeps.
fn sluggish(learned: &Learned, settings: &EvidenceSettings) -> f32 {
    let stick = &learned.stick_pct;
    let is_known = stick.weight >= 3.0 * settings.baseline_cycles;
    // What lies outside the data sheet's tolerance does not become its own normal.
    let usual_pct = if is_known { stick.mean.min(MOST_USUAL_STICK_PCT) } else { MOST_USUAL_STICK_PCT };
    let is_recent = stick.weight >= 3.0 * settings.recent_cycles;
    let sticks = if is_recent { stick.recent / (settings.stick_pct + usual_pct) } else { 0.0 };
    let is_late_known = learned.late_answer.weight >= settings.recent_cycles;
    let late = if is_late_known { learned.late_answer.recent / LATE_SHARE } else { 0.0 };
    sticks.max(late).max(0.0)
}

/// A leak takes the same from what arrives whether the pump runs or not, while a slack season takes a share of each; with
/// the pump stopped it may even make the cushion shrink, which nothing else does.
fn weeping(learned: &Learned) -> f32 {
    let (running, stopped) = (&learned.arrival_running_nl_s, &learned.arrival_stopped_nl_s);
    if running.weight < LEAST_ARRIVAL_MIN || stopped.weight < LEAST_ARRIVAL_MIN {
        return 0.0;
    }
    let lost_nl_s = (running.mean - running.recent).min(stopped.mean - stopped.recent);
    let leak_nl_s = lost_nl_s.max(-stopped.recent);
    let mean_nl_s = (running.mean * running.weight + stopped.mean * stopped.weight) / (running.weight + stopped.weight);
    // Before the leak was there as much arrived as now plus the leak.
    let arrival_nl_s = mean_nl_s.max(leak_nl_s);
    if arrival_nl_s > 0.0 { (leak_nl_s / (LEAK_SHARE * arrival_nl_s)).max(0.0) } else { 0.0 }
}
