//! Which rows are used, by their times alone.

use std::collections::VecDeque;

/// So many rising rows after a backward jump are a clock step.
const CLOCK_STEP_ROWS: usize = 10;

/// How often something was met, and where first.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, serde::Serialize)]
pub struct Tally {
    /// How often.
    pub count: u64,
    /// First line of it, from 1; 0 while there is none.
    pub first_line: u64,
}

impl Tally {
    /// Counts one more.
    pub(super) fn add(&mut self, line: u64) {
        if self.count == 0 {
            self.first_line = line;
        }
        self.count += 1;
    }
}

/// The rows of a file, counted: `read = used + rejected()`.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, serde::Serialize)]
pub struct RowCounts {
    /// Rows read.
    pub read: u64,
    /// Rows used.
    pub used: u64,
    /// Rejected: the time cannot be read.
    pub unreadable_time: Tally,
    /// Rejected: the time of the row before again.
    pub repeated_time: Tally,
    /// Rejected: earlier than the row before.
    pub out_of_order: Tally,
    /// Backward steps of the clock, whose rows are used.
    pub clock_steps: Tally,
}

impl RowCounts {
    /// Rows that were not used.
    pub fn rejected(&self) -> u64 {
        self.unreadable_time.count + self.repeated_time.count + self.out_of_order.count
    }
}

/// What becomes of a row.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Verdict {
    /// Use it.
    Use,
    /// Leave it out.
    Reject,
    /// Keep it back until it is clear whether the clock was set.
    Hold,
    /// The clock was set: use what was kept back, then this row.
    UseHeld,
}

/// Judges rows by their times, in the order of the file.
#[derive(Clone, Debug, Default)]
pub(super) struct Gate {
    last_us: Option<i64>,
    /// Time and line of rows after a backward jump that have risen ever since.
    held: VecDeque<(i64, u64)>,
    pub(super) counts: RowCounts,
}

impl Gate {
    /// Judges a row; one whose time cannot be read has none.
    #[inline]
    pub(super) fn judge(&mut self, time_us: Option<i64>, line: u64) -> Verdict {
        self.counts.read += 1;
        let Some(time_us) = time_us else {
            self.counts.unreadable_time.add(line);
            return Verdict::Reject;
        };
        match self.last_us {
            Some(last_us) if time_us <= last_us => self.judge_late(time_us, last_us, line),
            _ => {
                if !self.held.is_empty() {
                    self.reject_held();
                }
                self.last_us = Some(time_us);
                self.counts.used += 1;
                Verdict::Use
            }
        }
    }

    fn judge_late(&mut self, time_us: i64, last_us: i64, line: u64) -> Verdict {
        let last_held_us = self.held.back().map(|(time_us, _)| *time_us);
        if time_us == last_us || last_held_us == Some(time_us) {
            self.counts.repeated_time.add(line);
            return Verdict::Reject;
        }
        if last_held_us.is_some_and(|held_us| time_us < held_us) {
            self.reject_held();
        }
        self.held.push_back((time_us, line));
        if self.held.len() < CLOCK_STEP_ROWS {
            return Verdict::Hold;
        }
        let first_line = self.held.front().map_or(line, |(_, line)| *line);
        self.counts.clock_steps.add(first_line);
        self.counts.used += self.held.len() as u64;
        self.held.clear();
        self.last_us = Some(time_us);
        Verdict::UseHeld
    }

    /// Rows that are kept back now.
    pub(super) fn held(&self) -> usize {
        self.held.len()
    }

    /// Rejects what is kept back: it was no clock step.
    pub(super) fn reject_held(&mut self) {
        while let Some((_, line)) = self.held.pop_front() {
            self.counts.out_of_order.add(line);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn judge(times: &[i64]) -> (Gate, Vec<Verdict>) {
        let mut gate = Gate::default();
        let verdicts = times.iter().zip(2..).map(|(time, line)| gate.judge(Some(*time), line)).collect();
        (gate, verdicts)
    }

    #[test]
    fn nine_rising_rows_are_out_of_order_and_ten_are_a_clock_step() {
        let mut times = vec![100, 101];
        times.extend(50..59);
        let (mut gate, _) = judge(&times);
        gate.reject_held();
        assert_eq!(gate.counts.out_of_order, Tally { count: 9, first_line: 4 });
        times.push(59);
        let (gate, verdicts) = judge(&times);
        assert_eq!(verdicts.last(), Some(&Verdict::UseHeld));
        assert_eq!(gate.counts.used, 12);
        assert_eq!(gate.counts.clock_steps, Tally { count: 1, first_line: 4 });
    }

    #[test]
    fn a_late_row_among_good_ones_is_rejected() {
        let (gate, verdicts) = judge(&[10, 11, 5, 12, 12]);
        assert_eq!(verdicts, [Verdict::Use, Verdict::Use, Verdict::Hold, Verdict::Use, Verdict::Reject]);
        assert_eq!(gate.counts.out_of_order, Tally { count: 1, first_line: 4 });
        assert_eq!(gate.counts.repeated_time, Tally { count: 1, first_line: 6 });
    }

    proptest! {
        #[test]
        fn every_row_is_used_or_rejected(times in prop::collection::vec(0..40_i64, 0..200)) {
            let (mut gate, _) = judge(&times);
            gate.reject_held();
            prop_assert_eq!(gate.counts.read, times.len() as u64);
            prop_assert_eq!(gate.counts.read, gate.counts.used + gate.counts.rejected());
        }
    }
}
