//! What is doubtful in a result, once all of it is known.

use airvalve_monitor::{AlarmKind, Fault};

use crate::{FindingKind, result::Replay};

/// Shorter data show nothing of a valve: the detector asks for minutes, and so do most findings.
const LEAST_US: i64 = 60_000_000;

/// Marks what is doubtful.
pub(crate) fn mark(replay: &mut Replay) {
    if replay.recording.to.0.saturating_sub(replay.recording.from.0) < LEAST_US {
        mark_too_short(replay);
    }
    for finding in &mut replay.findings {
        if finding.kind == FindingKind::TrappedAir && finding.alarms.iter().copied().any(is_stuck) {
            finding.detail = finding.detail.replacen("air stood", "air, or a held float, stood", 1);
        }
    }
}

fn mark_too_short(replay: &mut Replay) {
    let seconds = replay.recording.to.0.saturating_sub(replay.recording.from.0) as f64 * 1e-6;
    let samples = if replay.samples.used == 1 { "sample" } else { "samples" };
    let warning = format!(
        "{} {samples} over {seconds:.1} s: too short to judge the valve by; that nothing was raised, found or let out says \
         nothing",
        replay.samples.used
    );
    replay.first_of_all.insert(0, warning.clone());
    replay.warnings.insert(0, warning);
    replay.quality.is_too_short = true;
    let air = &mut replay.air;
    (air.released_resolved, air.admitted_resolved) = (false, false);
    air.released_by_orifice.iter_mut().for_each(|part| part.resolved = false);
    air.by_hour.iter_mut().for_each(|hour| hour.resolved = false);
}

/// A float that is held, or does not answer, looks like air that stands.
fn is_stuck(name: &str) -> bool {
    let fault = Fault::VALVE.into_iter().find(|fault| fault.name() == name);
    fault.is_some_and(|fault| matches!(fault.kind(), AlarmKind::StuckOpen | AlarmKind::StuckClosed))
}
