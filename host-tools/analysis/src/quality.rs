//! What a reader should know of the files before believing the rest.

use std::path::Path;

use airvalve_recording::csv::{CsvReport, Tally};

use crate::result::Quality;

/// Notes that are taken while files are read.
#[derive(Clone, Debug, Default)]
pub(crate) struct Notes {
    pub(crate) files: usize,
    pub(crate) lost_frames: u64,
    pub(crate) damaged_places: u64,
    pub(crate) skipped_frames: u64,
    pub(crate) restarts: u64,
    said: Vec<String>,
}

impl Notes {
    /// Says a thing once.
    pub(crate) fn say(&mut self, warning: String) {
        if !self.said.contains(&warning) {
            self.said.push(warning);
        }
    }

    pub(crate) fn no_samples(&mut self, file: &Path) {
        self.say(format!("{}: no sample in it; left out", file.display()));
    }

    /// The samples come in bursts (0: all the time): what cannot be judged from them.
    pub(crate) fn bursts(&mut self, burst_s: u32, every_s: u32) {
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

    /// Rows come too seldom for the detector.
    pub(crate) fn slow(&mut self, period_us: i64) {
        self.say(format!(
            "a row every {:.0} s, and the detector is made for 1 to 50 a second: the states of the valve, its release \
             cycles and its faults cannot be judged from these rows, do not trust an alarm or its absence; the air is \
             only bounded, by what the orifices pass and the main drains and fills",
            period_us as f64 * 1e-6
        ));
    }

    /// What was met in a CSV file.
    pub(crate) fn csv(&mut self, file: &Path, report: &CsvReport) {
        self.said.extend(csv_warnings(file, report));
    }

    /// The counts, and all that is to be said.
    pub(crate) fn finish(mut self, clock_steps: u64, gap_hours: f64) -> (Quality, Vec<String>) {
        let counted = [
            (self.lost_frames, "frames of the recording are lost"),
            (self.damaged_places, "damaged places in the recording, left out"),
            (self.skipped_frames, "frames of a later version or broken layout, left out"),
        ];
        for (count, what) in counted {
            if count > 0 {
                self.said.push(format!("{count} {what}"));
            }
        }
        let quality = Quality {
            files: self.files,
            lost_frames: self.lost_frames,
            damaged_places: self.damaged_places,
            restarts: self.restarts,
            clock_steps,
            gap_hours,
            without_float_hours: 0.0,
            without_pressure_hours: 0.0,
        };
        (quality, self.said)
    }
}

/// What was met in a CSV file beside good rows, one line a kind with the first place.
pub fn csv_warnings(file: &Path, report: &CsvReport) -> Vec<String> {
    let rows = &report.rows;
    let kinds: [(&str, Tally); 5] = [
        ("rows rejected, the time cannot be read", rows.unreadable_time),
        ("rows rejected, the time is repeated", rows.repeated_time),
        ("rows rejected, out of order", rows.out_of_order),
        ("clock steps back, their rows used", rows.clock_steps),
        ("rows with more cells than columns, their samples missing", report.long_rows),
    ];
    let kinds = kinds.map(|(what, tally)| (what.to_owned(), tally)).into_iter();
    let bad = report
        .bad_cells
        .iter()
        .map(|(column, tally)| (format!("cells of `{column}` that cannot be read, taken as missing"), *tally));
    let far = report.far_cells.iter().map(|(column, tally)| {
        (format!("cells of `{column}` more than ten spans beyond the site's span, taken as missing"), *tally)
    });
    let met = kinds.chain(bad).chain(far).filter(|(_, tally)| tally.count > 0);
    let mut said: Vec<String> =
        met.map(|(what, tally)| format!("{}:{}: {} {what}", file.display(), tally.first_line, tally.count)).collect();
    if !report.unused_columns.is_empty() {
        said.push(format!("{}: columns left out: {}", file.display(), report.unused_columns.join(", ")));
    }
    said
}
