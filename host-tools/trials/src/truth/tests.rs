//! The rules, on valves that are simulated: what looks like a fault completes no evidence, a fault does.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

use super::*;
use crate::{
    case::{CaseId, Set},
    model::Model,
};

/// What the rules of some cases make of the plant of the first; the detector is nowhere near.
fn watch_all(cases: &[Case]) -> Vec<Option<Shown>> {
    let (site, scenario) = cases[0].read().unwrap();
    let mut plant = cases[0].id.model.plant(&scenario, &site, None).unwrap();
    let new = |case| Watch::new(case, plant.true_valve(), plant.sample_hz());
    let mut watches: Vec<Watch<'_>> = cases.iter().map(new).collect();
    while let Some(tick) = plant.next() {
        if !tick.lost {
            let now = plant.state();
            watches.iter_mut().for_each(|watch| watch.see(&now));
        }
    }
    watches.iter().map(Watch::finish).collect()
}

fn watch(case: &Case) -> Option<Shown> {
    watch_all(std::slice::from_ref(case))[0]
}

fn case_of(model: Model, subject: Subject, number: u32) -> Case {
    Case::draw(CaseId::new(Set::Development, model, subject, number))
}

#[test]
fn what_only_looks_like_a_fault_completes_no_evidence() {
    // Those that ask for no held float, grease or blocked orifice could be deceived by pockets, drains, storms.
    let faults = [Fault::SmallSeatOpen, Fault::LargeSeatOpen, Fault::LargeShut];
    for (model, number) in Model::ALL.into_iter().flat_map(|model| (0..3).map(move |number| (model, number))) {
        let free = case_of(model, Subject::FaultFree, number);
        let as_if = |fault| Case {
            id: CaseId::new(Set::Development, model, Subject::Fault(fault), number),
            onset_s: Some(HOUR_S),
            ..free.clone()
        };
        let told = watch_all(&faults.map(as_if));
        assert!(told.iter().all(Option::is_none), "{}: {faults:?} {told:?}", free.id);
    }
}

#[test]
fn a_loop_that_breaks_is_known_at_once_and_to_be_told_within_ten_minutes() {
    // A run without gaps: the allowed time passes on the clock.
    let case = (0..).map(|number| case_of(Model::First, Subject::Fault(Fault::WireBreak), number));
    let case = case.into_iter().find(|case| !case.traits.iter().any(|it| it == "gaps" || it.contains("lost"))).unwrap();
    let told = watch(&case).unwrap();
    assert!((told.complete_s - case.onset_s.unwrap()).abs() <= 1.0);
    assert!((told.deadline_s - told.complete_s - 600.0).abs() <= 1.0);
}

#[test]
fn allowed_time_passes_only_while_there_are_samples() {
    let mut case = case_of(Model::First, Subject::Fault(Fault::Short), 1);
    let onset_h = case.onset_s.unwrap() / HOUR_S;
    let gap = format!("[[gap]]\nfrom = {:.4}\nto = {:.4}\n", onset_h + 0.01, onset_h + 0.51);
    case.scenario_toml += &gap;
    let told = watch(&case).unwrap();
    assert!((told.deadline_s - told.complete_s - 600.0 - 1800.0).abs() <= 2.0, "{told:?}");
}

#[test]
fn of_clogging_the_later_of_two_limits_holds() {
    for number in 0..3 {
        let case = case_of(Model::First, Subject::Fault(Fault::Clogging), number);
        let Some(told) = watch(&case) else { continue };
        let allowed_h = (told.deadline_s - told.complete_s) / HOUR_S;
        assert!(allowed_h >= 24.0 - 1e-3, "{}: {allowed_h}", case.id);
    }
}
