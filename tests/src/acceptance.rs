//! What the acceptance tests expect of a night, said once.
//!
//! An expectation returns what is wrong, as text, so that a test can show all nights that fail.

use airvalve_analysis::{Alarm, Time};
use airvalve_simulator::truth::Moment;

use crate::night::Night;

/// The four valves of the demo recordings: static pressures from 140 to 260 kPa, one and two release orifices.
pub const SITES: [(&str, &str); 4] = [
    ("ferrow-hill", include_str!("../../recordings-demo/ferrow-hill.site.toml")),
    ("mill-crest", include_str!("../../recordings-demo/mill-crest.site.toml")),
    ("orchard-bend", include_str!("../../recordings-demo/orchard-bend.site.toml")),
    ("quarry-top", include_str!("../../recordings-demo/quarry-top.site.toml")),
];

/// What is wrong with a night; nothing where it is as expected.
pub type Expectation = Result<(), String>;

/// Plays a scenario on some valves with each seed and returns what is wrong with any of the nights, one line each.
///
/// The valves are not quite what their site files say: their deviations are drawn by the seed.
pub fn wrong_nights(
    sites: &[(&str, &str)],
    scenario: &str,
    seeds: impl IntoIterator<Item = u32> + Clone,
    expect: impl Fn(&Night) -> Expectation,
) -> Vec<String> {
    let nights = sites.iter().flat_map(|site| seeds.clone().into_iter().map(move |seed| (site, seed)));
    let wrong = nights.filter_map(|((name, site), seed)| {
        let head = "site = \"valve.toml\"\nstart = 2031-03-01T18:00:00Z\n";
        let text = format!("{head}seed = {seed}\n{scenario}\n[true_valve]\nrandom_share = 0.6\n");
        let outcome = match Night::play(&text, site) {
            Ok(night) => same_on_device_and_in_replay(&night).and_then(|()| expect(&night)),
            Err(error) => Err(error.to_string()),
        };
        outcome.err().map(|what| format!("{name}, seed {seed}: {what}"))
    });
    wrong.collect()
}

/// The device recorded the very alarms that the replay finds.
fn same_on_device_and_in_replay(night: &Night) -> Expectation {
    let recorded = night.replay.recorded_alarms.iter().filter(|alarm| alarm.is_active);
    let recorded: Vec<_> = recorded.map(|alarm| (alarm.fault, alarm.channel, alarm.at)).collect();
    let replayed = night.replay.alarms.iter().map(|alarm| (alarm.fault, alarm.channel, alarm.raised_at));
    let mut replayed: Vec<_> = replayed.collect();
    replayed.sort_by_key(|(.., at)| *at);
    expect(replayed == recorded, || format!("the device recorded {recorded:?}, the replay finds {replayed:?}"))
}

/// No alarm at all, of the valve or of a sensor.
pub fn no_alarm(night: &Night) -> Expectation {
    expect(night.replay.alarms.is_empty(), || format!("alarms: {}", said(&night.replay.alarms)))
}

/// The fault of the scenario is reported: an alarm of its kind, that names it or allows it, raised after its onset, not
/// later than `within_min` minutes, standing at the end; nothing was raised before the onset.
pub fn reported(night: &Night, kind: &str, within_min: f64) -> Expectation {
    let Some(fault) = night.truth.faults.first() else { return Err("no fault in the scenario".to_owned()) };
    let alarms = &night.replay.alarms;
    nothing_before(fault.onset, alarms)?;
    let fits = |alarm: &&Alarm| {
        alarm.kind == kind && (alarm.fault == fault.fault || alarm.also_possible.contains(&fault.fault))
    };
    in_time(alarms.iter().find(fits), fault.onset, within_min, alarms)?;
    let stands = alarms.iter().any(|alarm| fits(&alarm) && alarm.cleared_at.is_none());
    expect(stands, || format!("does not stand at the end: {}", said(alarms)))
}

/// The kind alone of what [`reported`] expects.
pub fn kind_reported(night: &Night, kind: &str, within_min: f64) -> Expectation {
    let Some(fault) = night.truth.faults.first() else { return Err("no fault in the scenario".to_owned()) };
    let alarms = &night.replay.alarms;
    nothing_before(fault.onset, alarms)?;
    in_time(alarms.iter().find(|alarm| alarm.kind == kind), fault.onset, within_min, alarms)
}

/// The sensor fault of the scenario is reported by its name and channel, and no alarm of the valve is raised.
pub fn sensor_reported(night: &Night, within_min: f64) -> Expectation {
    let Some(fault) = night.truth.sensor_faults.first() else { return Err("no sensor fault".to_owned()) };
    let alarms = &night.replay.alarms;
    nothing_before(fault.onset, alarms)?;
    let fits = |alarm: &&Alarm| alarm.fault == fault.fault && alarm.channel == Some(fault.channel);
    in_time(alarms.iter().find(fits), fault.onset, within_min, alarms)?;
    expect(!alarms.iter().any(Alarm::is_of_valve), || format!("a valve alarm as well: {}", said(alarms)))
}

/// All alarms of the valve are of one kind.
pub fn only(night: &Night, kind: &str) -> Expectation {
    let alarms = &night.replay.alarms;
    expect(alarms.iter().all(|alarm| alarm.kind == kind), || format!("not only {kind}: {}", said(alarms)))
}

/// So many per cent of the release cycles, or one, may be missed or found too often.
pub fn cycles_counted(night: &Night, within_pct: f64) -> Expectation {
    let (found, truth) = (night.replay.cycles.len() as f64, night.truth.cycles.len() as f64);
    let allowed = (0.01 * within_pct * truth).max(1.0);
    expect((found - truth).abs() <= allowed, || format!("{found} release cycles, in truth {truth}"))
}

/// The intervals of released and admitted air hold the truth.
pub fn air_holds_the_truth(night: &Night) -> Expectation {
    let (air, truth) = (&night.replay.air, &night.truth.air);
    for (what, low, high, truth) in [
        ("released", air.released_nl_low, air.released_nl_high, truth.released_nl),
        ("admitted", air.admitted_nl_low, air.admitted_nl_high, truth.admitted_nl),
    ] {
        expect((low..=high).contains(&truth), || format!("{what} {low} to {high} NL, in truth {truth:.1}"))?;
    }
    Ok(())
}

fn nothing_before(onset: Moment, alarms: &[Alarm]) -> Expectation {
    expect(alarms.iter().all(|alarm| alarm.raised_at > Time(onset.0)), || format!("too early: {}", said(alarms)))
}

fn in_time(alarm: Option<&Alarm>, onset: Moment, within_min: f64, alarms: &[Alarm]) -> Expectation {
    let Some(alarm) = alarm else { return Err(format!("not reported; {}", said(alarms))) };
    let after_min = (alarm.raised_at.0 - onset.0) as f64 / 60e6;
    expect(after_min <= within_min, || format!("only after {after_min:.0} min; {}", said(alarms)))
}

fn expect(is_so: bool, otherwise: impl FnOnce() -> String) -> Expectation {
    if is_so { Ok(()) } else { Err(otherwise()) }
}

/// Alarms in one line.
fn said(alarms: &[Alarm]) -> String {
    if alarms.is_empty() {
        return "no alarm".to_owned();
    }
    let one = |alarm: &Alarm| {
        let channel = alarm.channel.map_or(String::new(), |channel| format!(" of {channel}"));
        let end = alarm.cleared_at.map_or("standing".to_owned(), |at| format!("to {at}"));
        format!("{}{channel} from {} {end}", alarm.fault, alarm.raised_at)
    };
    alarms.iter().map(one).collect::<Vec<_>>().join(", ")
}
