//! The files that a person writes about a valve: site and main.
//!
//! Duty: read them, refuse what is wrong with file, line, key, value and allowed range, fill in defaults, explain.
//! It decides nothing about samples.

pub mod atmosphere;
mod checked;
mod explain;
pub mod keys;
mod main_file;
pub mod model;
mod nearest;
mod orifice;
pub mod problem;
mod reader;
mod rules;
pub mod schema;
mod template;

pub use explain::explain;
pub use main_file::{Main, MainValve};
pub use model::Site;
pub use problem::{Fault, FileError, Problem};
pub use template::template;

mod detector;
mod settings_file;
pub use settings_file::{parse_settings, read_settings};
