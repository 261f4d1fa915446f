//! What the valve did and how good the data are.

use airvalve_analysis::{FindingKind, Replay, findings::NOT_LOOKED_FOR};

use super::{
    headline::{duration, litres, minute, thousands},
    paper::Paper,
};

/// Width of the labels.
const LABEL: usize = 14;

fn line(paper: &Paper, label: &str, text: &str) -> String {
    paper.labelled(&format!("  {label:LABEL$}"), text)
}

/// A volume with its interval; only the bound where it is not resolved.
fn volume((value_nl, low_nl, high_nl): (f64, f64, f64), is_resolved: bool) -> String {
    if is_resolved {
        format!("{} NL (95 %: {} to {})", litres(value_nl), litres(low_nl), litres(high_nl))
    } else {
        format!("not resolved, at most {} NL", litres(high_nl))
    }
}

/// A volume without its interval; only the bound where it is not resolved.
fn litres_or_bound(value: f64, high: f64, is_resolved: bool) -> String {
    if is_resolved { litres(value) } else { format!("at most {}", litres(high)) }
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
        format!("{} {}", part.orifice, litres_or_bound(part.released_nl, part.released_nl_high, part.resolved))
    });
    text += &line(paper, "", &format!("by orifice: {}", parts.collect::<Vec<_>>().join(", ")));
    text += &line(paper, "air in", &volume(admitted, air.admitted_resolved));
    text += &line(paper, "", "NL: normal litres of dry air (0 degC, 101.325 kPa)");
    for basis in &air.other_bases {
        let high_l = |high_nl: f64| high_nl * basis.litres_per_nl;
        let out = litres_or_bound(basis.released_l, high_l(air.released_nl_high), air.released_resolved);
        let inward = litres_or_bound(basis.admitted_l, high_l(air.admitted_nl_high), air.admitted_resolved);
        text += &line(paper, "", &format!("= {out} out, {inward} in, as {}", basis.basis));
    }
    let hours = &replay.state_hours;
    let states = [
        ("sealed", hours.sealed),
        ("releasing", hours.releasing),
        ("filling", hours.filling),
        ("admitting", hours.admitting),
        ("empty", hours.empty),
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
        text += &line(paper, "clock", &format!("set back {} times", replay.quality.clock_steps));
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
    let judged: Vec<String> =
        replay.findings_judged.iter().map(|judged| format!("{} ({})", judged.kind.name(), judged.threshold)).collect();
    let is_missing = |kind: &FindingKind| !replay.findings_judged.iter().any(|judged| judged.kind == *kind);
    let missing: Vec<&str> = FindingKind::ALL.into_iter().filter(is_missing).map(FindingKind::name).collect();
    let without = if missing.is_empty() { String::new() } else { format!("{} (no readings); ", missing.join(", ")) };
    let mut text = String::new();
    if !judged.is_empty() {
        text += &line(paper, "looked for", &judged.join("; "));
    }
    text + &line(paper, "not judged", &format!("{without}{} (not built yet)", NOT_LOOKED_FOR.join(", ")))
}
