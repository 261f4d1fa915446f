//! A replay for someone who is tired: alarms first, then what else was found, then the figures.

use airvalve_analysis::{Alarm, Finding, FindingKind, Replay, Time, safety};

use super::{
    data,
    headline::{duration, minute, thousands},
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
        text += &format!("\n{}\n", safety::NO_FINDING);
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
        let faults = if faults.is_empty() { "no alarm".to_owned() } else { faults.join(", ") };
        let findings = match replay.findings.len() {
            0 => String::new(),
            count => format!("; {}", plural(count, "finding")),
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
    let mut text = paper.ink(Ink::Heading, &format!("{} ({})", replay.name, replay.valve_id));
    text += &format!(
        "\n{} to {} UTC, {}, {} samples\n",
        minute(recording.from),
        minute(recording.to),
        duration(recording.from, recording.to),
        thousands(replay.samples.used)
    );
    text += &alarms(replay, paper);
    if !replay.findings.is_empty() {
        text += &paper.heading(&plural(replay.findings.len(), "finding").to_uppercase());
        text += &findings(replay, paper);
    }
    text += &paper.heading("THE WHOLE TIME (UTC)");
    text += &timeline(replay, paper.width);
    text += &paper.heading("WHAT THE VALVE DID");
    text += &data::what_it_did(replay, paper);
    text += &paper.heading("THE DATA");
    text + &data::quality(replay, paper)
}

fn alarms(replay: &Replay, paper: &Paper) -> String {
    // What is wrong with the valve comes before what is wrong with a sensor.
    let (valve, sensors): (Vec<&Alarm>, Vec<&Alarm>) = replay.alarms.iter().partition(|alarm| alarm.is_of_valve());
    if replay.alarms.is_empty() {
        let none = if replay.findings.is_empty() { "NO ALARM, NOTHING FOUND" } else { "NO ALARM" };
        return paper.heading(none);
    }
    let mut text = paper.heading(&plural(replay.alarms.len(), "alarm").to_uppercase());
    text.extend(valve.into_iter().chain(sensors).map(|alarm| alarm_text(alarm, paper)));
    text
}

fn alarm_text(alarm: &Alarm, paper: &Paper) -> String {
    let what = alarm.channel.map_or(alarm.fault.to_owned(), |channel| format!("{}, {channel}", alarm.fault));
    let until = match alarm.cleared_at {
        Some(cleared_at) => {
            format!("to {}, {}", minute(cleared_at), duration(alarm.raised_at, cleared_at))
        }
        None => "still standing at the end".to_owned(),
    };
    let mut text = format!("! {}", paper.ink(Ink::Alarm, &format!("{}: {what}", alarm.kind.to_uppercase())));
    text += &format!("\n  since {} UTC, {until}\n", minute(alarm.raised_at));
    text += &paper.labelled("    seen         ", &alarm.evidence);
    text += &paper.labelled("    check first  ", alarm.first_check);
    let sure = format!("{:.0} %", 100.0 * alarm.confidence);
    let sure = if alarm.also_possible.is_empty() {
        sure
    } else {
        format!("{sure}; also possible: {}", alarm.also_possible.join(", "))
    };
    text + &paper.labelled("    how sure     ", &sure)
}

/// Findings, a kind at a time: many of one kind are told in one paragraph.
fn findings(replay: &Replay, paper: &Paper) -> String {
    let mut text = String::new();
    let mut kinds: Vec<FindingKind> = Vec::new();
    for finding in &replay.findings {
        if !kinds.contains(&finding.kind) {
            kinds.push(finding.kind);
        }
    }
    for kind in kinds {
        let of_kind: Vec<&Finding> = replay.findings.iter().filter(|finding| finding.kind == kind).collect();
        if of_kind.len() > FEW {
            text += &many(&of_kind, paper);
        } else {
            text.extend(of_kind.iter().map(|finding| finding_text(finding, paper)));
        }
        if let Some(finding) = of_kind.first() {
            text += &paper.ink(Ink::Faint, &paper.labelled("  threshold: ", &finding.threshold));
        }
    }
    text
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

fn plural(count: usize, noun: &str) -> String {
    if count == 1 { format!("1 {noun}") } else { format!("{count} {noun}s") }
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
