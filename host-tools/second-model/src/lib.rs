//! A second simulator of the same scenarios, built on other assumptions than the first.
//!
//! Duty: give a detector that was shaped on one simulator a plant that it has not seen. It reads the same scenario and
//! site files and hands out the same truth; below the scenario the two share no code. The same scenario and seed give
//! the same codes, bit for bit, on every machine: only `+ - * /`, square roots and `libm` are used.
//!
//! What differs: the float has mass and Stribeck friction; the liquid's surface sloshes; gas and wall are two nodes with
//! a film between them that goes with the density; a sharp edge's coefficient follows the pressure ratio; air comes as a
//! stream with the flow, clouds and log-normal slugs; the main is a source behind resistance and impedance with an
//! elastic mode; noise is coloured, transmitters have dead time, play and a zero that follows the temperature; faults act
//! through other mechanisms.
//!
//! Glossary: *frame*, what does not change about the valve and its surroundings; *body*, what does; *share*, part of a
//! whole from 0 to 1; *stroke*, the way of the float, the unit of positions inside.

mod actions;
mod arrivals;
#[cfg(test)]
#[allow(clippy::expect_used)]
mod blow_down;
mod course;
mod cushion;
mod day;
mod failing;
mod float;
pub mod gas;
mod glimpse;
mod pipe;
mod plant;
mod random;
mod recorder;
mod sensing;
mod simulation;
mod slosh;
mod station;
mod transmitter;
mod valve;
mod vault;
mod wear;

pub use airvalve_simulator::{Scenario, ScenarioError, Tick, Truth};
pub use glimpse::Glimpse;
pub use simulation::Simulation;
