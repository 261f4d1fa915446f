//! The whole time as a few rows of characters.

use airvalve_analysis::{Bucket, Replay, Time};
use airvalve_monitor::ValveState;

use super::{
    headline::{clock, day_clock},
    paper::Paper,
};

/// Spells of one kind, from and to.
type Spells = Vec<(Time, Time)>;

/// Width of the labels to the left.
const LABEL: usize = 14;
/// Eighths of a block, from nothing to full.
const LEVELS: [char; 9] = [' ', '▁', '▂', '▃', '▄', '▅', '▆', '▇', '█'];
/// Where there were no samples.
const NO_SAMPLE: char = '?';

/// The rows: float, chamber, odour, state, and alarms and findings where there are any.
pub(crate) fn timeline(replay: &Replay, paper: &Paper) -> String {
    let columns = paper.width.saturating_sub(LABEL).max(10);
    let buckets = replay.strip.columns(columns);
    let mut rows = vec![axis(replay, columns)];
    rows.push(row("float", buckets.iter().map(|bucket| level(bucket.float_least_pct, 0.0, 100.0))));
    let top_kpa = buckets.iter().map(|bucket| bucket.pressure_greatest_kpa).fold(1.0, f32::max);
    rows.push(row("chamber", buckets.iter().map(|bucket| level(bucket.pressure_greatest_kpa, 0.0, top_kpa))));
    let top_ppm = buckets.iter().map(|bucket| bucket.odour_greatest_ppm).fold(10.0, f32::max);
    let has_odour = buckets.iter().any(|bucket| !bucket.odour_greatest_ppm.is_nan());
    if has_odour {
        rows.push(row("odour", buckets.iter().map(|bucket| level(bucket.odour_greatest_ppm, 0.0, top_ppm))));
    }
    rows.extend(states(&buckets));
    rows.extend(stretches(replay, columns));
    let odour = if has_odour { format!("; odour up to {top_ppm:.0} ppm") } else { String::new() };
    let legend = [
        format!("float (lowest) 0 to 100 %; chamber up to {top_kpa:.0} kPa{odour}"),
        "states by their share of time; ? no samples".to_owned(),
    ];
    let indent = format!("{:LABEL$}", "");
    let legend: String = legend.iter().map(|text| paper.labelled(&indent, text)).collect();
    rows.join("\n") + "\n" + &legend
}

fn row(label: &str, cells: impl Iterator<Item = char>) -> String {
    format!("{label:LABEL$}{}", cells.collect::<String>()).trim_end().to_owned()
}

fn level(value: f32, low: f32, high: f32) -> char {
    if value.is_nan() {
        return NO_SAMPLE;
    }
    let share = ((value - low) / (high - low)).clamp(0.0, 1.0);
    // What is above nothing is seen.
    let eighth = (share * 8.0).ceil() as usize;
    LEVELS.get(eighth).copied().unwrap_or('█')
}

/// A row for each state but the usual one that was seen at all.
fn states(buckets: &[Bucket]) -> Vec<String> {
    let unusual = [ValveState::Releasing, ValveState::Filling, ValveState::Admitting, ValveState::Empty];
    let seen = unusual.into_iter().filter(|state| buckets.iter().any(|bucket| bucket.share_in(*state) > 0.0));
    seen.map(|state| row(state.name(), buckets.iter().map(|bucket| level(bucket.share_in(state), 0.0, 1.0)))).collect()
}

/// Alarms and findings, a row a kind.
fn stretches(replay: &Replay, columns: usize) -> Vec<String> {
    let (from, to) = (replay.recording.from, replay.recording.to);
    let mut rows: Vec<(String, char, Spells)> = Vec::new();
    let alarms = replay.alarms.iter().map(|alarm| {
        let label = if alarm.is_of_valve() { alarm.fault } else { "sensor" };
        (label.to_owned(), '#', (alarm.raised_at, alarm.cleared_at.unwrap_or(to)))
    });
    let findings =
        replay.findings.iter().map(|finding| (finding.kind.name().to_owned(), '=', (finding.from, finding.to)));
    for (label, sign, stretch) in alarms.chain(findings) {
        match rows.iter_mut().find(|(known, ..)| *known == label) {
            Some((.., stretches)) => stretches.push(stretch),
            None => rows.push((label, sign, vec![stretch])),
        }
    }
    rows.iter()
        .map(|(label, sign, stretches)| {
            let cells = (0..columns).map(|column| {
                let at = |column: usize| from.0 + (to.0.saturating_sub(from.0) / columns as i64) * column as i64;
                let touches = |(begin, end): &(Time, Time)| begin.0 <= at(column + 1) && end.0 >= at(column);
                if stretches.iter().any(touches) { *sign } else { ' ' }
            });
            let label: String = label.chars().take(LABEL - 1).collect();
            row(&label, cells)
        })
        .collect()
}

/// Times above the rows.
fn axis(replay: &Replay, columns: usize) -> String {
    let (from, to) = (replay.recording.from, replay.recording.to);
    let length_us = to.0.saturating_sub(from.0);
    let is_long = length_us > 30 * 3_600_000_000;
    let label = |time: Time| if is_long { day_clock(time) } else { clock(time) };
    let spacing = if is_long { 18 } else { 14 };
    let marks = (columns / spacing).max(1);
    let mut text = " ".repeat(LABEL);
    for mark in 0..marks {
        let column = mark * columns / marks;
        let time = Time(from.0 + length_us / columns as i64 * column as i64);
        let pad = (LABEL + column).saturating_sub(text.chars().count());
        text += &" ".repeat(pad);
        text += &format!("|{}", label(time));
    }
    text
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_above_nothing_is_seen() {
        assert_eq!(level(0.0, 0.0, 100.0), ' ');
        assert_eq!(level(0.1, 0.0, 100.0), '▁');
        assert_eq!(level(100.0, 0.0, 100.0), '█');
        assert_eq!(level(500.0, 0.0, 100.0), '█');
        assert_eq!(level(f32::NAN, 0.0, 100.0), '?');
    }
}
