//! The cases that are drawn: readable, apart, and of valves that work.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

use airvalve_simulator::Scenario;
use airvalve_trials::{Case, CaseId, Model, Set, Subject};

/// Both sets on both models.
fn every_set() -> impl Iterator<Item = (Set, Model)> {
    [Set::Development, Set::Judging].into_iter().flat_map(|set| Model::ALL.map(|model| (set, model)))
}

#[test]
fn every_case_is_one_that_the_readers_take() {
    for (set, model) in every_set() {
        for subject in Subject::all() {
            for number in 0..25 {
                let case = Case::draw(CaseId::new(set, model, subject, number));
                let (site, scenario) = case.read().unwrap_or_else(|error| panic!("{error}\n{}", case.scenario_toml));
                model.plant(&scenario, &site, None).unwrap_or_else(|error| panic!("{error}"));
                assert_eq!(case.onset_s.is_some(), subject != Subject::FaultFree);
            }
        }
    }
}

#[test]
fn a_case_is_drawn_again_by_its_name() {
    for subject in Subject::all() {
        let id = CaseId::new(Set::Judging, Model::Second, subject, 7);
        let again = CaseId::from_name(&id.to_string()).unwrap();
        assert_eq!(id, again);
        assert_eq!(Case::draw(id).scenario_toml, Case::draw(again).scenario_toml);
    }
    for wrong in [
        "",
        "judging",
        "judging-first-rust-0001",
        "judging-first-short-10000",
        "night-first-short-0001",
        "judging-third-short-0001",
    ] {
        assert_eq!(CaseId::from_name(wrong), None, "{wrong}");
    }
}

#[test]
fn the_sets_have_no_seed_in_common() {
    for (set, model) in every_set() {
        let seeds = set.seeds(model);
        let mut drawn: Vec<u64> = Subject::all()
            .flat_map(|subject| [0, 9_999].map(|number| CaseId::new(set, model, subject, number).seed()))
            .collect();
        assert!(drawn.iter().all(|seed| seeds.contains(seed)));
        drawn.sort_unstable();
        drawn.dedup();
        assert_eq!(drawn.len(), 2 * Subject::all().count(), "each case has its own");
        let others = every_set().filter(|other| *other != (set, model)).map(|(set, model)| set.seeds(model));
        assert!(others.into_iter().all(|other| other.end <= seeds.start || seeds.end <= other.start));
    }
}

#[test]
fn a_fault_begins_in_the_third_hour_or_later_and_fouling_on_the_second_day_or_later() {
    for subject in Subject::all().filter(|subject| *subject != Subject::FaultFree) {
        for number in 0..50 {
            let onset_h =
                Case::draw(CaseId::new(Set::Judging, Model::First, subject, number)).onset_s.unwrap() / 3600.0;
            let is_fouling = ["clogging", "sluggish", "weeping", "heavy"].contains(&subject.name());
            let from_h = if is_fouling { 24.0 } else { 2.0 };
            assert!(onset_h >= from_h, "{} {onset_h}", subject.name());
        }
    }
}

/// The same valve for a day in which nothing happens.
fn uneventful_day(case: &Case) -> Scenario {
    let head = case.scenario_toml.split("[[").next().unwrap();
    let lines = head.lines().map(|line| if line.starts_with("duration_h") { "duration_h = 24.0" } else { line });
    let text: Vec<&str> = lines.collect();
    Scenario::parse(&text.join("\n"), case.scenario_file().as_ref()).unwrap()
}

#[test]
fn a_valve_without_a_fault_works() {
    for (model, number) in Model::ALL.into_iter().flat_map(|model| (0..15).map(move |number| (model, number))) {
        let case = Case::draw(CaseId::new(Set::Development, model, Subject::FaultFree, number));
        let (site, _) = case.read().unwrap();
        let mut plant = model.plant(&uneventful_day(&case), &site, None).unwrap();
        let (mut lowest_pct, mut releasing, mut samples) = (100.0_f64, 0.0, 0.0);
        while plant.next().is_some() {
            let now = plant.state();
            lowest_pct = lowest_pct.min(now.float_pct);
            releasing += f64::from(now.is_releasing);
            samples += 1.0;
            assert!(!now.is_cushion_lost, "{}", case.id);
        }
        let truth = plant.finish();
        let cycles_per_h = truth.cycles.len() as f64 / 24.0;
        assert!((0.3..40.0).contains(&cycles_per_h), "{}: {cycles_per_h} releases an hour", case.id);
        assert!(releasing < 0.1 * samples, "{}: its orifice is large enough", case.id);
        assert!(lowest_pct > site.valve.large_orifice.opens_below_pct, "{}: {lowest_pct}", case.id);
        assert!(truth.pump.starts.len() > 5, "{}: its pump runs now and then", case.id);
    }
}
