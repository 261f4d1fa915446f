//! What the valve did and how good the data are.

use airvalve_analysis::Replay;

use super::{
    headline::{duration, litres, minute, thousands},
    paper::Paper,
};

/// Width of the labels.
const LABEL: usize = 14;

fn line(paper: &Paper, label: &str, text: &str) -> String {
    paper.labelled(&format!("  {label:LABEL$}"), text)
}

/// What the valve did: cycles, air, hours in each state.
pub(crate) fn what_it_did(replay: &Replay, paper: &Paper) -> String {
    let air = &replay.air;
    let mut text = String::new();
    let volume = |value: f64, low: f64, high: f64, is_resolved: bool| {
        let doubt = if is_resolved { "" } else { "; only bounded" };
        format!("{} NL (95 %: {} to {}{doubt})", litres(value), litres(low), litres(high))
    };
    text += &line(paper, "cycles", &cycles(replay));
    let released = volume(air.released_nl, air.released_nl_low, air.released_nl_high, air.released_resolved);
    let parts: Vec<String> =
        air.released_by_orifice.iter().map(|part| format!("{} {}", part.orifice, litres(part.released_nl))).collect();
    text += &line(paper, "air out", &released);
    text += &line(paper, "", &format!("by orifice: {}", parts.join(", ")));
    text += &line(
        paper,
        "air in",
        &volume(air.admitted_nl, air.admitted_nl_low, air.admitted_nl_high, air.admitted_resolved),
    );
    text += &line(paper, "", "NL: normal litres of dry air (0 degC, 101.325 kPa)");
    for basis in &air.other_bases {
        let same = format!("= {} out, {} in, as {}", litres(basis.released_l), litres(basis.admitted_l), basis.basis);
        text += &line(paper, "", &same);
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
    for warning in &replay.warnings {
        text += &line(paper, "note", warning);
    }
    text
}
