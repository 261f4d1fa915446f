//! What the valve's own physics says about its sensors: drift and dead cell.

use airvalve_sensors::Channel;

use crate::{
    evidence::{EvidenceBuilder, fouling},
    frame::Frame,
    health::ChannelHealth,
    learned::{Baseline, Learned},
    settings::EvidenceSettings,
    site::SiteData,
    watched::WatchedChannels,
};

/// A reading this many times its accuracy beyond what physics allows is drift.
const BEYOND_ACCURACIES: f32 = 4.0;
/// Orifice positions that walk by this many times the accuracy of the position are drift.
const WALKED_ACCURACIES: f32 = 3.0;
/// They must also have walked by so many standard deviations of the mean.
const WALKED_DEVIATIONS: f32 = 6.0;
/// Cycles before a walk can be told.
const LEAST_CYCLES: f32 = 10.0;
/// A usual pressure that walks by this many times the accuracy is drift; the main itself changes a little.
const PRESSURE_ACCURACIES: f32 = 3.0;
/// Sealed time with the pump at rest before its pressure is known, min.
const LEAST_STOPPED_MIN: f32 = 20.0;
/// Calm time before the distance from the line is known, min.
const LEAST_CALM_MIN: f32 = 10.0;
/// A walk by so many times the accuracy is no longer taken for the main's.
const BEYOND_THE_MAIN: f32 = 5.0;
/// Share of a walk that the distance from the line, or the float's answer, must show.
const LINE_AGREES: f32 = 0.5;
const ANSWER_AGREES: f32 = 0.5;
/// Chance of a run of silent releases at which a cell counts as dead, as its natural logarithm: one in 100,000.
const SILENT_RUN_LOG: f32 = -11.5;
/// Time constant of a reading beyond its limit: a frame or two are noise or a swing, s.
const LASTING_S: f32 = 30.0;

/// Finds drift of float, pressure and odour, and a dead odour cell; `since_s` after it last did.
pub(crate) fn judge(
    channels: &mut WatchedChannels,
    frame: &Frame,
    since_s: f32,
    learned: &Learned,
    evidence: &EvidenceBuilder,
    site: &SiteData,
    settings: &EvidenceSettings,
) {
    let [float, pressure, odour, ..] = &mut channels.all;
    let (float, pressure, odour) = (&mut float.health, &mut pressure.health, &mut odour.health);
    let float_pct = site.accuracy(Channel::FloatPosition);
    let beyond_pct = (frame.float_pct - 100.0).max(-frame.float_pct);
    let [standing, _] = float.from_physics;
    let walked = walk_of_float(learned, float_pct, standing >= 1.0, settings).max(evidence.walked());
    let drift = (beyond_pct / (BEYOND_ACCURACIES * float_pct)).max(walked);
    float.from_physics = [lasting(float, 0, drift, since_s), 0.0];
    let drift = walk_of_pressure(learned, site, settings);
    pressure.from_physics = [lasting(pressure, 0, drift, since_s), 0.0];
    let below = (-frame.odour_ppm / (0.6 * site.accuracy(Channel::Odour))).max(evidence.sunk_odour());
    odour.from_physics =
        [lasting(odour, 0, below, since_s), if site.is_sewage { silence(learned, evidence, settings) } else { 0.0 }];
}

fn lasting(health: &ChannelHealth, which: usize, value: f32, length_s: f32) -> f32 {
    let before = health.from_physics.get(which).copied().unwrap_or(0.0);
    let share = (length_s / LASTING_S).min(1.0);
    if value.is_nan() { before } else { before + (value.clamp(0.0, 3.0) - before) * share }
}

/// The orifice opens and closes where it is built to: when both positions walk together it is the reading that walks.
/// A cycle after a pressure step starts in mid-movement and ends elsewhere when it is slower: there the answer to steps
/// must walk too, for a reading that is too high takes the cushion for too small.
fn walk_of_float(learned: &Learned, accuracy_pct: f32, is_standing: bool, settings: &EvidenceSettings) -> f32 {
    let (opens, closes) = (&learned.opens_pct, &learned.closes_pct);
    let (opened, closed) = (opens.recent - opens.mean, closes.recent - closes.mean);
    let together = libm::fabsf(opened - closed) < 0.5 * libm::fabsf(opened);
    let by_positions = if together { walk(opens, accuracy_pct) } else { 0.0 };
    let after_step = &learned.closes_after_step_pct;
    let walked_pct = after_step.recent - after_step.mean;
    let answered_pct =
        100.0 * learned.tested_space.recent * (learned.answer.recent / fouling::usual_answer(learned, settings) - 1.0);
    let is_answered = learned.answer.weight >= settings.recent_cycles && answered_pct * walked_pct > 0.0;
    let agrees = is_answered
        && !fouling::is_slower(learned, settings)
        && libm::fabsf(answered_pct) > 0.4 * libm::fabsf(walked_pct);
    // Once told it stands until the positions are back: a reading that is not trusted teaches no answers.
    let by_answer = if agrees || is_standing { walk(after_step, accuracy_pct) } else { 0.0 };
    by_positions.max(by_answer)
}

fn walk(baseline: &Baseline, accuracy: f32) -> f32 {
    if baseline.weight < LEAST_CYCLES {
        return 0.0;
    }
    let limit = (WALKED_ACCURACIES * accuracy).max(WALKED_DEVIATIONS * baseline.deviation * 0.5);
    libm::fabsf(baseline.recent - baseline.mean) / limit
}

/// By how much the pressure may be misread, times its accuracy: the usual pressures have walked, and no line says that the
/// main has.
pub(crate) fn pressure_doubt(learned: &Learned, site: &SiteData) -> f32 {
    // The pump rests most of the time: that pressure is known first.
    let stopped = &learned.stopped_kpa;
    let walked_kpa = if stopped.weight >= LEAST_STOPPED_MIN { stopped.recent - stopped.mean } else { 0.0 };
    let is_of_main = is_of_main(learned, site, walked_kpa) == Some(true);
    if is_of_main { 0.0 } else { libm::fabsf(walked_kpa) / site.accuracy(Channel::ChamberPressure) }
}

/// Whether the line's own pressure has walked as the chamber's has; `None` where no line tells.
fn is_of_main(learned: &Learned, site: &SiteData, walked_kpa: f32) -> Option<bool> {
    let below = &learned.below_line_kpa;
    if !site.is_fitted(Channel::LinePressure) || below.weight < LEAST_CALM_MIN {
        return None;
    }
    let of_line_kpa = below.recent - below.mean + walked_kpa;
    Some(of_line_kpa * walked_kpa > LINE_AGREES * walked_kpa * walked_kpa)
}

/// Zero outside the transmitter's tolerance, or a usual pressure that walks while the line has not, or the float's answers to
/// steps say so (to a reading that is too low every step looks larger), or further than a main's own level.
fn walk_of_pressure(learned: &Learned, site: &SiteData, settings: &EvidenceSettings) -> f32 {
    let accuracy_kpa = site.accuracy(Channel::ChamberPressure);
    let (together_kpa, at_rest_kpa) = (learned.pressure_walk_kpa(), learned.rest_walk_kpa());
    let walked_kpa = match is_of_main(learned, site, at_rest_kpa) {
        Some(true) => 0.0,
        Some(false) => at_rest_kpa,
        None if libm::fabsf(at_rest_kpa) > BEYOND_THE_MAIN * accuracy_kpa => at_rest_kpa,
        None => {
            let usual_kpa_abs = learned.running_kpa.recent + site.p_atm_kpa;
            let expected = together_kpa / usual_kpa_abs.max(1.0);
            let answered = learned.answer.recent / fouling::usual_answer(learned, settings) - 1.0;
            let agrees =
                learned.answer.weight >= LEAST_CYCLES && answered * expected > ANSWER_AGREES * expected * expected;
            if agrees { together_kpa } else { 0.0 }
        }
    };
    (libm::fabsf(learned.zero_kpa) / (1.5 * accuracy_kpa))
        .max(libm::fabsf(walked_kpa) / (PRESSURE_ACCURACIES * accuracy_kpa))
}

/// Releases in a row without a pulse, held against how often this valve's releases show one at all.
fn silence(learned: &Learned, evidence: &EvidenceBuilder, settings: &EvidenceSettings) -> f32 {
    let seen = &learned.odour_pulse_seen;
    if seen.weight < LEAST_CYCLES || learned.odour_pulse_ppm.weight < 3.0 {
        return 0.0;
    }
    // How often before this run, as far as it has become part of what was learned. The rule of succession: never certain.
    let silent = evidence.silent_releases();
    let others = if seen.weight > settings.baseline_cycles { settings.baseline_cycles } else { seen.weight - silent };
    let smelt = seen.mean * seen.weight.min(settings.baseline_cycles);
    let share = (smelt + 1.0) / (others.max(smelt) + 2.0);
    let needed = SILENT_RUN_LOG / libm::logf((1.0 - share).max(0.01));
    silent / needed.max(settings.dead_cell_releases)
}
