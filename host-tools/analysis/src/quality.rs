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
    pub(crate) fn say(&mut self, warning: String) {
        self.said.push(warning);
    }

    pub(crate) fn no_samples(&mut self, file: &Path) {
        self.say(format!("{}: no sample in it; left out", file.display()));
    }

    /// What was met in a CSV file.
    pub(crate) fn csv(&mut self, file: &Path, report: &CsvReport) {
        let rows = &report.rows;
        let kinds: [(&str, Tally); 5] = [
            ("rows rejected, the time cannot be read", rows.unreadable_time),
            ("rows rejected, the time is repeated", rows.repeated_time),
            ("rows rejected, out of order", rows.out_of_order),
            ("clock steps back, their rows used", rows.clock_steps),
            ("rows with more cells than columns, their samples missing", report.long_rows),
        ];
        for (what, tally) in kinds {
            self.tally(file, what, tally);
        }
        for (column, tally) in &report.bad_cells {
            self.tally(file, &format!("cells of `{column}` that cannot be read, taken as missing"), *tally);
        }
        if !report.unused_columns.is_empty() {
            self.say(format!("{}: columns left out: {}", file.display(), report.unused_columns.join(", ")));
        }
    }

    fn tally(&mut self, file: &Path, what: &str, tally: Tally) {
        if tally.count > 0 {
            self.say(format!("{}:{}: {} {what}", file.display(), tally.first_line, tally.count));
        }
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
        };
        (quality, self.said)
    }
}
