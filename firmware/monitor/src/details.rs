//! The numbers behind an alarm, and how sure it is.

use crate::{
    alarm::AlarmState,
    decision::AlarmChange,
    evidence::{EvidenceBuilder, fouling},
    fault::{AlarmKind, Fault},
    frame::Frame,
    learned::Learned,
    settings::EvidenceSettings,
};

/// One change of a valve alarm with its evidence in numbers.
pub(crate) fn valve_alarm(
    fault: Fault,
    state: AlarmState,
    is_active: bool,
    frame: &Frame,
    evidence: &EvidenceBuilder,
    learned: &Learned,
    settings: &EvidenceSettings,
) -> AlarmChange {
    let odour_ppm = evidence.odour_ppm();
    let value = evidence.values.get(fault);
    let numbers = match fault {
        Fault::JammedLow | Fault::SmallBlocked => [frame.float_pct, frame.pressure_kpa, evidence.low_s(), odour_ppm],
        Fault::JammedUp | Fault::LargeSeatOpen | Fault::SmallSeatOpen => {
            [frame.float_pct, frame.pressure_kpa, evidence.unmoved_pct(), odour_ppm]
        }
        Fault::Clogging => [
            fouling::area_ratio_now(learned, settings),
            fouling::usual_area_ratio(learned, settings),
            learned.slowness.weight + learned.slowness_after_step.weight,
            odour_ppm,
        ],
        Fault::Sluggish => [learned.late_answer.recent, learned.stick_pct.recent, learned.stick_pct.mean, odour_ppm],
        Fault::Weeping => [
            learned.arrival_stopped_nl_s.recent,
            learned.arrival_stopped_nl_s.mean,
            learned.odour_base_ppm.mean,
            odour_ppm,
        ],
        Fault::Heavy => {
            [learned.answer.recent, fouling::usual_answer(learned, settings), learned.answer.weight, odour_ppm]
        }
        _ => [frame.float_pct, frame.pressure_kpa, value, odour_ppm],
    };
    let (share, also_possible) = alternatives(fault, evidence);
    AlarmChange {
        time_us: frame.time_us,
        fault,
        channel: None,
        state,
        is_active,
        confidence: confidence(fault, value, share, learned, settings),
        also_possible,
        evidence: numbers,
    }
}

/// Probability of this fault within its family, and the look-alikes that keep more than a tenth.
fn alternatives(fault: Fault, evidence: &EvidenceBuilder) -> (f32, u32) {
    let low = evidence.jammed_low_share();
    let high = evidence.jammed_up_share();
    let (share, others) = match fault {
        Fault::JammedLow => (low, Fault::SmallBlocked.bit()),
        Fault::SmallBlocked => (1.0 - low, Fault::JammedLow.bit()),
        Fault::JammedUp => (high, Fault::SmallSeatOpen.bit()),
        Fault::SmallSeatOpen | Fault::LargeSeatOpen => (1.0 - high, Fault::JammedUp.bit()),
        _ => (1.0, 0),
    };
    (share, if share < 0.9 { others } else { 0 })
}

/// How sure: the share within the family, times how far the evidence stands past its limit; for fouling no surer than
/// its scatter allows.
fn confidence(fault: Fault, value: f32, share: f32, learned: &Learned, settings: &EvidenceSettings) -> f32 {
    let strength = match (fault.kind(), scatter(fault, learned, settings)) {
        (AlarmKind::Fouling, Some((loss, deviation))) => {
            let error = deviation / libm::sqrtf(settings.recent_cycles.max(1.0));
            (3.0 * value).min(loss / error.max(1e-6))
        }
        _ => 3.0 * value,
    };
    (share * (1.0 - libm::expf(-strength.max(0.0)))).clamp(0.0, 0.99)
}

/// How sure a sensor alarm is: a broken loop is seen at once, what only physics tells less surely.
pub(crate) fn sensor_confidence(fault: Fault, value: f32) -> f32 {
    match fault {
        Fault::Drift | Fault::DeadCell | Fault::Noise => (1.0 - libm::expf(-3.0 * value.max(0.0))).clamp(0.0, 0.99),
        _ => 0.99,
    }
}

/// Loss against what should be, and standard deviation of single values.
fn scatter(fault: Fault, learned: &Learned, settings: &EvidenceSettings) -> Option<(f32, f32)> {
    let (baseline, usual) = match fault {
        Fault::Clogging => (&learned.slowness, learned.slowness.mean),
        Fault::Heavy | Fault::Sluggish => (&learned.answer, fouling::usual_answer(learned, settings)),
        _ => return None,
    };
    Some((libm::fabsf(usual - baseline.recent), baseline.deviation))
}
