//! The figures of an evaluation, and one case, for people.

use std::fmt::Write as _;

use airvalve_trials::{FalseScore, FaultScore, GoalVerdict, Model, Played, Score, Set, Share, Worst};

use super::paper::{Ink, Paper};

/// Most cases that are named a fault, and of false alarms; the JSON names all.
const NAMED: usize = 3;

/// What the delays of a score count from, and what its columns mean.
pub(crate) enum Against {
    /// The true state of simulated valves.
    Truth,
    /// What a person has found.
    Labels,
}

/// The figures of one model.
pub(crate) struct Evaluated {
    pub(crate) model: Model,
    pub(crate) seeds: std::ops::Range<u64>,
    pub(crate) score: Score,
}

/// The figures of each model, apart.
pub(crate) fn models_text(set: Set, evaluated: &[Evaluated], paper: &Paper) -> String {
    let of = |it: &Evaluated| {
        let (set, model, seeds) = (set.name(), it.model.name(), &it.seeds);
        let title = format!("{set} set, {model} model, seeds {} to {}", seeds.start, seeds.end - 1);
        score_text(&paper.ink(Ink::Heading, &title), Against::Truth, &it.score, paper)
    };
    let texts: Vec<String> = evaluated.iter().map(of).collect();
    texts.join("\n\n")
}

/// The figures of an evaluation.
pub(crate) fn score_text(title: &str, against: Against, score: &Score, paper: &Paper) -> String {
    let (heading, note) = match against {
        Against::Truth => (
            "FOUND IN TIME",
            "Shown: its evidence was complete, and the time allowed had run out, before the end. Delay: from complete \
             evidence to the alarm.",
        ),
        Against::Labels => ("FOUND", "Delay: from where the label begins to the alarm."),
    };
    let mut text = format!("{title}\n");
    if !score.faults.is_empty() {
        text += &paper.heading(heading);
        text += "                                 share   exact 95 %   delay, min   other alarm\n";
        text += "fault           shown of  found      %            %   med.  95 %  instead beside\n";
        score.faults.iter().for_each(|fault| text += &fault_line(fault, paper));
        text += &wrong_line(&score.wrong_kind);
        text += &paper.labelled("", note);
    }
    text += &paper.heading("FALSE ALARMS, ON FAULT-FREE VALVE-YEARS");
    if score.false_alarms.iter().any(|alarms| alarms.valve_years > 0.0) {
        score.false_alarms.iter().for_each(|alarms| text += &false_line(alarms, paper));
    } else {
        text += "no fault-free time\n";
    }
    text += &confusion_text(score, paper);
    text + &worst_text(score, paper)
}

fn percent(share: f64) -> String {
    format!("{:.1}", 100.0 * share)
}

fn interval(share: &Share) -> String {
    format!("{}-{}", percent(share.low), percent(share.high))
}

fn fault_line(fault: &FaultScore, paper: &Paper) -> String {
    let minutes = |value: Option<f64>| value.map_or("-".to_owned(), |value| format!("{value:.0}"));
    let found = &fault.found;
    let line = format!(
        "{:<16}{:>5} {:<4}{:>5}{:>7} {:>12}{:>7}{:>6}{:>9}{:>7}",
        fault.fault,
        found.of,
        fault.cases,
        found.count,
        found.share.map_or("-".to_owned(), percent),
        interval(found),
        minutes(fault.delay_median_min),
        minutes(fault.delay_p95_min),
        fault.wrong,
        fault.beside,
    );
    let is_short = found.verdict == GoalVerdict::NotHeld;
    format!("{}\n", if is_short { paper.ink(Ink::Alarm, &line) } else { line })
}

fn wrong_line(wrong: &Share) -> String {
    let share = wrong.share.map_or("-".to_owned(), percent);
    format!("Another fault named instead: {} of {}, {share} % ({})\n", wrong.count, wrong.of, interval(wrong))
}

fn false_line(alarms: &FalseScore, paper: &Paper) -> String {
    let number = |value: Option<f64>| value.map_or("-".to_owned(), |value| format!("{value:.2}"));
    if alarms.valve_years <= 0.0 {
        return format!("{:<24}none played\n", alarms.alarms);
    }
    let line = format!(
        "{:<24}{:>4} in {:.2} years: {} a year (95 %: {} to {})",
        alarms.alarms,
        alarms.count,
        alarms.valve_years,
        number(alarms.per_year),
        number(alarms.per_year_low),
        number(alarms.per_year_high),
    );
    let by_fault: Vec<String> = alarms.by_fault.iter().map(|(fault, count)| format!("{fault} {count}")).collect();
    let detail = if by_fault.is_empty() { String::new() } else { paper.labelled("    ", &by_fault.join(", ")) };
    format!("{line}\n{detail}")
}

fn confusion_text(score: &Score, paper: &Paper) -> String {
    let mut text = String::new();
    for (fault, row) in &score.confusion {
        let others = row.iter().filter(|(first, _)| *first != fault);
        let others: Vec<String> = others.map(|(first, count)| format!("{first} {count}")).collect();
        if !others.is_empty() {
            let own = row.get(*fault).copied().unwrap_or_default();
            text += &paper.labelled(&format!("{fault:<16}{own:>4}  "), &others.join(", "));
        }
    }
    if text.is_empty() { text } else { paper.heading("FIRST ALARM: OF THIS FAULT, AND OF OTHERS") + &text }
}

fn worst_text(score: &Score, paper: &Paper) -> String {
    let mut text = paper.heading("CASES THAT WENT WRONG");
    let mut before: Option<(&Worst, usize)> = None;
    for worst in &score.worst {
        let count = match before {
            Some((other, count)) if other.fault == worst.fault => count + 1,
            _ => 1,
        };
        before = Some((worst, count));
        if count <= NAMED {
            let line = format!("{} ({})", worst.what, worst.traits.join(", "));
            text += &paper.labelled(&format!("{:<38}", worst.case), &line);
        } else if count == NAMED + 1 {
            text += "  and more (--json names all)\n";
        }
    }
    if score.worst.is_empty() { text + "none\n" } else { text }
}

/// One case: what happened, when it could be known, what was raised.
pub(crate) fn case_text(played: &Played, paper: &Paper) -> String {
    let outcome = &played.outcome;
    let mut text = format!("{}\n", paper.ink(Ink::Heading, &outcome.case));
    text += &paper.labelled("  ", &outcome.traits.join(", "));
    for (time_s, what) in timeline(played) {
        text += &paper.labelled(&format!("  {:>10}  ", hours(time_s)), &what);
    }
    if outcome.onset_s.is_some() && outcome.shown.is_none() {
        text += "  The fault does not show itself in time: it counts neither way.\n";
    }
    if outcome.alarms.is_empty() {
        text += "  No alarm.\n";
    }
    text
}

fn hours(seconds: f64) -> String {
    format!("{:.3} h", seconds / 3600.0)
}

/// What happened and what was raised, in order of time, s after the start.
fn timeline(played: &Played) -> Vec<(f64, String)> {
    let (outcome, truth) = (&played.outcome, &played.truth);
    let seconds = |moment: airvalve_simulator::truth::Moment| 1e-6 * (moment.0 - truth.from.0) as f64;
    let mut lines = vec![(outcome.length_s, format!("end; {} releases in all", truth.cycles.len()))];
    lines.extend(outcome.onset_s.map(|onset_s| (onset_s, "the fault begins".to_owned())));
    if let Some(shown) = outcome.shown {
        lines.push((shown.complete_s, "evidence is complete".to_owned()));
        lines.push((shown.deadline_s, "to be found until here".to_owned()));
    }
    let events = &truth.events;
    let drain = |is_burst| if is_burst { "burst" } else { "drain-down" };
    lines.extend(
        events
            .drains
            .iter()
            .map(|event| (seconds(event.from), format!("{}, least {:.0} kPa", drain(event.is_burst), event.least_kpa))),
    );
    lines.extend(events.fills.iter().map(|event| (seconds(event.from), "the main fills".to_owned())));
    lines.extend(
        events.pockets.iter().map(|event| (seconds(event.from), format!("pocket of {:.3} m3", event.greatest_m3))),
    );
    lines.extend(
        events.vacuums.iter().map(|event| (seconds(event.from), format!("vacuum of {:.0} kPa", event.least_kpa))),
    );
    lines.extend(outcome.alarms.iter().map(|alarm| (alarm.raised_s, alarm_line(alarm))));
    lines.sort_by(|a, b| a.0.total_cmp(&b.0));
    lines
}

fn alarm_line(alarm: &airvalve_trials::Raised) -> String {
    let mut line = format!("ALARM {}", alarm.fault);
    if let Some(channel) = &alarm.channel {
        let _ = write!(line, " {channel}");
    }
    let _ = match alarm.cleared_s {
        Some(cleared_s) => write!(line, ", cleared at {}", hours(cleared_s)),
        None => write!(line, ", stands"),
    };
    let _ = write!(line, ", confidence {:.2}", alarm.confidence);
    if !alarm.also_possible.is_empty() {
        let _ = write!(line, ", or {}", alarm.also_possible.join(", "));
    }
    line
}
