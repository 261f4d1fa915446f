//! The numbers behind an alarm, and what physics says about the sensors themselves.

use airvalve_sensors::{Channel, Span};

use crate::{
    alarm::AlarmState,
    decision::AlarmChange,
    evidence::EvidenceBuilder,
    fault::{AlarmKind, Fault},
    frame::Frame,
    health::ChannelHealth,
    learned::{Baseline, Learned},
    settings::Settings,
    site::SiteData,
};

/// A float reading this far beyond its stroke is drift, %.
const BEYOND_STROKE_PCT: f32 = 4.0;
/// Opening and closing position walking together by this much are drift, %.
const WALKED_PCT: f32 = 6.0;

/// One change of a valve alarm with its evidence in numbers.
pub(crate) fn valve_alarm(
    fault: Fault,
    state: AlarmState,
    is_active: bool,
    frame: &Frame,
    evidence: &EvidenceBuilder,
    learned: &Learned,
) -> AlarmChange {
    let odour_ppm = evidence.odour_ppm;
    let value = evidence.values.get(fault);
    let numbers = match fault {
        Fault::JammedLow | Fault::SmallBlocked => {
            [frame.float_pct, frame.pressure_kpa, evidence.low_off_bottom_s + evidence.bottom_s, odour_ppm]
        }
        Fault::JammedUp | Fault::LargeSeatOpen | Fault::SmallSeatOpen => {
            [frame.float_pct, frame.pressure_kpa, evidence.unanswered, odour_ppm]
        }
        Fault::Clogging => {
            [learned.area_ratio.recent, learned.area_ratio.mean, f32::from(learned.area_ratio.count), odour_ppm]
        }
        Fault::Sluggish => [learned.late_answer.recent, learned.jump_pct.recent, learned.jump_pct.mean, odour_ppm],
        Fault::Weeping => {
            [learned.arrival_nl_s.recent, learned.arrival_nl_s.mean, learned.odour_base_ppm.mean, odour_ppm]
        }
        Fault::Heavy => [learned.answer.recent, learned.answer.mean, f32::from(learned.answer.count), odour_ppm],
        _ => [frame.float_pct, frame.pressure_kpa, value, odour_ppm],
    };
    let (share, also_possible) = alternatives(fault, evidence);
    AlarmChange {
        time_us: frame.time_us,
        fault,
        channel: None,
        state,
        is_active,
        confidence: confidence(fault, value, share, learned),
        also_possible,
        evidence: numbers,
    }
}

/// Probability of this fault within its family, and the look-alikes that keep more than a tenth.
fn alternatives(fault: Fault, evidence: &EvidenceBuilder) -> (f32, u32) {
    let low = evidence.low_odds.probability();
    let high = evidence.high_odds.probability();
    let (share, others) = match fault {
        Fault::JammedLow => (low, Fault::SmallBlocked.bit()),
        Fault::SmallBlocked => (1.0 - low, Fault::JammedLow.bit()),
        Fault::JammedUp => (high, Fault::SmallSeatOpen.bit()),
        Fault::SmallSeatOpen | Fault::LargeSeatOpen => (1.0 - high, Fault::JammedUp.bit()),
        _ => (1.0, 0),
    };
    (share, if share < 0.9 { others } else { 0 })
}

/// How sure: the share within the family, times how far past its limit the evidence stands (or, for fouling, how many
/// standard errors the loss is).
fn confidence(fault: Fault, value: f32, share: f32, learned: &Learned) -> f32 {
    let strength = match fault.kind() {
        AlarmKind::Fouling => {
            let baseline: &Baseline = match fault {
                Fault::Clogging => &learned.area_ratio,
                Fault::Heavy => &learned.answer,
                Fault::Weeping => &learned.arrival_nl_s,
                _ => &learned.jump_pct,
            };
            let error = (baseline.deviation * 0.35).max(1e-6);
            libm::fabsf(baseline.recent - baseline.mean) / error
        }
        _ => 3.0 * value,
    };
    (share * (1.0 - libm::expf(-strength.max(0.0)))).clamp(0.0, 0.99)
}

/// Drift and dead cell: what the valve's own physics says about its sensors.
pub(crate) fn physics_of_sensors(
    health: &mut [ChannelHealth; 5],
    frame: &Frame,
    learned: &Learned,
    evidence: &EvidenceBuilder,
    site: &SiteData,
    settings: &Settings,
) {
    let many = settings.evidence.baseline_cycles;
    let [float, pressure, odour, ..] = health;
    let beyond_pct = (frame.float_pct - 100.0).max(-frame.float_pct);
    let walked_pct = if learned.opens_pct.is_learned(many) {
        let walk = |baseline: &Baseline| baseline.recent - baseline.mean;
        let (opens, closes) = (walk(&learned.opens_pct), walk(&learned.closes_pct));
        // A clogged or sluggish valve moves one of them; a drifting transmitter moves both alike.
        if libm::fabsf(opens - closes) < 0.5 * libm::fabsf(opens) { libm::fabsf(opens) } else { 0.0 }
    } else {
        0.0
    };
    float.from_physics = [smoothed(float, 0, (beyond_pct / BEYOND_STROKE_PCT).max(walked_pct / WALKED_PCT)), 0.0];
    pressure.from_physics = [smoothed(pressure, 0, pressure_drift(learned, site)), 0.0];
    let is_cell_expected = site.is_sewage && learned.odour_pulse_ppm.count >= 3;
    let silent = evidence.silent_releases / settings.evidence.dead_cell_releases;
    let width = site.spans.get(Channel::Odour).map_or(1.0, Span::width);
    let below = if frame.odour_ppm.is_nan() { 0.0 } else { -frame.odour_ppm / (0.03 * width) };
    odour.from_physics = [smoothed(odour, 0, below), if is_cell_expected { silent } else { 0.0 }];
}

/// A single frame beyond the limit is noise or a swing; it must last a minute to count in full.
fn smoothed(health: &ChannelHealth, which: usize, value: f32) -> f32 {
    let before = health.from_physics.get(which).copied().unwrap_or(0.0);
    if value.is_nan() { before } else { before + (value.clamp(0.0, 3.0) - before) * 0.03 }
}

/// Zero outside the transmitter's tolerance, or both usual pressures walking together.
fn pressure_drift(learned: &Learned, site: &SiteData) -> f32 {
    let width = site.spans.get(Channel::ChamberPressure).map_or(1.0, Span::width);
    let tolerance_kpa = (0.01 * site.accuracy_pct_span.get(Channel::ChamberPressure) * width).max(0.1);
    let walk = |baseline: &Baseline| {
        if baseline.is_learned(1_200.0) { baseline.recent - baseline.mean } else { 0.0 }
    };
    let (running, stopped) = (walk(&learned.running_kpa), walk(&learned.stopped_kpa));
    let together = if running * stopped > 0.0 { libm::fabsf(running).min(libm::fabsf(stopped)) } else { 0.0 };
    (libm::fabsf(learned.zero_kpa) / (1.5 * tolerance_kpa)).max(together / (3.0 * tolerance_kpa))
}
