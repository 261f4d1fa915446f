//! What the valve did and how good the data are.

use airvalve_analysis::{FindingKind, Judged, Replay, findings::NOT_LOOKED_FOR};
use airvalve_recording::thousands;

use super::{
    headline::{duration, hours, litres, minute, times},
    paper::Paper,
};

/// Width of the labels.
const LABEL: usize = 14;
/// Time that could not be judged is told from here on, h: below it are a few missing samples.
pub(super) const LEAST_TOLD_H: f64 = 1.0 / 60.0;

/// A labelled line of a section of figures.
pub(super) fn line(paper: &Paper, label: &str, text: &str) -> String {
    paper.labelled(&format!("  {label:LABEL$}"), text)
}

/// A volume with its interval; only its bounds where it is not resolved, so that no number between them looks like a
/// measurement.
fn volume((value_nl, low_nl, high_nl): (f64, f64, f64), is_resolved: bool) -> String {
    if is_resolved {
        format!("{} NL (95 %: {} to {})", litres(value_nl), litres(low_nl), litres(high_nl))
    } else {
        format!("not resolved, {} NL", bounds(low_nl, high_nl))
    }
}

fn bounds(low: f64, high: f64) -> String {
    // Less than half a thousandth is nothing.
    if low < 0.0005 { format!("at most {}", litres(high)) } else { format!("{} to {}", litres(low), litres(high)) }
}

/// A volume without its interval; only its bounds where it is not resolved.
fn litres_or_bounds((value, low, high): (f64, f64, f64), is_resolved: bool) -> String {
    if is_resolved { litres(value) } else { bounds(low, high) }
}

/// What the valve did: cycles, air, hours in each state.
pub(crate) fn what_it_did(replay: &Replay, paper: &Paper) -> String {
    let air = &replay.air;
    let mut text = String::new();
    text += &line(paper, "cycles", &cycles(replay));
    let released = (air.released_nl, air.released_nl_low, air.released_nl_high);
    let admitted = (air.admitted_nl, air.admitted_nl_low, air.admitted_nl_high);
    text += &line(paper, "air out", &volume(released, air.released_resolved));
    let parts = air.released_by_orifice.iter().map(|part| {
        let volume = (part.released_nl, part.released_nl_low, part.released_nl_high);
        format!("{} {}", part.orifice, litres_or_bounds(volume, part.resolved))
    });
    text += &line(paper, "", &format!("by orifice: {}", parts.collect::<Vec<_>>().join(", ")));
    text += &line(paper, "air in", &volume(admitted, air.admitted_resolved));
    text += &line(paper, "", "NL: normal litres of dry air (0 degC, 101.325 kPa)");
    for basis in &air.other_bases {
        let litres_of = |(_, low, high): (f64, f64, f64), value_l: f64, is_resolved| {
            litres_or_bounds((value_l, low * basis.litres_per_nl, high * basis.litres_per_nl), is_resolved)
        };
        let out = litres_of(released, basis.released_l, air.released_resolved);
        let inward = litres_of(admitted, basis.admitted_l, air.admitted_resolved);
        text += &line(paper, "", &format!("= {out} out, {inward} in, as {}", basis.basis));
    }
    for service in &replay.services {
        let of = service.channel.map_or(String::new(), |channel| format!(" of {channel}"));
        let work = format!("{}{of}; a new baseline begins for what that has changed", service.work);
        text += &line(paper, "work", &format!("{} UTC: {work}", minute(service.at)));
    }
    let hours = &replay.state_hours;
    let states = [
        ("sealed", hours.sealed),
        ("releasing", hours.releasing),
        ("filling", hours.filling),
        ("admitting", hours.admitting),
        ("empty", hours.empty),
        ("not judged", hours.not_judged),
    ];
    let states: Vec<String> =
        states.iter().filter(|(_, hours)| *hours > 0.0).map(|(name, hours)| format!("{name} {hours:.2} h")).collect();
    text + &line(paper, "time", &states.join(", "))
}

fn cycles(replay: &Replay) -> String {
    let ratios: Vec<f64> = replay.cycles.iter().filter_map(|cycle| cycle.area_ratio).collect();
    let count = replay.cycles.len();
    let mean = |values: &[f64]| values.iter().sum::<f64>() / values.len() as f64;
    let tenth = (ratios.len() / 5).max(1);
    match (ratios.get(..tenth), ratios.get(ratios.len().saturating_sub(tenth)..)) {
        (Some(first), Some(last)) if ratios.len() >= 10 => format!(
            "{count}; effective area ratio {:.2} in the first fifth, {:.2} in the last",
            mean(first),
            mean(last)
        ),
        _ => format!("{count}"),
    }
}

/// How good the data are.
pub(crate) fn quality(replay: &Replay, paper: &Paper) -> String {
    let samples = &replay.samples;
    let mut text = line(
        paper,
        "samples",
        &format!(
            "{} read, {} used, {} rejected",
            thousands(samples.read),
            thousands(samples.used),
            thousands(samples.rejected)
        ),
    );
    let gaps = &replay.recording.gaps;
    if gaps.is_empty() {
        text += &line(paper, "gaps", "none");
    } else {
        let longest = gaps.iter().max_by_key(|gap| gap.to.0.saturating_sub(gap.from.0));
        let longest = longest
            .map_or(String::new(), |gap| format!("; longest {} from {}", duration(gap.from, gap.to), minute(gap.from)));
        text += &line(paper, "gaps", &format!("{}, {:.2} h in all{longest}", gaps.len(), replay.quality.gap_hours));
    }
    if replay.quality.restarts > 0 {
        text += &line(paper, "restarts", &replay.quality.restarts.to_string());
    }
    if replay.quality.clock_steps > 0 {
        text += &line(paper, "clock", &format!("set back {}", times(replay.quality.clock_steps)));
    }
    let begins = match replay.begins_from {
        "recording" => "with what the device had learned at the start of the recording",
        _ => "from the data sheet; what needs a usual state of this valve is judged once that is learned",
    };
    text += &line(paper, "begins", begins);
    text += &looked_for(replay, paper);
    for warning in &replay.warnings {
        text += &line(paper, "note", warning);
    }
    text
}

/// The kinds of finding that were judged, with their thresholds, and those that were not.
fn looked_for(replay: &Replay, paper: &Paper) -> String {
    let judged: Vec<String> = replay.findings_judged.iter().map(looked_for_one).collect();
    let is_missing = |kind: &FindingKind| !replay.findings_judged.iter().any(|judged| judged.kind == *kind);
    let missing: Vec<&str> = FindingKind::ALL.into_iter().filter(is_missing).map(FindingKind::name).collect();
    let without = if missing.is_empty() { String::new() } else { format!("{} (no readings); ", missing.join(", ")) };
    let mut text = String::new();
    if !judged.is_empty() {
        text += &line(paper, "looked for", &judged.join("; "));
    }
    text + &line(paper, "not judged", &format!("{without}{} (not built yet)", NOT_LOOKED_FOR.join(", ")))
}

/// A kind with its threshold, and how long nothing could be seen of it.
fn looked_for_one(judged: &Judged) -> String {
    let name = judged.kind.name();
    let blind = if judged.not_judged_hours >= LEAST_TOLD_H {
        format!("; not for the {} without readings", hours(judged.not_judged_hours))
    } else {
        String::new()
    };
    format!("{name} ({}{blind})", judged.threshold)
}
