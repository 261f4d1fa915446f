//! Which rows of a CSV file, and which samples of a recording, are used, by their times alone.
//!
//! A row that is earlier than the one before is out of order, unless ten rising rows follow the jump back. Those are used:
//! either the clock was set back there, or they go on from before a few rows that were stamped too far ahead. Which of
//! the two it was is told by the rows before: fewer than ten lie ahead when they were stamped wrongly, and those are then
//! the ones out of order. At the end of the file as many rows as lie ahead, and one more, are enough for that.

use std::collections::VecDeque;

/// So many rising rows after a backward jump are used.
const CLOCK_STEP_ROWS: usize = 10;
/// So many used rows, the last ones, may still turn out to be stamped too far ahead.
pub(crate) const REVOCABLE_ROWS: usize = CLOCK_STEP_ROWS - 1;

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
    pub(crate) fn add(&mut self, line: u64) {
        self.first_line = if self.count == 0 { line } else { self.first_line.min(line) };
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
    /// Rejected: earlier than the row before, or ahead of all that follow.
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
pub(crate) enum Verdict {
    /// Use it.
    Use,
    /// Leave it out.
    Reject,
    /// Keep it back until it is clear which rows are stamped wrongly.
    Hold,
    /// Use what was kept back, then this row, and so many fewer of the rows used last.
    UseHeld { instead_of: usize },
}

/// Judges rows by their times, in the order of the file.
#[derive(Clone, Debug, Default)]
pub(crate) struct Gate {
    last_us: Option<i64>,
    /// Time and line of the rows used last.
    recent: VecDeque<(i64, u64)>,
    /// Time and line of rows after a backward jump that have risen ever since.
    held: VecDeque<(i64, u64)>,
    pub(crate) counts: RowCounts,
}

impl Gate {
    /// Judges a row; one whose time cannot be read has none.
    #[inline]
    pub(crate) fn judge(&mut self, time_us: Option<i64>, line: u64) -> Verdict {
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
                if self.recent.len() >= CLOCK_STEP_ROWS {
                    self.recent.pop_front();
                }
                self.recent.push_back((time_us, line));
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
        self.last_us = Some(time_us);
        self.use_held()
    }

    fn use_held(&mut self) -> Verdict {
        let instead_of = self.ahead_of_held();
        if instead_of == 0 {
            let first_line = self.held.front().map_or(0, |(_, line)| *line);
            self.counts.clock_steps.add(first_line);
        }
        for (_, line) in self.recent.drain(self.recent.len().saturating_sub(instead_of)..) {
            self.counts.out_of_order.add(line);
        }
        self.counts.used = self.counts.used - instead_of as u64 + self.held.len() as u64;
        self.recent = std::mem::take(&mut self.held);
        Verdict::UseHeld { instead_of }
    }

    /// So many of the rows used last lie ahead of those kept back, which go on from before them; 0 where they do not.
    fn ahead_of_held(&self) -> usize {
        let Some((first_us, _)) = self.held.front() else { return 0 };
        let ahead = self.recent.iter().rev().take_while(|(used_us, _)| used_us >= first_us).count();
        if ahead < self.recent.len() { ahead } else { 0 }
    }

    /// Judges what is kept back at the end of the file, or where another header begins: uses it, or rejects it as too few rows to be believed.
    pub(crate) fn finish(&mut self) -> Verdict {
        let verdict = if (1..self.held.len()).contains(&self.ahead_of_held()) {
            self.use_held()
        } else {
            self.reject_held();
            Verdict::Reject
        };
        // From here on nothing of what was used can be revoked.
        self.recent.clear();
        verdict
    }

    /// Rows that are kept back now.
    pub(crate) fn held(&self) -> usize {
        self.held.len()
    }

    fn reject_held(&mut self) {
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
        assert_eq!(gate.finish(), Verdict::Reject);
        assert_eq!(gate.counts.out_of_order, Tally { count: 9, first_line: 4 });
        times.push(59);
        let (gate, verdicts) = judge(&times);
        assert_eq!(verdicts.last(), Some(&Verdict::UseHeld { instead_of: 0 }));
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

    #[test]
    fn rows_stamped_too_far_ahead_are_rejected_once_ten_rows_go_on_from_before_them() {
        for ahead in 1..=9 {
            let mut times: Vec<i64> = (10..20).collect();
            times.extend(900..900 + ahead);
            times.extend(20..30);
            let (gate, verdicts) = judge(&times);
            assert_eq!(verdicts.last(), Some(&Verdict::UseHeld { instead_of: ahead as usize }));
            assert_eq!(gate.counts.out_of_order, Tally { count: ahead as u64, first_line: 12 });
            assert_eq!((gate.counts.used, gate.counts.clock_steps.count), (20, 0));
        }
        // Ten of them are a clock that was set forward and back again.
        let (gate, _) = judge(&(10..20).chain(900..910).chain(20..30).collect::<Vec<_>>());
        assert_eq!((gate.counts.used, gate.counts.clock_steps), (30, Tally { count: 1, first_line: 22 }));
    }

    #[test]
    fn at_the_end_of_a_file_the_fewer_rows_are_the_ones_out_of_order() {
        let (mut gate, _) = judge(&[10, 11, 900, 12, 13]);
        assert_eq!(gate.finish(), Verdict::UseHeld { instead_of: 1 });
        assert_eq!((gate.counts.used, gate.counts.out_of_order), (4, Tally { count: 1, first_line: 4 }));
        let (mut gate, _) = judge(&[10, 11, 13, 12]);
        assert_eq!(gate.finish(), Verdict::Reject);
        assert_eq!((gate.counts.used, gate.counts.out_of_order), (3, Tally { count: 1, first_line: 5 }));
    }

    proptest! {
        #[test]
        fn every_row_is_used_or_rejected(times in prop::collection::vec(0..40_i64, 0..200)) {
            let (mut gate, _) = judge(&times);
            gate.finish();
            prop_assert_eq!(gate.counts.read, times.len() as u64);
            prop_assert_eq!(gate.counts.read, gate.counts.used + gate.counts.rejected());
        }
    }
}
