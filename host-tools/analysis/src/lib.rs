//! What a recording says about its valve: alarms, findings, released air with intervals.
//!
//! Duty: play the samples of one valve through the detector that runs on the device, and put what it says, and what needs
//! every sample beside it, into one result. It reads no configuration and prints nothing.
//!
//! Glossary: *run*, one replay; *moment*, a time of the samples on a clock that never goes back; *spell*, a stretch of
//! time in which something holds; *strip*, the night in a few hundred columns.

mod air;
mod alarms;
mod begin;
mod bounds;
mod clock;
mod disproved_by;
mod doubts;
mod estimate;
pub mod findings;
mod first_check;
mod gap_list;
mod learned;
mod quality;
mod readings;
mod repeats;
mod replay;
mod result;
mod run;
pub mod safety;
mod services;
mod sight;
mod source;
mod strip;
mod sums;
mod time;

pub use findings::{Finding, FindingKind, Judged};
pub use learned::{DataSheet, FaultJudged, LearnedQuantity, LearnedResult};
pub use quality::csv_warnings;
pub use replay::{ReplayError, ReplayOptions, replay};
pub use result::{
    Air, AirHour, Alarm, Basis, CycleResult, GapResult, OrificeAir, Quality, RecordedAlarm, RecordingSpan, Replay,
    Samples, StateHours,
};
pub use services::{ServiceAt, ServiceError, ServiceResult};
pub use strip::{Bucket, Strip};
pub use time::Time;
