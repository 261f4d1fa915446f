//! A summary of a file, for people.

use std::fmt;

use crate::{
    csv::CsvReport,
    inspect::{ChannelSummary, Content, RecordingContent, Summary},
};

impl fmt::Display for Summary {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        writeln!(f, "{}: {}, {} bytes", self.file, self.kind, thousands(self.bytes))?;
        if let (Some(from), Some(to)) = (self.from, self.to) {
            writeln!(f, "time        {from} to {to}")?;
        }
        write!(f, "samples     {}", thousands(self.samples))?;
        if let Some(bytes) = self.bytes_per_sample {
            write!(f, ", {bytes:.2} bytes a sample")?;
        }
        writeln!(f)?;
        match &self.content {
            Content::Recording(content) => content.fmt(f)?,
            Content::Csv(report) => csv_lines(report, f)?,
        }
        writeln!(f, "gaps        {}", self.gaps.count)?;
        for gap in &self.gaps.first {
            writeln!(f, "            {} to {}", gap.from, gap.to)?;
        }
        if self.backward_steps > 0 {
            let steps = if self.backward_steps == 1 { "step" } else { "steps" };
            writeln!(f, "clock       {} backward {steps}", thousands(self.backward_steps))?;
        }
        Ok(())
    }
}

impl fmt::Display for RecordingContent {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let header = &self.header;
        writeln!(f, "device      {}, format version {}", header.device_id, header.format_version)?;
        writeln!(f, "period      {} s", header.sample_period_s)?;
        if header.burst_every_s > 0.0 {
            writeln!(f, "bursts      {} s every {} s", header.burst_s, header.burst_every_s)?;
        }
        for channel in &header.channels {
            let ChannelSummary { column, low, high, unit } = channel;
            writeln!(f, "channel     {column}: {low} .. {high} {unit}")?;
        }
        if !header.contacts.is_empty() {
            writeln!(f, "contacts    {}", header.contacts.join(", "))?;
        }
        for (name, count) in &self.records {
            writeln!(f, "records     {} {name}", thousands(*count))?;
        }
        let [frames, lost, skipped] = [self.frames, self.lost_frames, self.skipped_frames].map(thousands);
        writeln!(f, "frames      {frames}, {lost} lost, {skipped} skipped")?;
        for loss in &self.losses.first {
            writeln!(f, "            {} lost at byte {}", loss.frames, loss.offset)?;
        }
        writeln!(f, "restarts    {}", self.restarts)?;
        writeln!(f, "damage      {}", self.damaged.count)?;
        for place in &self.damaged.first {
            writeln!(f, "            {} bytes at byte {}: {}", place.bytes, place.offset, place.reason)?;
        }
        if self.is_truncated {
            writeln!(f, "the file ends inside a frame; what stands before it is used")?;
        }
        Ok(())
    }
}

fn csv_lines(report: &CsvReport, f: &mut fmt::Formatter<'_>) -> fmt::Result {
    let rows = &report.rows;
    let [read, used, rejected] = [rows.read, rows.used, rows.rejected()].map(thousands);
    writeln!(f, "rows        {read} read, {used} used, {rejected} rejected")?;
    let kinds = [
        ("time cannot be read", rows.unreadable_time),
        ("time repeated", rows.repeated_time),
        ("out of order", rows.out_of_order),
        ("clock steps (used)", rows.clock_steps),
        ("too many cells", report.long_rows),
        ("too few cells", report.short_rows),
    ];
    let bad = report.bad_cells.iter().map(|(column, tally)| (*column, *tally));
    for (what, tally) in kinds.into_iter().chain(bad).filter(|(_, tally)| tally.count > 0) {
        writeln!(f, "            {what}: {}, first in line {}", thousands(tally.count), tally.first_line)?;
    }
    if !report.unused_columns.is_empty() {
        writeln!(f, "left out    columns {}", report.unused_columns.join(", "))?;
    }
    Ok(())
}

/// A whole number with its thousands apart.
///
/// # Example
/// ```
/// # use airvalve_recording::thousands;
/// assert_eq!((thousands(999), thousands(1_234_567)), ("999".to_owned(), "1,234,567".to_owned()));
/// ```
pub fn thousands(number: u64) -> String {
    let digits = number.to_string();
    let mut text = String::new();
    for (place, digit) in digits.chars().enumerate() {
        if place > 0 && (digits.len() - place).is_multiple_of(3) {
            text.push(',');
        }
        text.push(digit);
    }
    text
}
