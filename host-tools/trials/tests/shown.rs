//! The drawn faults show themselves, on both models, and the plant stays within what is possible meanwhile.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

use airvalve_monitor::{AlarmKind, Fault};
use airvalve_simulator::Truth;
use airvalve_trials::{Case, CaseId, Model, Set, Subject, TrueState, watch};
use rayon::prelude::*;

/// Least share of the cases of a fault that must complete their evidence: the others judge nothing.
const LEAST_SHOWN: f64 = 0.8;

/// A week of fouling takes as long as fourteen nights.
fn cases_of(fault: Fault) -> u32 {
    if fault.kind() == AlarmKind::Fouling { 5 } else { 10 }
}

fn assert_possible(now: &TrueState, name: &str) {
    let is_possible = (0.0..=100.0).contains(&now.float_pct)
        && now.chamber_kpa > -101.0
        && now.main_kpa > -101.0
        && now.odour_ppm >= 0.0
        && now.leak_nl_s >= 0.0
        && (0.0..=1.0).contains(&now.free_share)
        && now.level_pct.is_finite()
        && now.arrived_nl.is_finite();
    assert!(is_possible, "{name}: {now:?}");
}

/// Source: conservation of mass: what was there and came is what went and is there.
fn assert_balanced(truth: &Truth, name: &str) {
    let air = &truth.air;
    let come_nl = air.held_at_start_nl + air.arrived_nl + air.admitted_nl;
    let lost_nl = come_nl - air.released_nl - air.held_at_end_nl;
    assert!(lost_nl.abs() < 1e-6 * come_nl + 0.01, "{name}: {lost_nl} NL of {come_nl} NL");
}

/// Whether the fault of a case shows itself; what it needs to is checked on the way.
fn shows(id: CaseId) -> bool {
    let (case, name) = (Case::draw(id), id.to_string());
    let (shown, truth) = watch(&case, |now| assert_possible(now, &name)).unwrap();
    assert_balanced(&truth, &name);
    if let Some(shown) = shown {
        assert!(shown.complete_s >= case.onset_s.unwrap(), "{name}: {shown:?}");
        assert!(shown.deadline_s >= shown.complete_s, "{name}: {shown:?}");
    }
    shown.is_some()
}

#[test]
fn most_cases_of_each_fault_show_themselves_on_each_model_and_nothing_impossible_happens() {
    for model in Model::ALL {
        for fault in Fault::VALVE.into_iter().chain(Fault::SENSOR) {
            let count = cases_of(fault);
            let ids: Vec<CaseId> =
                (0..count).map(|number| CaseId::new(Set::Development, model, Subject::Fault(fault), number)).collect();
            let shown = ids.into_par_iter().filter(|id| shows(*id)).count();
            // An odour cell whose zero stands low within its tolerance shows no drift: its loop carries nothing below.
            let share = if fault == Fault::Drift { LEAST_SHOWN - 0.2 } else { LEAST_SHOWN };
            let least = (share * f64::from(count)).ceil() as usize;
            assert!(shown >= least, "{} model, {}: {shown} of {count}", model.name(), fault.name());
        }
    }
}
