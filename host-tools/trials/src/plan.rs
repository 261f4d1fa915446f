//! Which cases an evaluation plays.

use airvalve_monitor::{AlarmKind, Fault};

use crate::{
    case::{CaseId, Set, Subject},
    model::Model,
};

/// How much an evaluation plays.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Size {
    /// Cases of each fault.
    pub cases: u32,
    /// Fault-free runs, of a week each but for those at a high rate.
    pub fault_free_runs: u32,
}

impl Size {
    /// Ends within ten minutes on two cores.
    pub const SHIPPED: Size = Size { cases: 40, fault_free_runs: 60 };
    /// For judging: three hundred cases of each fault, fifteen valve-years.
    pub const LONG: Size = Size { cases: 300, fault_free_runs: 860 };

    /// What is played of it when only one subject is.
    pub fn only(self, only: Option<Subject>) -> Size {
        match only {
            None => self,
            Some(Subject::FaultFree) => Size { cases: 0, ..self },
            Some(Subject::Fault(_)) => Size { fault_free_runs: 0, ..self },
        }
    }
}

/// The cases of an evaluation, those that take long first so that all cores end together.
pub fn plan(set: Set, model: Model, size: Size, only: Option<Subject>) -> Vec<CaseId> {
    let mut subjects: Vec<Subject> =
        Subject::all().filter(|subject| only.is_none_or(|only| only == *subject)).collect();
    let is_long = |subject: &Subject| match subject {
        Subject::FaultFree => true,
        Subject::Fault(fault) => fault.kind() == AlarmKind::Fouling,
    };
    subjects.sort_by_key(|subject| !is_long(subject));
    let cases = |subject: Subject| {
        let count = if subject == Subject::FaultFree { size.fault_free_runs } else { size.cases };
        (0..count).map(move |number| CaseId::new(set, model, subject, number))
    };
    subjects.into_iter().flat_map(cases).collect()
}

/// The fault of this name, or fault-free time.
pub fn subject_names() -> Vec<&'static str> {
    let faults = Fault::VALVE.into_iter().chain(Fault::SENSOR).map(Fault::name);
    faults.chain(["fault-free"]).collect()
}
