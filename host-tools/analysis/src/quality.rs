//! What a reader should know of the files before believing the rest.

use std::path::Path;

use airvalve_recording::{
    Losses,
    csv::{CsvReport, RowCounts, Tally},
};

use crate::{clock::Clock, result::Quality, source::Unset, time::Time};

/// Notes that are taken while files are read.
#[derive(Clone, Debug, Default)]
pub(crate) struct Notes {
    pub(crate) files: usize,
    pub(crate) lost_frames: u64,
    pub(crate) damaged_places: u64,
    pub(crate) restarts: u64,
    /// Rows came too seldom for the detector.
    is_slow: bool,
    /// What comes before everything else.
    first: Vec<String>,
    said: Vec<String>,
}

impl Notes {
    /// Says a thing once.
    pub(crate) fn say(&mut self, warning: String) {
        if !self.said.contains(&warning) {
            self.said.push(warning);
        }
    }

    pub(crate) fn no_samples(&mut self, file: &Path, why: &str) {
        self.say(format!("{}: no sample that can be used, left out: {why}", file.display()));
    }

    /// The samples come in bursts (0: all the time): what cannot be judged from them.
    pub(crate) fn bursts(&mut self, [burst_s, every_s]: [f64; 2]) {
        if every_s <= burst_s {
            return;
        }
        self.say(format!(
            "sampled in bursts of {burst_s} s every {every_s} s, and nothing is seen between them; not judged from bursts \
             are release cycles that do not lie within one, vacuum and whatever else comes and goes between them, and air \
             that goes out or comes in there (it is bounded by what the orifices pass and the main drains and fills); a \
             fault that takes longer than \
             a burst to show is told late, or not at all"
        ));
    }

    /// The first samples were taken before the clock was set.
    pub(crate) fn unset_clock(&mut self, file: &Path, unset: &Unset) {
        let samples = if unset.samples == 1 { "sample" } else { "samples" };
        self.first.push(format!(
            "{}: begins at {} and goes on, after {} {samples}, at {}: the clock was set only then, and what came before is \
             left out",
            file.display(),
            Time(unset.first_us),
            unset.samples,
            Time(unset.until_us)
        ));
    }

    /// What a recording has lost.
    pub(crate) fn losses(&mut self, file: &Path, losses: &Losses) {
        self.lost_frames += losses.missing.amount;
        self.damaged_places += losses.damaged.places + u64::from(losses.cut_at.is_some());
        self.said.extend(losses.sentences(file));
    }

    /// What was wrong with the times of a recording's samples.
    pub(crate) fn times(&mut self, file: &Path, counts: &RowCounts) {
        for (why, tally) in [("the time is repeated", counts.repeated_time), ("out of order", counts.out_of_order)] {
            if tally.count > 0 {
                let samples = counted("samples ", tally.count);
                let (file, count, first) = (file.display(), tally.count, tally.first_line);
                self.said.push(format!("{file}: {count} {samples}rejected, {why}, the first at sample {first}"));
            }
        }
    }

    /// The clock was set back: which times the result has.
    pub(crate) fn clock(&mut self, clock: &Clock) {
        let Some([(first_us, first_by_us), (last_us, by_us)]) = clock.first_and_last_step() else { return };
        let (first, by) = (Time(first_us), length(first_by_us));
        let more = match clock.backward_steps() {
            1 => String::new(),
            steps => format!(", {steps} times in all, the last time at {}, by {} in sum", Time(last_us), length(by_us)),
        };
        self.say(format!(
            "the clock was set back at {first}, by {by}{more}; all times of this result go on as if it had not been, and \
             from there on lie so much later than those in the file"
        ));
    }

    /// There were more gaps than are listed.
    pub(crate) fn unlisted_gaps(&mut self, count: u64) {
        if count > 0 {
            self.say(format!(
                "{count} more gaps than are listed, the hours of all of them counted; check the sample period that the \
                 file states"
            ));
        }
    }

    /// There were more hours than are told one by one.
    pub(crate) fn hours(&mut self, last_us: i64) {
        self.say(format!(
            "samples in more hours than five years have: the air from {} on is told in one sum, that of its hour; replay \
             a few years at a time",
            Time(last_us)
        ));
    }

    /// Rows come too seldom for the detector.
    pub(crate) fn slow(&mut self, period_us: i64) {
        self.is_slow = true;
        // Rows that come still more seldom are taken for one a minute.
        let seldom = if period_us >= 60_000_000 { " or more seldom" } else { "" };
        let warning = format!(
            "a row every {:.0} s{seldom}, and the detector is made for 1 to 50 a second: the states of the valve, its release \
             cycles and its faults cannot be judged from these rows, do not trust an alarm or its absence; the air is \
             only bounded, by what the orifices pass and the main drains and fills",
            period_us as f64 * 1e-6
        );
        if !self.first.contains(&warning) {
            self.first.push(warning);
        }
    }

    /// What was met in a CSV file.
    pub(crate) fn csv(&mut self, file: &Path, report: &CsvReport) {
        let first_of_all = report.first_of_all();
        self.first.extend(first_of_all.iter().map(|what| format!("{}: {what}", file.display())));
        self.said.extend(csv_warnings(file, report).into_iter().skip(first_of_all.len()));
    }

    /// The counts, what is to be said before everything else, and what after it.
    pub(crate) fn finish(self, clock_steps: u64, gap_hours: f64) -> (Quality, Vec<String>, Vec<String>) {
        let quality = Quality {
            files: self.files,
            lost_frames: self.lost_frames,
            damaged_places: self.damaged_places,
            restarts: self.restarts,
            clock_steps,
            gap_hours,
            without_float_hours: 0.0,
            without_pressure_hours: 0.0,
            is_too_short: false,
            alarms_trusted: !self.is_slow,
        };
        (quality, self.first, self.said)
    }
}

/// One of something that is named in the plural.
fn counted(what: &str, count: u64) -> String {
    if count != 1 {
        return what.to_owned();
    }
    [("rows ", "row "), ("samples ", "sample "), ("cells of", "cell of"), ("steps ", "step "), ("their ", "its ")]
        .iter()
        .fold(what.to_owned(), |what, (many, one)| what.replacen(many, one, 1))
}

fn length(length_us: i64) -> String {
    match length_us as f64 * 1e-6 {
        s if s < 120.0 => format!("{s:.1} s"),
        s if s < 7200.0 => format!("{:.0} min", s / 60.0),
        s => format!("{:.1} h", s / 3600.0),
    }
}

/// What was met in a CSV file beside good rows: what makes most of it useless first, then one line a kind with the first
/// place.
pub fn csv_warnings(file: &Path, report: &CsvReport) -> Vec<String> {
    let rows = &report.rows;
    let kinds: [(&str, Tally); 6] = [
        ("rows rejected, the time cannot be read", rows.unreadable_time),
        ("rows rejected, the time is repeated", rows.repeated_time),
        ("rows rejected, out of order", rows.out_of_order),
        ("clock steps back, their rows used", rows.clock_steps),
        ("rows with more cells than columns, their samples missing", report.long_rows),
        ("rows with fewer cells than columns, the other samples missing", report.short_rows),
    ];
    let kinds = kinds.map(|(what, tally)| (what.to_owned(), tally)).into_iter();
    let first = |column| report.first_bad_cells.iter().find(|(name, _)| *name == column);
    let bad = report.bad_cells.iter().map(|(column, tally)| {
        let cell = first(*column).map_or("", |(_, cell)| cell);
        (format!("cells of `{column}` taken as missing, `{cell}` is no reading"), *tally)
    });
    let met = kinds.chain(bad).filter(|(_, tally)| tally.count > 0);
    let mut said: Vec<String> =
        report.first_of_all().into_iter().map(|what| format!("{}: {what}", file.display())).collect();
    said.extend(met.map(|(what, tally)| {
        format!("{}:{}: {} {}", file.display(), tally.first_line, tally.count, counted(&what, tally.count))
    }));
    if !report.unused_columns.is_empty() {
        said.push(format!("{}: columns left out: {}", file.display(), report.unused_columns.join(", ")));
    }
    said
}
