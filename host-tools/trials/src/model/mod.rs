//! The models on which a case is played, behind one face.
//!
//! Duty: let a case, the rules on the truth and `simulate` take either simulator alike. What the two call by different
//! names gets one name and one meaning here, in [`TrueState`].

mod first;
mod second;

use airvalve_sensors::{CHANNELS, CodeSample};
use airvalve_simulator::{Scenario, ScenarioError, Tick, Truth, truth::TrueValveTruth};
use airvalve_site::Site;

/// Which set of assumptions about valve, main and sensors a case is played on.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Model {
    /// The simulator on which the detector was made.
    First,
    /// The same scenarios on other assumptions, so that the detector is not shaped to the first.
    Second,
}

impl Model {
    /// Both.
    pub const ALL: [Model; 2] = [Model::First, Model::Second];

    /// Name as it stands in the names of cases.
    pub const fn name(self) -> &'static str {
        match self {
            Model::First => "first",
            Model::Second => "second",
        }
    }

    /// The model of this name.
    pub fn from_name(name: &str) -> Option<Model> {
        Model::ALL.into_iter().find(|model| model.name() == name)
    }

    /// Sets a plant up; `seed` stands in for the scenario's own.
    ///
    /// # Errors
    /// [`ScenarioError::Contradiction`] where the scenario does not fit the site or itself.
    pub fn plant(self, scenario: &Scenario, site: &Site, seed: Option<u64>) -> Result<Box<dyn Plant>, ScenarioError> {
        Ok(match self {
            Model::First => Box::new(first::First::new(scenario, site, seed)?),
            Model::Second => Box::new(second::Second::new(scenario, site, seed)?),
        })
    }
}

/// A simulated valve with its sensors, from sample to sample.
pub trait Plant {
    /// Lets the plant run to the next sample; `None` at the end.
    fn next(&mut self) -> Option<Tick>;

    /// What reaches the device of the sample that [`Plant::next`] gave: the first model's passes the device's own driver,
    /// the second has the codes themselves.
    fn sample(&mut self, tick: &Tick) -> CodeSample;

    /// Time since the start, s.
    fn now_s(&self) -> f64;

    /// What the plant really does now.
    fn state(&self) -> TrueState;

    /// What the valve really is.
    fn true_valve(&self) -> TrueValveTruth;

    /// Which channels are fitted, by their ids.
    fn fitted(&self) -> [bool; CHANNELS];

    /// Contacts that are wired, one bit a contact id.
    fn contacts_fitted(&self) -> u8;

    /// Samples a second.
    fn sample_hz(&self) -> f64;

    /// Length and spacing of the bursts in which samples are taken, s; `None` when sampling is continuous.
    fn burst_s(&self) -> Option<(f64, f64)>;

    /// Share of the scenario that is done, 0 to 1.
    fn progress(&self) -> f64;

    /// Ends the simulation where it stands and hands out the truth.
    fn finish(self: Box<Self>) -> Truth;
}

/// The plant at one moment, as the rules on the truth look at it.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct TrueState {
    /// After the start, s.
    pub now_s: f64,
    /// Position of the float, 0 down to 100 up.
    pub float_pct: f64,
    /// Height of the liquid in the body on the float's scale: below 0 in the pipe, above 100 into the seal volume.
    pub level_pct: f64,
    /// The float is jammed.
    pub is_float_held: bool,
    /// Of the cushion, gauge.
    pub chamber_kpa: f64,
    /// What the chamber would have if nothing flowed up the riser, gauge: of a spill, all that it takes is missing.
    pub main_kpa: f64,
    /// Hydrogen sulphide where the cell hangs.
    pub odour_ppm: f64,
    /// Air that has come to the high point since the start, pockets included, NL.
    pub arrived_nl: f64,
    /// A pump runs.
    pub is_pumping: bool,
    /// The float has a release orifice open, blocked or not.
    pub is_releasing: bool,
    /// The liquid reaches the orifices: there is no cushion over it.
    pub is_cushion_lost: bool,
    /// Free area of the more clogged release orifice over that of a clean one.
    pub free_share: f64,
    /// Air that goes out through shut release seats, NL/s.
    pub leak_nl_s: f64,
    /// What grease makes the liquid go before a float follows that has stood still for minutes, % of stroke.
    pub friction_pct: f64,
    /// How much deeper the float sits in the liquid than a clean one, % of stroke.
    pub sunk_pct: f64,
    /// How far the zero of a transmitter that drifts has gone, either way, % of span.
    pub drifted_pct: f64,
    /// What the odour cell still answers of what is there, 0 to 1.
    pub cell_gain: f64,
}
