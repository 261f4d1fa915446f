//! A bar on standard error for work that takes longer than a second.

use std::{
    cell::Cell,
    io::IsTerminal,
    sync::{
        OnceLock,
        atomic::{AtomicU32, AtomicU64, Ordering::Relaxed},
    },
    time::{Duration, Instant},
};

use indicatif::{ProgressBar, ProgressStyle};

/// Work up to this long shows no bar.
const PATIENCE: Duration = Duration::from_secs(1);

/// Progress of one piece of work; silent where standard error is no terminal.
pub(crate) struct Progress {
    begun: Instant,
    is_terminal: bool,
    /// Calls to be passed over before the clock is looked at again.
    wait: AtomicU32,
    /// What several parts have done together.
    done: AtomicU64,
    bar: OnceLock<ProgressBar>,
    template: &'static str,
    total: Option<u64>,
}

impl Progress {
    /// Counts up to `total`.
    pub(crate) fn towards(total: u64) -> Progress {
        Progress::new("{elapsed} {wide_bar} {percent} %", Some(total))
    }

    /// Counts samples whose number is not known beforehand.
    pub(crate) fn of_samples() -> Progress {
        Progress::new("{elapsed} {spinner} {human_pos} samples", None)
    }

    fn new(template: &'static str, total: Option<u64>) -> Progress {
        let is_terminal = std::io::stderr().is_terminal();
        Progress {
            begun: Instant::now(),
            is_terminal,
            wait: AtomicU32::new(0),
            done: AtomicU64::new(0),
            bar: OnceLock::new(),
            template,
            total,
        }
    }

    /// So much is done.
    pub(crate) fn set(&self, done: u64) {
        if !self.is_terminal {
            return;
        }
        // Two threads that meet here pass over a call more or less.
        let wait = self.wait.load(Relaxed);
        if wait > 0 {
            self.wait.store(wait - 1, Relaxed);
            return;
        }
        self.wait.store(64, Relaxed);
        self.set_now(done);
    }

    /// One of several parts that are done side by side: what it has done is added to that of the others.
    pub(crate) fn part(&self) -> impl Fn(u64) {
        let before = Cell::new(0);
        move |done| {
            let more = done.saturating_sub(before.replace(done));
            self.set(self.done.fetch_add(more, Relaxed) + more);
        }
    }

    /// So much is done: for calls that are few.
    pub(crate) fn set_now(&self, done: u64) {
        if self.is_terminal && self.begun.elapsed() >= PATIENCE {
            self.bar.get_or_init(|| self.begin()).set_position(done);
        }
    }

    fn begin(&self) -> ProgressBar {
        let bar = match self.total {
            Some(total) => ProgressBar::new(total),
            None => ProgressBar::new_spinner(),
        };
        let style = ProgressStyle::with_template(self.template).unwrap_or_else(|_| ProgressStyle::default_bar());
        bar.with_style(style).with_elapsed(self.begun.elapsed())
    }
}

impl Drop for Progress {
    fn drop(&mut self) {
        if let Some(bar) = self.bar.get() {
            bar.finish_and_clear();
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn parts_add_up() {
        let progress = Progress::of_samples();
        let (one, other) = (progress.part(), progress.part());
        [10, 20, 30].into_iter().for_each(&one);
        [5, 7].into_iter().for_each(&other);
        assert_eq!(progress.done.load(Relaxed), 37);
    }
}
