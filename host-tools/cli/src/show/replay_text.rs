//! A replay for someone who is tired: alarms first, then what else was found, then the figures.

use airvalve_analysis::{Alarm, Finding, FindingKind, Replay, Time, safety};

use super::{
    data::{self, LEAST_TOLD_H},
    headline::{duration, hours, minute, plural},
    learned_text,
    paper::{Ink, Paper},
    timeline::timeline,
};

/// So many findings of one kind are told one by one.
const FEW: usize = 4;

/// The text for one valve, or for all valves of a main, the cautions once at the end.
pub(crate) fn replay_text(replays: &[Replay], paper: &Paper) -> String {
    let mut text = String::new();
    if replays.len() > 1 {
        text += &overview(replays, paper);
    }
    for (place, replay) in replays.iter().enumerate() {
        if place > 0 || replays.len() > 1 {
            text += &format!("\n{}\n\n", "─".repeat(paper.width));
        }
        text += &one_valve(replay, paper);
    }
    let sends_someone = replays.iter().any(|replay| !replay.alarms.is_empty() || !replay.findings.is_empty());
    if sends_someone {
        text += &paper.heading("BEFORE ANYONE GOES TO THE VALVE");
        for caution in safety::CAUTIONS {
            text += &paper.labelled("  - ", caution);
        }
    } else {
        text += &format!("\n{}", paper.labelled("", safety::NO_FINDING));
    }
    text
}

/// One line a valve, those with alarms first.
fn overview(replays: &[Replay], paper: &Paper) -> String {
    let mut sorted: Vec<&Replay> = replays.iter().collect();
    sorted.sort_by_key(|replay| std::cmp::Reverse(replay.alarms.iter().filter(|alarm| alarm.is_of_valve()).count()));
    let width = replays.iter().map(|replay| replay.valve_id.len()).max().unwrap_or_default();
    let mut text = String::new();
    for replay in sorted {
        let faults: Vec<String> = replay.alarms.iter().map(short).collect();
        let faults = match faults.is_empty() {
            true if replay.quality.is_too_short => "too short to judge".to_owned(),
            true => "no alarm".to_owned(),
            false => format!("{}{}", faults.join(", "), not_trusted(replay)),
        };
        let findings = match replay.findings.len() {
            0 => String::new(),
            count => format!("; {}", plural(count as u64, "finding")),
        };
        text += &paper.labelled(&format!("{:width$}  ", replay.valve_id), &format!("{faults}{findings}"));
    }
    text
}

fn short(alarm: &Alarm) -> String {
    let what = alarm.channel.map_or(alarm.fault.to_owned(), |channel| format!("{} of {channel}", alarm.fault));
    format!("{} ({what}) since {}", alarm.kind, minute(alarm.raised_at))
}

fn one_valve(replay: &Replay, paper: &Paper) -> String {
    let recording = &replay.recording;
    let mut text = paper.titled(&format!("{} ({})", replay.name, replay.valve_id));
    text += &paper.labelled(
        "",
        &format!(
            "{} to {} UTC, {}, {}",
            minute(recording.from),
            minute(recording.to),
            duration(recording.from, recording.to),
            plural(replay.samples.used, "sample")
        ),
    );
    text += &not_judged(replay, paper);
    text += &alarms(replay, paper);
    if !replay.findings.is_empty() {
        text += &paper.heading(&plural(replay.findings.len() as u64, "finding").to_uppercase());
        text += &findings(replay, paper);
    }
    text += &paper.heading("THE WHOLE TIME (UTC)");
    text += &timeline(replay, paper);
    text += &paper.heading("WHAT THE VALVE DID");
    text += &data::what_it_did(replay, paper);
    text += &paper.heading("WHAT IT HAS LEARNED (95 %)");
    text += &learned_text::learned(replay, paper);
    text += &paper.heading("THE DATA");
    text + &data::quality(replay, paper)
}

/// For how long nothing can be said of the valve, and why: before what was found in the rest of the time.
fn not_judged(replay: &Replay, paper: &Paper) -> String {
    let blind_h = replay.state_hours.not_judged;
    let mut text = String::new();
    if blind_h >= LEAST_TOLD_H {
        let all = duration(replay.recording.from, replay.recording.to);
        text += &paper.heading(&format!("NOT JUDGED FOR {} OF {all}", hours(blind_h)));
        let quality = &replay.quality;
        let reasons = [
            ("no float position to go by", quality.without_float_hours),
            ("no chamber pressure to go by", quality.without_pressure_hours),
            ("no samples", quality.gap_hours),
        ];
        let reasons = reasons.iter().filter(|(_, hours)| *hours >= LEAST_TOLD_H);
        let reasons: Vec<String> = reasons.map(|(what, hours_h)| format!("{what} for {}", hours(*hours_h))).collect();
        if !reasons.is_empty() {
            text += &paper.labelled("  ", &reasons.join("; "));
        }
        text += &paper.labelled("  ", "nothing below speaks of the valve in that time; its air is only bounded");
    } else if !replay.first_of_all.is_empty() {
        text += &paper.heading("FIRST OF ALL");
    }
    text.extend(replay.first_of_all.iter().map(|what| paper.labelled("! ", what)));
    text
}

fn alarms(replay: &Replay, paper: &Paper) -> String {
    if replay.alarms.is_empty() && replay.quality.is_too_short {
        return paper.heading("TOO SHORT TO JUDGE");
    }
    if replay.alarms.is_empty() {
        let none = if replay.findings.is_empty() { "NO ALARM, NOTHING FOUND" } else { "NO ALARM" };
        let hours = &replay.state_hours;
        let judged_h = hours.empty + hours.filling + hours.sealed + hours.releasing + hours.admitting;
        let where_ = match hours.not_judged {
            blind_h if blind_h < LEAST_TOLD_H => "",
            _ if judged_h < LEAST_TOLD_H => ", AND NO WAY TO TELL",
            _ => " IN THE TIME THAT COULD BE JUDGED",
        };
        return paper.heading(&format!("{none}{where_}"));
    }
    let count = plural(replay.alarms.len() as u64, "alarm");
    let mut text = paper.heading(&format!("{count}{}", not_trusted(replay)).to_uppercase());
    let mut alarms: Vec<&Alarm> = replay.alarms.iter().collect();
    alarms.sort_by_key(|alarm| alarm.raised_at);
    text.extend(alarms.into_iter().map(|alarm| alarm_text(alarm, paper)));
    text
}

/// Said behind alarms that the data do not bear out.
fn not_trusted(replay: &Replay) -> &'static str {
    if replay.quality.alarms_trusted { "" } else { ", not to be trusted" }
}

fn alarm_text(alarm: &Alarm, paper: &Paper) -> String {
    let what = alarm.channel.map_or(alarm.fault.to_owned(), |channel| format!("{}, {channel}", alarm.fault));
    let until = match alarm.cleared_at {
        Some(cleared_at) => {
            format!("to {}, {}", minute(cleared_at), duration(alarm.raised_at, cleared_at))
        }
        None => "still standing at the end".to_owned(),
    };
    let mut text = paper.inked(Ink::Alarm, &format!("! {}: {what}", alarm.kind.to_uppercase()));
    text += &paper.labelled("  ", &format!("since {} UTC, {until}", minute(alarm.raised_at)));
    text += &paper.labelled("    seen         ", &alarm.evidence);
    text += &paper.labelled("    check first  ", alarm.first_check);
    text += &paper.labelled("    disproved by ", &alarm.disproved_by);
    let sure = format!("{:.0} %", 100.0 * alarm.confidence);
    let sure = if alarm.also_possible.is_empty() {
        sure
    } else {
        format!("{sure}; also possible: {}", alarm.also_possible.join(", "))
    };
    text + &paper.labelled("    how sure     ", &sure)
}

/// Findings in order of time: many of one kind are told in one paragraph, where the first of them stands; the threshold
/// of a kind stands below its first.
fn findings(replay: &Replay, paper: &Paper) -> String {
    let mut told: Vec<(Time, String)> = Vec::new();
    for kind in FindingKind::ALL {
        let first_told = told.len();
        let mut of_kind: Vec<&Finding> = replay.findings.iter().filter(|finding| finding.kind == kind).collect();
        of_kind.sort_by_key(|finding| finding.from);
        match of_kind.first() {
            Some(first) if of_kind.len() > FEW => told.push((first.from, many(&of_kind, paper))),
            _ => told.extend(of_kind.iter().map(|finding| (finding.from, finding_text(finding, paper)))),
        }
        if let (Some((_, text)), Some(finding)) = (told.get_mut(first_told), of_kind.first()) {
            *text += &paper.ink(Ink::Faint, &paper.labelled("  threshold: ", &finding.threshold));
        }
    }
    told.sort_by_key(|(from, _)| *from);
    told.into_iter().map(|(_, text)| text).collect()
}

/// Many findings of one kind: the first and the longest stand for all.
fn many(findings: &[&Finding], paper: &Paper) -> String {
    let (Some(first), Some(last)) = (findings.first(), findings.last()) else { return String::new() };
    let length_us = |finding: &Finding| finding.to.0.saturating_sub(finding.from.0);
    let all_us: i64 = findings.iter().map(|finding| length_us(finding)).sum();
    let mut text = paper.labelled(
        "- ",
        &format!(
            "{}, {} times from {} to {} UTC, {} in all{}",
            first.kind.name(),
            findings.len(),
            minute(first.from),
            minute(last.to),
            duration(Time(0), Time(all_us)),
            in_alarm(findings)
        ),
    );
    if let Some(longest) = findings.iter().max_by_key(|finding| length_us(finding)) {
        let what = format!("{} UTC, {}: {}", minute(longest.from), duration(longest.from, longest.to), longest.detail);
        text += &paper.labelled("  the longest: ", &what);
    }
    text
}

fn finding_text(finding: &Finding, paper: &Paper) -> String {
    let severe = if finding.severe { " (severe)" } else { "" };
    let head = format!(
        "{}{severe}, {} UTC, {}: {}{}",
        finding.kind.name(),
        minute(finding.from),
        duration(finding.from, finding.to),
        finding.detail,
        in_alarm(&[finding])
    );
    paper.labelled("- ", &head)
}

/// The alarms that stood during any of these.
fn in_alarm(findings: &[&Finding]) -> String {
    let mut names: Vec<&str> = Vec::new();
    for name in findings.iter().flat_map(|finding| &finding.alarms) {
        if !names.contains(name) {
            names.push(name);
        }
    }
    if names.is_empty() { String::new() } else { format!("; at the same time in alarm: {}", names.join(", ")) }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn finding(from_us: i64, alarms: &[&'static str]) -> Finding {
        Finding {
            kind: FindingKind::TrappedAir,
            from: Time(from_us),
            to: Time(from_us + 60_000_000),
            detail: String::new(),
            threshold: String::new(),
            severe: false,
            at_least: false,
            resolved: true,
            vented_nl: None,
            seen_in_bursts: false,
            alarms: alarms.to_vec(),
        }
    }

    #[test]
    fn many_findings_name_every_alarm_that_stood_during_one_of_them() {
        let findings = [finding(0, &[]), finding(1, &["jammed-low"]), finding(2, &["jammed-low", "clogging"])];
        let text = many(&findings.each_ref(), &Paper::plain(200));
        assert!(text.contains("; at the same time in alarm: jammed-low, clogging\n"), "{text}");
    }
}
