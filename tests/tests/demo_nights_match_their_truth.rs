//! Promise: a replay of each demo recording says what `recordings-demo/README.md` promises and the truth holds.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

use std::{fs, path::Path};

use airvalve_analysis::{Finding, FindingKind, Replay, ReplayOptions, Time, replay};
use airvalve_site::Site;
use serde_json::Value;

/// A demo recording: what a replay of it says, and what happened.
struct Demo {
    replay: Replay,
    truth: Value,
}

impl Demo {
    fn of(name: &str) -> Demo {
        let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("../recordings-demo");
        let file = |ending: &str| folder.join(format!("{name}.{ending}"));
        let site = Site::read(file("site.toml")).unwrap();
        let truth = fs::read_to_string(file("truth.json")).unwrap();
        Demo {
            replay: replay(&[file("airvalve")], &site, &ReplayOptions::default(), &|_| {}).unwrap(),
            truth: serde_json::from_str(&truth).unwrap(),
        }
    }

    /// The one alarm is of this fault, raised after its onset and before `latest`, and stands to the end.
    fn assert_alarm(&self, kind: &str, fault: &str, latest: &str) {
        let [alarm] = self.replay.alarms.as_slice() else { panic!("{:?}", self.replay.alarms) };
        let [truth] = self.truth["faults"].as_array().unwrap().as_slice() else { panic!("{}", self.truth["faults"]) };
        assert_eq!((alarm.kind, alarm.fault, &truth["fault"]), (kind, fault, &fault.into()));
        let (onset, raised) = (time(&truth["onset"]), alarm.raised_at);
        assert!(onset < raised && raised < time(&latest.into()), "raised at {raised}, began at {onset}");
        assert_eq!(alarm.cleared_at, None);
        assert!(alarm.confidence > 0.5, "{}", alarm.confidence);
    }

    /// The intervals of the air hold the truth, in all and by orifice, and the cycles are counted within 3 %.
    fn assert_air_and_cycles(&self) {
        let (air, truth) = (&self.replay.air, &self.truth["air"]);
        let hold = |what: &str, low: f64, high: f64, truth: &Value| {
            let truth = truth.as_f64().unwrap();
            assert!(low <= truth && truth <= high, "{what}: {low} to {high} NL, in truth {truth}");
        };
        hold("released", air.released_nl_low, air.released_nl_high, &truth["released_nl"]);
        hold("admitted", air.admitted_nl_low, air.admitted_nl_high, &truth["admitted_nl"]);
        for part in &air.released_by_orifice {
            let truth = &truth["released_by_orifice"][format!("{}_nl", part.orifice)];
            hold(part.orifice, part.released_nl_low, part.released_nl_high, truth);
        }
        let (found, truth) = (self.replay.cycles.len(), self.truth["cycles"].as_array().unwrap().len());
        assert!(found.abs_diff(truth) as f64 <= (0.03 * truth as f64).max(1.0), "{found} cycles, in truth {truth}");
    }

    fn assert_all_samples_used(&self) {
        let samples = self.replay.samples;
        let hours = (time(&self.truth["to"]).0 - time(&self.truth["from"]).0) as f64 / 3.6e9;
        let expected = (hours * 3600.0 * self.truth["sample_hz"].as_f64().unwrap()).round() as u64 + 1;
        assert_eq!((samples.read, samples.used, samples.rejected), (expected, expected, 0));
        assert!(self.replay.recording.gaps.is_empty());
    }

    fn findings(&self, kind: FindingKind) -> Vec<&Finding> {
        self.replay.findings.iter().filter(|finding| finding.kind == kind).collect()
    }
}

/// A time of a truth file.
fn time(text: &Value) -> Time {
    Time(text.as_str().unwrap().parse::<jiff::Timestamp>().unwrap().as_microsecond())
}

fn seconds_apart(one: Time, other: Time) -> f64 {
    (one.0 - other.0).abs() as f64 * 1e-6
}

#[test]
fn every_demo_recording_is_tested() {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("../recordings-demo");
    let names = fs::read_dir(folder).unwrap().map(|entry| entry.unwrap().file_name().into_string().unwrap());
    let mut recordings: Vec<_> = names.filter(|name| name.ends_with(".airvalve")).collect();
    recordings.sort();
    assert_eq!(
        recordings,
        ["ferrow-hill.airvalve", "mill-crest.airvalve", "orchard-bend.airvalve", "quarry-top.airvalve"]
    );
}

#[test]
fn the_healthy_night_raises_no_alarm_and_tells_pocket_vacuum_and_odour() {
    let demo = Demo::of("ferrow-hill");
    assert!(demo.replay.alarms.is_empty(), "{:?}", demo.replay.alarms);
    demo.assert_air_and_cycles();
    demo.assert_all_samples_used();
    let events = &demo.truth["events"];

    let [trapped] = demo.findings(FindingKind::TrappedAir)[..] else { panic!("{:?}", demo.replay.findings) };
    let pocket = &events["pockets"][0];
    assert!(seconds_apart(trapped.from, time(&pocket["from"])) < 30.0, "{}", trapped.from);
    assert!(seconds_apart(trapped.to, time(&pocket["to"])) < 30.0, "{}", trapped.to);

    let [vacuum] = demo.findings(FindingKind::Vacuum)[..] else { panic!("{:?}", demo.replay.findings) };
    let truth = &events["vacuums"][0];
    assert!(seconds_apart(vacuum.from, time(&truth["from"])) < 3.0, "{}", vacuum.from);
    assert!(seconds_apart(vacuum.to, time(&truth["to"])) < 3.0, "{}", vacuum.to);

    let [first, second] = demo.findings(FindingKind::HighOdour)[..] else { panic!("{:?}", demo.replay.findings) };
    let fill = time(&events["fills"][0]["from"]);
    assert!(seconds_apart(first.from, time(&pocket["from"])) < 60.0, "{}", first.from);
    assert!(seconds_apart(second.from, fill) < 60.0, "{}", second.from);
}

#[test]
fn the_float_caught_low_is_told_before_half_past_midnight() {
    let demo = Demo::of("mill-crest");
    demo.assert_alarm("stuck-open", "jammed-low", "2031-03-02T00:30:00Z");
    demo.assert_air_and_cycles();
    demo.assert_all_samples_used();
}

#[test]
fn the_float_held_up_is_told_before_midnight() {
    let demo = Demo::of("quarry-top");
    demo.assert_alarm("stuck-closed", "jammed-up", "2031-03-02T00:00:00Z");
    demo.assert_air_and_cycles();
    demo.assert_all_samples_used();
}

#[test]
fn the_orifice_that_closes_is_told_on_the_third_day() {
    let demo = Demo::of("orchard-bend");
    demo.assert_alarm("fouling", "clogging", "2031-03-04T18:00:00Z");
    demo.assert_air_and_cycles();
    demo.assert_all_samples_used();
}
