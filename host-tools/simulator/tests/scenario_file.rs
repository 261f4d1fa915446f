//! Scenario files: what is refused, and how it is said.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

mod common;
use std::path::Path;

use airvalve_simulator::{Scenario, Simulation, reference};

fn refused(text: &str) -> String {
    match Scenario::parse(text, Path::new("a.toml")) {
        Err(error) => error.to_string(),
        Ok(scenario) => panic!("{scenario:?}"),
    }
}

#[test]
fn a_bad_value_is_refused_with_line_key_value_and_range() {
    assert_eq!(
        refused("site = \"v.toml\"\n[plant]\n\nriser_loss = 999"),
        "a.toml:4: `plant.riser_loss` = 999 is not allowed (allowed: 0.1 .. 200); change it"
    );
    let message = refused("site = \"v.toml\"\n[[fault]]\nkind = \"jammed-low\"\n[[fault]]\nkind = \"stuck\"");
    assert!(message.starts_with("a.toml:5: `fault[1].kind` = \"stuck\" is not allowed (allowed: one of jammed-low, "));
    assert!(refused("site = \"v.toml\"\nduration_h = nan").contains("`duration_h` = nan is not allowed"));
    assert!(refused("site = \"v.toml\"\nseed = -1").contains("allowed: whole number from 0"));
}

#[test]
fn an_unknown_key_is_refused_with_those_that_are_known() {
    let message = refused("site = \"v.toml\"\n[sampling]\nloss = 3");
    assert_eq!(
        message,
        "a.toml:3: `sampling.loss` is unknown (known here: loss_pct, repeat_pct, burst_s, every_s); correct or remove it"
    );
    assert!(refused("site = \"v.toml\"\n[pumps]\n").starts_with("a.toml:2: `pumps` is unknown (known here: [plant]"));
    assert!(refused("site = \"v.toml\"\n[fault]\nkind = \"heavy\"").starts_with("a.toml:2: `fault` is unknown"));
}

#[test]
fn what_must_be_given_is_asked_for() {
    assert!(refused("duration_h = 1").contains("`site` is missing"));
    assert!(
        refused("site = \"v.toml\"\n\n[[event]]\nkind = \"storm\"").starts_with("a.toml:3: `event[0].at` is missing")
    );
    assert!(refused("site = ").contains("not TOML"));
}

#[test]
fn what_does_not_fit_together_is_refused() {
    let site = "site = \"v.toml\"\nstart = 2031-03-01T00:00:00Z\n";
    assert!(
        refused(&format!("{site}[[fault]]\nkind = \"heavy\"\nonset = 2\nuntil = 1")).contains("not after the onset")
    );
    assert!(
        refused(&format!("{site}[[event]]\nkind = \"storm\"\nat = 2030-01-01T00:00:00Z")).contains("before the start")
    );
    assert!(refused(&format!("{site}[sampling]\nburst_s = 10")).contains("belong together"));
    let late = |text: &str| {
        let scenario = common::scenario(text);
        Simulation::new(&scenario, &common::site(), None).err().map(|error| error.to_string()).unwrap_or_default()
    };
    assert!(late("[[event]]\nkind = \"refill\"\nat = 1").contains("nothing has drained before it"));
    assert!(late("[[fault]]\nkind = \"weeping\"\norifice = \"second\"").contains("no second release orifice"));
    assert!(late("[[sensor_fault]]\nkind = \"short\"\nchannel = \"air_temp_c\"").contains("not fitted"));
}

#[test]
fn times_are_hours_after_the_start_or_moments() {
    let truth = |onset: &str| {
        common::play(
            &format!(
                "start = 2031-03-01T18:00:00+01:00\nduration_h = 1\nsample_hz = 1\n[[fault]]\nkind = \"heavy\"\nonset = {onset}"
            ),
            |_, _| {},
        )
    };
    let (by_hours, by_moment) = (truth("0.5"), truth("\"2031-03-01T17:30:00Z\""));
    assert_eq!(by_hours, by_moment);
    let json = serde_json::to_value(&by_hours).unwrap();
    assert_eq!(json["from"], "2031-03-01T17:00:00.000Z");
    assert_eq!(json["faults"][0]["fault"], "heavy");
    assert_eq!(json["faults"][0]["onset"], "2031-03-01T17:30:00.000Z");
}

#[test]
fn the_site_is_looked_for_beside_the_scenario() {
    let scenario = Scenario::parse("site = \"v.toml\"", Path::new("nights/one.toml")).unwrap();
    assert_eq!(scenario.site_path(), Path::new("nights/v.toml"));
    assert_eq!(scenario.name, "one");
}

#[test]
fn the_reference_in_scenarios_md_is_that_of_the_code() {
    let page = include_str!("../SCENARIOS.md");
    assert!(page.contains(reference().trim()), "put the output of the example scenario_reference into SCENARIOS.md");
}

#[test]
fn a_fault_that_begins_when_the_scenario_has_ended_is_refused() {
    for kind in ["[[fault]]\nkind = \"jammed-low\"", "[[sensor_fault]]\nkind = \"drift\"\nchannel = \"odour_ppm\""] {
        let at = |hours: f64| {
            let text = format!("site = \"a.toml\"\nduration_h = 2\n{kind}\nonset = {hours:?}\n");
            airvalve_simulator::Scenario::parse(&text, std::path::Path::new("a.scenario.toml"))
        };
        assert!(at(1.9).is_ok());
        let error = at(2.0).unwrap_err().to_string();
        assert!(error.contains("onset") && error.contains("2 h after the start"), "{error}");
    }
}
