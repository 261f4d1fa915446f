//! A combination air valve on a rising main, simulated: the physics, the faults, the sensors and the bus they hang on.
//!
//! Duty: play a scenario on a site and give, sample by sample, what the unmodified converter driver reads, and at the end
//! the truth. It knows nothing of any detector. The same scenario and seed give the same codes, bit for bit, on every
//! machine: only `+ - * /`, square roots and `libm` are used.
//!
//! Glossary: *scenario*, the file that says what happens; *plant*, station, main, valve and vault; *cushion*, the air in
//! the body; *level*, of the liquid in the body, in strokes of the float; *seat*, an orifice with what opens and fouls it.

pub mod air;
mod arrivals;
mod body;
mod bus;
mod deviations;
mod float;
mod fouling;
mod keys;
mod parse;
mod plant;
mod random;
mod reader;
mod recorder;
pub mod scenario;
mod seat;
mod sensing;
mod simulation;
mod station;
mod steps;
mod timetable;
pub mod truth;
mod vault;

pub use bus::{BusDelay, SensorBus};
pub use keys::reference;
pub use random::Random;
pub use reader::{Place, ScenarioError};
pub use scenario::Scenario;
pub use simulation::{Glimpse, Simulation, Tick};
pub use truth::Truth;
