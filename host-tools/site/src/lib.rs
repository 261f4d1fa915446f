//! The files that a person writes about a valve: site, main, labels and settings.
//!
//! Duty: read them, refuse what is wrong with file, line, key, value and allowed range, fill in defaults, explain.
//! It decides nothing about samples.

pub mod atmosphere;
mod checked;
mod detector;
mod explain;
mod finding_limits;
pub mod keys;
mod labels_file;
mod main_file;
pub mod model;
mod nearest;
mod orifice;
pub mod problem;
mod reader;
mod rules;
pub mod schema;
mod settings_file;
mod template;

pub use explain::explain;
pub use finding_limits::FindingLimits;
pub use labels_file::{Label, Labelled, parse_labels, read_labels};
pub use main_file::{Main, MainValve};
pub use model::Site;
pub use problem::{Fault, FileError, Problem, read_text};
pub use settings_file::{SettingsFile, parse_settings, read_settings};
pub use template::template;
