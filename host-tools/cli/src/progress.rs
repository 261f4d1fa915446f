//! A bar on standard error for work that takes longer than a second.

use std::{
    cell::{Cell, OnceCell},
    io::IsTerminal,
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
    wait: Cell<u32>,
    bar: OnceCell<ProgressBar>,
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
        Progress { begun: Instant::now(), is_terminal, wait: Cell::new(0), bar: OnceCell::new(), template, total }
    }

    /// So much is done.
    pub(crate) fn set(&self, done: u64) {
        if !self.is_terminal {
            return;
        }
        if self.wait.get() > 0 {
            self.wait.set(self.wait.get() - 1);
            return;
        }
        self.wait.set(64);
        self.set_now(done);
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
