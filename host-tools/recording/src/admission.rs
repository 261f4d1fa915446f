//! Samples that wait until it is clear whether their times can be believed.

use std::collections::VecDeque;

use crate::gate::{Gate, REVOCABLE_ROWS, RowCounts, Verdict};

/// Samples of a recording, or rows of a CSV file, that go in as they stand there and come out as they are used: one rule
/// for all, that of [`RowCounts`].
///
/// # Example
/// ```
/// use airvalve_recording::Admission;
/// let mut admission = Admission::default();
/// // The third was stamped too far ahead.
/// for (place, time_us) in [1, 2, 900, 3, 4].into_iter().enumerate() {
///     admission.take(Some(time_us), place as u64, time_us);
/// }
/// admission.settle();
/// let used: Vec<i64> = std::iter::from_fn(|| admission.next_used()).collect();
/// assert_eq!(used, [1, 2, 3, 4]);
/// assert_eq!(admission.counts().out_of_order.first_line, 2);
/// ```
#[derive(Clone, Debug)]
pub struct Admission<S> {
    gate: Gate,
    /// Samples that are used; all but the first few of them may still be revoked.
    used: VecDeque<S>,
    sure: usize,
    held: Vec<S>,
}

impl<S> Default for Admission<S> {
    fn default() -> Admission<S> {
        Admission { gate: Gate::default(), used: VecDeque::new(), sure: 0, held: Vec::new() }
    }
}

impl<S> Admission<S> {
    /// Takes the next sample with its time, if that can be read, and its place in the file.
    #[inline]
    pub fn take(&mut self, time_us: Option<i64>, place: u64, sample: S) {
        match self.gate.judge(time_us, place) {
            Verdict::Use => self.used.push_back(sample),
            Verdict::Reject => return,
            Verdict::Hold => {
                if self.gate.held() == 1 {
                    self.held.clear();
                }
                self.held.push(sample);
                return;
            }
            Verdict::UseHeld { instead_of } => {
                self.held.push(sample);
                self.use_held(instead_of);
            }
        }
        self.sure = self.sure.max(self.used.len().saturating_sub(REVOCABLE_ROWS));
    }

    /// The next sample that is used for sure.
    #[inline]
    pub fn next_used(&mut self) -> Option<S> {
        self.sure = self.sure.checked_sub(1)?;
        self.used.pop_front()
    }

    /// Nothing follows: what waits is used or rejected.
    pub fn settle(&mut self) {
        if let Verdict::UseHeld { instead_of } = self.gate.finish() {
            self.use_held(instead_of);
        }
        self.sure = self.used.len();
    }

    /// What became of the samples so far; whole once they have settled.
    pub fn counts(&self) -> RowCounts {
        self.gate.counts
    }

    fn use_held(&mut self, instead_of: usize) {
        self.used.truncate(self.used.len().saturating_sub(instead_of));
        self.used.extend(self.held.drain(..));
    }
}
