//! What is wrong with a file of which little or nothing can be used, and what to do.

use super::CsvReport;

/// More than this share of the rows: said before everything else.
const MOST: f64 = 0.5;

impl CsvReport {
    /// What is to be said before anything that follows from the rest: most rows are rejected, or a channel without which
    /// the valve cannot be judged can hardly be read.
    pub fn first_of_all(&self) -> Vec<String> {
        let rows = &self.rows;
        let mut said = Vec::new();
        if rows.read > 0 && rows.rejected() as f64 > MOST * rows.read as f64 {
            said.push(format!("{} of {} rows rejected; {}", rows.rejected(), rows.read, self.why_rejected()));
        }
        for column in ["float_pct", "pressure_kpa"] {
            said.extend(self.unreadable_column(column));
        }
        said
    }

    fn unreadable_column(&self, column: &str) -> Option<String> {
        let (_, tally) = self.bad_cells.iter().find(|(name, _)| *name == column)?;
        if (tally.count as f64) <= MOST * self.rows.read as f64 {
            return None;
        }
        let cell = self.first_bad_cells.iter().find(|(name, _)| *name == column).map_or("", |(_, cell)| cell);
        let advice = number_advice(cell);
        let (count, line) = (tally.count, tally.first_line);
        Some(format!("{count} cells of `{column}` are no readings, the first `{cell}` in line {line}; {advice}"))
    }

    /// Why no row can be used, or most cannot.
    pub fn why_rejected(&self) -> String {
        let rows = &self.rows;
        if rows.read == 0 {
            return "there is no row below the header; name a file with samples".to_owned();
        }
        if let Some(cell) = &self.first_unreadable_time {
            let line = rows.unreadable_time.first_line;
            return format!("time `{cell}` in line {line} cannot be read; {}", time_advice(cell));
        }
        let (what, line) = if rows.out_of_order.count >= rows.repeated_time.count {
            ("are earlier than the rows before", rows.out_of_order.first_line)
        } else {
            ("repeat the time of the row before", rows.repeated_time.first_line)
        };
        format!("times from line {line} on {what}; sort the rows by time, and give each its own")
    }
}

/// What a time cell that cannot be read looks like.
fn time_advice(cell: &str) -> String {
    let allowed = "write RFC 3339 with offset, as 2031-03-01T18:00:00Z, or Unix seconds";
    let (whole, is_number) = whole_digits(cell);
    let looks_like = match whole {
        _ if cell.is_empty() => "the cell is empty",
        13 if is_number => "it looks like Unix milliseconds: divide by 1000",
        16 if is_number => "it looks like Unix microseconds: divide by 1000000",
        5 if is_number => "it looks like the day number of a spreadsheet",
        _ if cell.contains('/') || cell.matches('.').count() >= 2 => "it looks like a date in another order",
        _ if !cell.contains(':') && cell.matches('-').count() == 2 => "it looks like a date without a time of day",
        _ if cell.contains(',') => "it looks like decimals with a comma",
        _ => return allowed.to_owned(),
    };
    format!("{looks_like}; {allowed}")
}

/// Digits before the point, and whether there is nothing else.
fn whole_digits(cell: &str) -> (usize, bool) {
    let (whole, decimals) = cell.split_once('.').unwrap_or((cell, ""));
    let is_number = whole.bytes().chain(decimals.bytes()).all(|byte| byte.is_ascii_digit());
    (whole.len(), is_number)
}

fn number_advice(cell: &str) -> &'static str {
    let (whole, decimals) = cell.split_once(',').unwrap_or((cell, ""));
    let is_digits = |text: &str| !text.is_empty() && text.bytes().all(|byte| byte.is_ascii_digit());
    if cell.parse::<f32>().is_ok_and(f32::is_finite) {
        "no valve has that: check the unit and the column, and leave a missing one empty"
    } else if is_digits(whole.trim_start_matches('-')) && is_digits(decimals) {
        "decimals with a comma: give --decimal-comma"
    } else {
        "write numbers with a point and without a unit, and leave a missing one empty"
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::csv::{RowCounts, Tally};

    #[test]
    fn a_time_that_cannot_be_read_is_told_by_its_looks() {
        for (cell, advice) in [
            ("1930154400000", "milliseconds"),
            ("1930154400000000", "microseconds"),
            ("48273.75", "spreadsheet"),
            ("01.03.2031 18:00", "another order"),
            ("3/1/2031 6:00 PM", "another order"),
            ("2031-03-01", "without a time of day"),
            ("1930154400,5", "with a comma"),
            ("", "empty"),
        ] {
            assert!(time_advice(cell).contains(advice), "{cell}: {}", time_advice(cell));
        }
        assert!(time_advice("noon").starts_with("write RFC 3339"));
    }

    #[test]
    fn a_cell_that_is_no_reading_is_told_by_its_looks() {
        for (cell, advice) in [("-999", "check the unit"), ("90,5", "--decimal-comma"), ("90 %", "without a unit")] {
            assert!(number_advice(cell).contains(advice), "{cell}: {}", number_advice(cell));
        }
    }

    #[test]
    fn a_column_that_can_hardly_be_read_and_rows_that_are_mostly_rejected_come_first() {
        let tally = |count| Tally { count, first_line: 2 };
        let rows = RowCounts { read: 100, used: 40, unreadable_time: tally(60), ..RowCounts::default() };
        let report = CsvReport {
            rows,
            first_unreadable_time: Some("noon".to_owned()),
            bad_cells: vec![("float_pct", tally(80)), ("pressure_kpa", tally(3)), ("odour_ppm", tally(100))],
            first_bad_cells: vec![("float_pct", "90,1".to_owned()), ("pressure_kpa", "high".to_owned())],
            ..CsvReport::default()
        };
        let said = report.first_of_all();
        assert_eq!(said.len(), 2, "{said:?}");
        assert!(said[0].starts_with("60 of 100 rows rejected; time `noon` in line 2"), "{said:?}");
        assert!(said[1].contains("first `90,1` in line 2") && said[1].ends_with("--decimal-comma"), "{said:?}");
        let good =
            CsvReport { rows: RowCounts { read: 100, used: 100, ..RowCounts::default() }, ..CsvReport::default() };
        assert!(good.first_of_all().is_empty());
    }
}
