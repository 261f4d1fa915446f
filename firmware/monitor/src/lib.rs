//! The detector: the same code on the device and in a replay.
//!
//! It begins behind the drivers. One [`Monitor::step_codes`] (or [`Monitor::step_quantities`]) takes one sample and
//! returns what has changed: state, release cycles, alarms. It allocates nothing, never panics, and gives the same bits
//! on every target (f32 and `libm` only).
//!
//! ```text
//! sample -> health -> frame (about 1 s) -> evidence -> decision -> alarm
//!        \-> state, release cycles, air totals (every sample)
//! ```
//!
//! Glossary: *frame*, means over about a second; *content*, the air in the body in normal litres; *cycle*, one release;
//! *step*, a fast change of line pressure that tests the float; *evidence*, scaled so that 1 is a physical limit.
#![no_std]
#![deny(clippy::indexing_slicing)]

pub mod airflow;
pub mod alarm;
pub mod decision;
mod details;
pub mod device;
pub mod evidence;
pub mod fault;
pub mod frame;
pub mod health;
mod large;
pub mod learned;
mod main_level;
pub mod monitor;
pub mod release;
mod sensor_physics;
pub mod service;
pub mod settings;
pub mod site;
pub mod state;
pub mod steps;
pub mod totals;
mod watched;
pub mod zero;

pub use decision::AlarmChange;
pub use fault::{AlarmKind, Fault};
pub use learned::Learned;
pub use monitor::{Changes, Event, Monitor};
pub use release::Cycle;
pub use service::Service;
pub use settings::Settings;
pub use site::SiteData;
pub use state::ValveState;
pub use totals::Totals;
