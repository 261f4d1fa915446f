//! One case: a valve that nobody has seen, what happens to it, and what is to be found.

use std::{fmt, path::Path};

use airvalve_monitor::Fault;
use airvalve_sensors::Channel;
use airvalve_simulator::{Scenario, ScenarioError};
use airvalve_site::{FileError, Site};
use serde::{Deserialize, Serialize};

use crate::{
    draw::{Draw, rounded},
    model::Model,
    plant::{self, Plant},
    valve::Valve,
};

/// Which cases: those on which the detector was made, or those by which it is judged.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Set {
    /// For making the detector.
    Development,
    /// For judging it: took no part in its making.
    Judging,
}

/// Seeds of a set on a model begin here, and each subject has so many; they never meet.
const FIRST_DEVELOPMENT_SEEDS: std::ops::Range<u64> = 1_000_000..2_000_000;
const FIRST_JUDGING_SEEDS: std::ops::Range<u64> = 2_000_000..3_000_000;
const SECOND_DEVELOPMENT_SEEDS: std::ops::Range<u64> = 3_000_000..4_000_000;
const SECOND_JUDGING_SEEDS: std::ops::Range<u64> = 4_000_000..5_000_000;
const SEEDS_A_SUBJECT: u64 = 10_000;

impl Set {
    /// Name as it stands in the names of cases.
    pub const fn name(self) -> &'static str {
        match self {
            Set::Development => "development",
            Set::Judging => "judging",
        }
    }

    /// The seeds of this set on a model: each model has valves of its own.
    pub const fn seeds(self, model: Model) -> std::ops::Range<u64> {
        match (self, model) {
            (Set::Development, Model::First) => FIRST_DEVELOPMENT_SEEDS,
            (Set::Judging, Model::First) => FIRST_JUDGING_SEEDS,
            (Set::Development, Model::Second) => SECOND_DEVELOPMENT_SEEDS,
            (Set::Judging, Model::Second) => SECOND_JUDGING_SEEDS,
        }
    }
}

/// What a case is about: one fault, or fault-free time.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Subject {
    /// Nothing is wrong; whatever looks like a fault is none.
    FaultFree,
    /// A fault of the valve or of a sensor.
    Fault(Fault),
}

impl Subject {
    /// Every fault, then fault-free time.
    pub fn all() -> impl Iterator<Item = Subject> {
        let faults = Fault::VALVE.into_iter().chain(Fault::SENSOR).map(Subject::Fault);
        faults.chain([Subject::FaultFree])
    }

    /// Name of the fault, or `fault-free`.
    pub const fn name(self) -> &'static str {
        match self {
            Subject::FaultFree => "fault-free",
            Subject::Fault(fault) => fault.name(),
        }
    }

    /// The subject of this name.
    pub fn from_name(name: &str) -> Option<Subject> {
        Subject::all().find(|subject| subject.name() == name)
    }
}

/// Names a case: set, model, subject and number.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub struct CaseId {
    is_judging: bool,
    /// What it is played on.
    pub model: Model,
    /// What it is about.
    pub subject: Subject,
    /// Number within its subject, from 0.
    pub number: u32,
}

impl CaseId {
    /// Names a case.
    pub fn new(set: Set, model: Model, subject: Subject, number: u32) -> CaseId {
        CaseId { is_judging: set == Set::Judging, model, subject, number }
    }

    /// Which set it belongs to.
    pub fn set(self) -> Set {
        if self.is_judging { Set::Judging } else { Set::Development }
    }

    /// The case of a name such as `judging-first-jammed-low-0007`.
    pub fn from_name(name: &str) -> Option<CaseId> {
        let (rest, number) = name.rsplit_once('-')?;
        let (set, rest) = rest.split_once('-')?;
        let (model, subject) = rest.split_once('-')?;
        let set = [Set::Development, Set::Judging].into_iter().find(|known| known.name() == set)?;
        let number = number.parse().ok().filter(|number| u64::from(*number) < SEEDS_A_SUBJECT)?;
        Some(CaseId::new(set, Model::from_name(model)?, Subject::from_name(subject)?, number))
    }

    /// Seed of everything random in it.
    pub fn seed(self) -> u64 {
        let place = match self.subject {
            Subject::FaultFree => 99,
            Subject::Fault(fault) => u64::from(fault.id()),
        };
        self.set().seeds(self.model).start + place * SEEDS_A_SUBJECT + u64::from(self.number)
    }
}

impl fmt::Display for CaseId {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}-{}-{}-{:04}", self.set().name(), self.model.name(), self.subject.name(), self.number)
    }
}

/// A sensor that ails although nothing is wrong with the valve.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Ailing {
    /// Column of its channel.
    pub channel: String,
    /// Since when, s after the start.
    pub since_s: f64,
}

/// A dead cell shows itself only where releases are many, and smelt.
const DEAD_CELL_CYCLES_PER_H: f64 = 6.0;

/// Draws a valve; one whose releases are smelt, where that matters.
fn draw_valve(draw: &mut Draw, id: CaseId, sample_hz: f64, burst: Option<(f64, f64)>, must_smell: bool) -> Valve {
    const MOST_DRAWS: usize = 200;
    let mut valve = Valve::draw(draw, id, sample_hz, burst, must_smell);
    for _ in 0..MOST_DRAWS {
        if !must_smell || valve.is_smelt(DEAD_CELL_CYCLES_PER_H) {
            break;
        }
        valve = Valve::draw(draw, id, sample_hz, burst, must_smell);
    }
    valve
}

/// A case, ready to be played or written out.
#[derive(Clone, Debug)]
pub struct Case {
    /// Its name.
    pub id: CaseId,
    /// Channel of a sensor fault.
    pub channel: Option<Channel>,
    /// A sensor that ails on fault-free time: an alarm for it is right.
    pub ailing: Option<Ailing>,
    /// Length, h.
    pub hours: f64,
    /// When the fault begins, s after the start.
    pub onset_s: Option<f64>,
    /// What a person would say about it in a few words.
    pub traits: Vec<String>,
    /// The site file.
    pub site_toml: String,
    /// The scenario file; it names the site file `NAME.site.toml`.
    pub scenario_toml: String,
    pub(crate) valve: Valve,
    /// Mean arrival of air, without pockets that an event brings, NL/s.
    pub(crate) arrival_nl_s: f64,
}

/// Why a case could not be made. Every case that the generator makes should be one that the readers take.
#[derive(Debug, thiserror::Error)]
#[allow(missing_docs)] // the fields are what the message says
pub enum CaseError {
    #[error("case {case}: {source}; this is a mistake of the generator, report it")]
    Site { case: CaseId, source: FileError },
    #[error("case {case}: {source}; this is a mistake of the generator, report it")]
    Scenario { case: CaseId, source: ScenarioError },
}

impl Case {
    /// Draws the case of this name.
    pub fn draw(id: CaseId) -> Case {
        let seed = id.seed();
        let mut draw = Draw::new(seed, 101);
        let is_fouling =
            matches!(id.subject, Subject::Fault(fault) if fault.kind() == airvalve_monitor::AlarmKind::Fouling);
        let sample_hz = if is_fouling || draw.chance(0.9) { 2.0 } else { draw.pick(1.0, &[10.0, 50.0]) };
        let burst =
            (sample_hz == 2.0 && draw.chance(0.05)).then(|| (draw.pick(30.0, &[60.0]), draw.pick(300.0, &[600.0])));
        let must_smell = id.subject == Subject::Fault(Fault::DeadCell);
        let valve = draw_valve(&mut draw, id, sample_hz, burst, must_smell);
        let kind = plant::Kind {
            least_cycles_per_h: if must_smell { DEAD_CELL_CYCLES_PER_H } else { 1.5 },
            may_have_float_zero: id.subject == Subject::FaultFree,
        };
        let mut plant = Plant::draw(&mut draw, &valve, kind);
        let mut plot = crate::plot::plot(id, &mut Draw::new(seed, 102), &valve, &mut plant);
        let mut traits = valve.traits();
        traits.append(&mut plant.traits);
        if !plant.contacts.contains(&"pump_on") {
            traits.push("no pump contact".into());
        }
        traits.append(&mut plot.traits);
        let site_toml = valve.site_toml();
        let scenario_toml = format!(
            "# To be played on the {} model: `airvalve simulate --model {}`.
name = \"{id}\"
site = \"{id}.site.toml\"
start = 2031-{:02}-{:02}T{:02}:00:00Z
duration_h = {:?}
seed = {seed}
sample_hz = {sample_hz:?}
channels = {:?}
contacts = {:?}
{}{}",
            id.model.name(),
            id.model.name(),
            1 + seed % 12,
            1 + seed / 12 % 28,
            plot.start_hour,
            rounded(plot.hours, 3),
            plant.channels,
            plant.contacts,
            plant.tables,
            plot.tables,
        );
        Case {
            id,
            channel: plot.channel,
            ailing: plot.ailing,
            hours: plot.hours,
            onset_s: plot.onset_h.map(|onset_h| 3600.0 * onset_h),
            traits,
            site_toml,
            scenario_toml,
            valve,
            arrival_nl_s: plant.arrival_nl_h / 3600.0,
        }
    }

    /// Name of its scenario file.
    pub fn scenario_file(&self) -> String {
        format!("{}.scenario.toml", self.id)
    }

    /// Name of its site file.
    pub fn site_file(&self) -> String {
        format!("{}.site.toml", self.id)
    }

    /// The case as the simulator takes it.
    ///
    /// # Errors
    /// [`CaseError`] when a reader refuses what the generator has made.
    pub fn read(&self) -> Result<(Site, Scenario), CaseError> {
        let site = Site::parse(&self.site_toml, Path::new(&self.site_file()))
            .map_err(|source| CaseError::Site { case: self.id, source })?;
        let scenario = Scenario::parse(&self.scenario_toml, Path::new(&self.scenario_file()))
            .map_err(|source| CaseError::Scenario { case: self.id, source })?;
        Ok((site, scenario))
    }
}
