//! Whether the detector finds what it should, on valves that nobody has seen.
//!
//! Duty: draw valves and what happens to them, play each in memory through the detector, hold its alarms against rules on
//! the true valve, and count; and the same for a person's own recordings with labels. It tunes nothing and prints nothing.
//!
//! Glossary: *model*, one of two sets of assumptions on which a case can be played; *case*, one valve with one fault or
//! none, named by set, model, subject and number; *set*, the cases for making the detector or those for judging it; *shown*, when the evidence was complete and until when it had to be found;
//! *outcome*, what the detector made of a case; *score*, the figures over many outcomes.

mod case;
mod draw;
mod evaluate;
mod interval;
mod journal;
mod judged;
mod labels;
mod model;
mod plan;
mod plant;
mod play;
mod plot;
mod score;
mod story;
mod truth;
mod valve;

pub use case::{Ailing, Case, CaseError, CaseId, Set, Subject};
pub use evaluate::{EvaluateError, evaluate, settings_digest};
pub use interval::{poisson_mean_95, proportion_95};
pub use journal::{Journal, JournalError, build_digest};
pub use labels::{LabelsError, evaluate_labels};
pub use model::{Model, Plant, TrueState};
pub use plan::{Size, plan, subject_names};
pub use play::{Outcome, Played, Raised, play, watch};
pub use score::{FalseScore, FaultScore, GoalVerdict, Score, Share, Worst, score};
pub use truth::Shown;
