//! Results for people.

mod data;
mod evaluate_table;
mod evaluate_text;
mod headline;
mod learned_text;
mod paper;
mod replay_text;
mod timeline;

pub(crate) use evaluate_table::Table;
pub(crate) use evaluate_text::{Against, Evaluated, case_text, models_text, score_text};
pub(crate) use paper::{Paper, plain, wrapped};
pub(crate) use replay_text::replay_text;

/// Says a warning on standard error.
pub(crate) fn warn(warning: &(impl std::fmt::Display + ?Sized)) {
    eprintln!("airvalve: warning: {}", plain(&warning.to_string()));
}
