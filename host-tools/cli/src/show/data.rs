//! What the valve did and how good the data are.

use airvalve_analysis::{Alarm, FindingKind, Judged, Replay, Time, findings::NOT_LOOKED_FOR};
use airvalve_monitor::AlarmKind;
use airvalve_recording::thousands;
use airvalve_sensors::Channel;

use super::{
    headline::{duration, hours, litres, minute, times},
    paper::Paper,
};

/// Width of the labels.
const LABEL: usize = 14;
/// Fewer ratios than this have no median worth telling.
const FEWEST_RATIOS: usize = 3;
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
    if replay.quality.is_too_short {
        return line(paper, "air", "not judged: too short");
    }
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
        let released_l = (basis.released_l, basis.released_l_low, basis.released_l_high);
        let admitted_l = (basis.admitted_l, basis.admitted_l_low, basis.admitted_l_high);
        let out = litres_or_bounds(released_l, air.released_resolved);
        let inward = litres_or_bounds(admitted_l, air.admitted_resolved);
        text += &line(paper, "", &format!("= {out} out, {inward} in, as {}", basis.basis));
    }
    for service in &replay.services {
        let of = service.channel.map_or(String::new(), |channel| format!(" of {channel}"));
        let work = format!("{}{of}; a new baseline begins for what that has changed", service.work);
        text += &line(paper, "work", &format!("{} UTC: {work}", minute(service.at)));
    }
    text + &line(paper, "time", &states(replay))
}

/// Time in each state, and for how much of it an alarm says that the valve may not have been shut.
fn states(replay: &Replay) -> String {
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
    let stuck_h = stuck_open_h(replay);
    let stuck = if stuck_h < LEAST_TOLD_H {
        String::new()
    } else {
        format!("; a stuck-open alarm stood for {stuck_h:.1} h: the valve may have been spilling then")
    };
    states.join(", ") + &stuck
}

/// Time in which any alarm stood that the valve is stuck open, h.
fn stuck_open_h(replay: &Replay) -> f64 {
    let is_stuck_open = |alarm: &&Alarm| alarm.kind == AlarmKind::StuckOpen.name();
    let mut spells: Vec<(Time, Time)> =
        replay.alarms.iter().filter(is_stuck_open).map(|alarm| standing(alarm, replay)).collect();
    spells.sort();
    let (mut all_us, mut until) = (0, Time(i64::MIN));
    for (from, to) in spells {
        all_us = i64::saturating_add(all_us, to.0.saturating_sub(from.max(until).0).max(0));
        until = until.max(to);
    }
    all_us as f64 / 3.6e9
}

/// When an alarm stood.
fn standing(alarm: &Alarm, replay: &Replay) -> (Time, Time) {
    (alarm.raised_at, alarm.cleared_at.unwrap_or(replay.recording.to))
}

/// How many, and how wide the release orifices were, at first and at last.
fn cycles(replay: &Replay) -> String {
    let ratios = trusted_ratios(replay);
    let count = thousands(replay.cycles.len() as u64);
    let Some(medians) = medians(&ratios, replay.recording.from, replay.recording.to) else { return count };
    let measured = thousands(ratios.len() as u64);
    format!(
        "{count}; effective area over that of the data sheet, median: {medians} ({measured} of {count} cycles measured)"
    )
}

/// Median in the first fifth of the time and in the last, or of all where either has too few.
fn medians(ratios: &[(Time, f64)], from: Time, to: Time) -> Option<String> {
    let fifth_us = to.0.saturating_sub(from.0) / 5;
    let between = |begin_us: i64, end_us: i64| {
        let those = ratios.iter().filter(|(at, _)| (begin_us..=end_us).contains(&at.0));
        median(those.map(|(_, ratio)| *ratio))
    };
    let first = between(from.0, from.0.saturating_add(fifth_us));
    let last = between(to.0.saturating_sub(fifth_us), to.0);
    match first.zip(last) {
        Some((first, last)) => Some(format!("{first:.2} in the first fifth of the time, {last:.2} in the last")),
        None => between(from.0, to.0).map(|all| format!("{all:.2} over the whole time")),
    }
}

/// Area ratios by the time of their cycles, but for those of a float or pressure that was in alarm.
fn trusted_ratios(replay: &Replay) -> Vec<(Time, f64)> {
    let needed = [Channel::FloatPosition, Channel::ChamberPressure].map(Channel::column);
    let failed: Vec<(Time, Time)> = replay
        .alarms
        .iter()
        .filter(|alarm| alarm.channel.is_some_and(|channel| needed.contains(&channel)))
        .map(|alarm| standing(alarm, replay))
        .collect();
    let is_trusted = |at: Time| !failed.iter().any(|(from, to)| (*from..=*to).contains(&at));
    let ratios = replay.cycles.iter().filter_map(|cycle| Some((cycle.from, cycle.area_ratio?)));
    ratios.filter(|(at, _)| is_trusted(*at)).collect()
}

/// None of too few.
fn median(values: impl Iterator<Item = f64>) -> Option<f64> {
    let mut values: Vec<f64> = values.collect();
    values.sort_by(f64::total_cmp);
    let (below, above) = (values.get(values.len().saturating_sub(1) / 2)?, values.get(values.len() / 2)?);
    (values.len() >= FEWEST_RATIOS).then_some(0.5 * (below + above))
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

#[cfg(test)]
mod tests {
    use super::*;

    fn told(ratios: &[(i64, f64)]) -> Option<String> {
        let ratios: Vec<(Time, f64)> = ratios.iter().map(|(at_us, ratio)| (Time(*at_us), *ratio)).collect();
        medians(&ratios, Time(0), Time(1000))
    }

    #[test]
    fn a_fifth_of_the_cycles_is_not_a_fifth_of_the_time() {
        let first = [(0, 0.9), (50, 1.0), (100, 5.0), (150, 1.0), (190, 0.9)];
        // Many cycles in the middle count in neither.
        let middle = (0..100).map(|place| (300 + place, 0.2));
        let last = [(820, 0.5), (900, 0.4), (950, 0.6)];
        let all: Vec<_> = first.into_iter().chain(middle.clone()).chain(last).collect();
        assert_eq!(told(&all).as_deref(), Some("1.00 in the first fifth of the time, 0.50 in the last"));
        let early: Vec<_> = first.into_iter().chain(middle).collect();
        assert_eq!(told(&early).as_deref(), Some("0.20 over the whole time"));
        assert_eq!(told(&last[..2]), None);
    }
}
