//! What happens to the main: pockets, drains, fills, trips, storms, isolation, an open cover.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

mod common;

use airvalve_second_model::{Scenario, Simulation};
use airvalve_sensors::Contact;
use common::{Spread, play, scenario, simulation, site};

fn seconds(from: airvalve_simulator::truth::Moment, to: Option<airvalve_simulator::truth::Moment>) -> f64 {
    to.map_or(f64::NAN, |to| (to.0 - from.0) as f64 * 1e-6)
}

#[test]
fn a_pocket_is_vented_in_the_time_its_orifice_needs() {
    let body = "sample_hz = 5\nduration_h = 3\n[plant]\npressure_wander_kpa = 0\n[inflow]\nmean_l_s = 0\n\
        [air]\nedge_pct = 0\nslugs_per_day = 0\n\
        [[event]]\nkind = \"pocket\"\nat = 0.5\nvolume_m3 = 1.0\n";
    let truth = play(body, |_, _| ());
    let pocket = truth.events.pockets.iter().max_by(|a, b| a.greatest_m3.total_cmp(&b.greatest_m3)).unwrap();
    // Source: choked flow, 0.65 x 4.909 mm2 x 280.3 kPa x 0.04042 / sqrt(285.15 K) = 2.14 g/s; 1 m3 at that pressure
    // holds 3.42 kg: 1600 s. The cushion of 1.6 L above comes on top, the venting during the arrival off.
    let vented_s = seconds(pocket.from, pocket.to);
    assert!((vented_s / 1600.0 - 1.0).abs() < 0.05, "{vented_s} s");
    assert!((0.9..1.0).contains(&pocket.greatest_m3), "{}", pocket.greatest_m3);
}

#[test]
fn a_drain_lets_air_in_and_the_fill_lets_it_out_and_slams() {
    let body = "sample_hz = 10\nduration_h = 3\n[[event]]\nkind = \"drain-down\"\nat = 1\nrefill_after_h = 0.5\n";
    let mut empty_kpa = Spread::default();
    let truth = play(body, |h, now| {
        if (1.1..1.49).contains(&h) {
            empty_kpa.add(now.chamber_kpa);
            assert!(now.float_pct < 0.01);
        }
    });
    assert!(empty_kpa.least > -0.5 && empty_kpa.greatest < 0.5, "{empty_kpa:?}");
    let (drain, fill) = (truth.events.drains.first().unwrap(), truth.events.fills.first().unwrap());
    // 120 s of half the site's flow: 1.68 m3 and the body, at 100.3 kPa and about 11 degC, are 1,590 NL.
    assert!((drain.admitted_nl / 1590.0 - 1.0).abs() < 0.03, "{}", drain.admitted_nl);
    assert!((fill.released_nl / drain.admitted_nl - 1.0).abs() < 0.03);
    assert!((seconds(fill.from, fill.to) - 120.0).abs() < 5.0);
    let slam = truth.events.slams.first().unwrap();
    // Source: Joukowsky, dp = rho a dv, the flow of 14 L/s taken up by a main of 28 L/s at 1 m/s both ways: 250 kPa. The
    // last of the fall stands on what the source still pushes, working pressure; the cushion softens it.
    assert!((100.0..280.0).contains(&slam.above_kpa), "{slam:?}");
}

#[test]
fn a_burst_falls_faster_than_a_drain() {
    let with = |kind: &str| {
        let body = format!("sample_hz = 5\nduration_h = 2\n[[event]]\nkind = \"{kind}\"\nat = 1\n");
        let events = play(&body, |_, _| ()).events;
        let (drain, vacuum) = (events.drains.first().unwrap().clone(), events.vacuums.first().unwrap().clone());
        (drain.is_burst, seconds(drain.from, Some(vacuum.from)), drain.admitted_nl)
    };
    let ((is_burst, drain_s, drained_nl), (is_burst_too, burst_s, burst_nl)) = (with("drain-down"), with("burst"));
    assert!(!is_burst && is_burst_too);
    // Times of fall of 20 s and 2 s, from 180 kPa towards -50 kPa: through -5 kPa after 1.6 of them, more or less, as
    // the cushion follows.
    assert!((20.0..45.0).contains(&drain_s) && (2.0..6.0).contains(&burst_s), "{drain_s} s and {burst_s} s");
    // 56 L/s for 100 s, against 14 L/s for 120 s.
    assert!((burst_nl / drained_nl - 5.6 / 1.68).abs() < 0.2, "{burst_nl} and {drained_nl} NL");
}

#[test]
fn a_pump_trip_sends_the_pressure_below_that_of_a_stop_and_keeps_the_pump_off() {
    let body = "sample_hz = 5\nduration_h = 2\n[[event]]\nkind = \"pump-trip\"\nat = 1\nduration_h = 0.2\n";
    let (mut before, mut after) = (Spread::default(), Spread::default());
    play(body, |h, now| {
        if h < 1.0 {
            before.add(now.chamber_kpa);
        } else if h < 1.01 {
            after.add(now.chamber_kpa);
        }
        assert!(!((1.0001..1.199).contains(&h) && now.is_pumping));
    });
    assert!(after.least < before.least - 50.0, "{before:?} {after:?}");
}

#[test]
fn a_storm_keeps_the_pump_running_and_a_quiet_night_keeps_it_off() {
    let running = |kind: &str| {
        let body = format!("sample_hz = 2\nduration_h = 8\n[[event]]\nkind = \"{kind}\"\nat = 1\nduration_h = 6\n");
        play(&body, |_, _| ())
    };
    let (storm, quiet) = (running("storm"), running("quiet"));
    assert!(storm.pump.running_s > 5.0 * 3600.0, "{}", storm.pump.running_s);
    assert!(quiet.pump.running_s < 0.25 * storm.pump.running_s, "{}", quiet.pump.running_s);
    assert!(storm.cycles.len() > 2 * quiet.cycles.len(), "{} {}", storm.cycles.len(), quiet.cycles.len());
}

#[test]
fn an_isolated_valve_stands_still_and_its_air_comes_up_afterwards() {
    let body = "sample_hz = 2\nduration_h = 5\n[[event]]\nkind = \"isolation\"\nat = 1\nduration_h = 2\n";
    let (mut shut, mut held) = (Spread::default(), Spread::default());
    let truth = play(body, |h, now| {
        if (1.1..2.99).contains(&h) {
            shut.add(now.float_pct);
            held.add(now.held_nl);
        }
    });
    assert!(shut.deviation() < 0.3, "{shut:?}");
    assert!(held.greatest - held.least > 10.0, "{held:?}");
    let spell = truth.events.isolations.first().unwrap();
    assert_eq!(seconds(spell.from, spell.to), 7200.0);
    let last_h = |h: f64| truth.from.0 + (h * 3.6e9) as i64;
    assert!(truth.cycles.iter().any(|c| (last_h(3.0)..last_h(3.2)).contains(&c.from.0)));
}

#[test]
fn contacts_tell_of_cover_water_and_pump() {
    let body = "sample_hz = 1\nduration_h = 3\ncontacts = [\"pump_on\", \"cover_open\", \"vault_water\"]\n\
        [[event]]\nkind = \"cover-open\"\nat = 1\nduration_h = 0.5\n\
        [[fault]]\nkind = \"large-seat-open\"\nonset = 2\n";
    let mut simulation = simulation(body);
    let (mut open_s, mut wet_s, mut pumped) = (0, 0, false);
    while let Some(tick) = simulation.next() {
        open_s += i32::from(tick.contacts.get(Contact::CoverOpen) == Some(true));
        wet_s += i32::from(tick.contacts.get(Contact::VaultWater) == Some(true));
        pumped |= tick.contacts.get(Contact::PumpRunning) == Some(true);
    }
    assert_eq!(open_s, 1800);
    // The leak of litres a second is more than the drain takes.
    assert!((3000..3600).contains(&wet_s), "{wet_s}");
    assert!(pumped);
}

#[test]
fn an_empty_main_waits_for_its_refill() {
    let body = "sample_hz = 2\nduration_h = 2\n[plant]\ninitial = \"empty\"\n[[event]]\nkind = \"refill\"\nat = 1\n";
    let truth = play(body, |h, now| assert!(h > 1.0 || (now.float_pct < 0.01 && now.chamber_kpa.abs() < 1.0)));
    assert_eq!(truth.events.fills.len(), 1);
    assert!(!truth.cycles.is_empty() && truth.states.empty_s > 3500.0);
}

#[test]
fn what_does_not_fit_is_refused_with_its_place() {
    let refused = |body: &str| {
        let scenario: Scenario = scenario(body);
        Simulation::new(&scenario, &site(), None).err().map(|error| error.to_string()).unwrap_or_default()
    };
    let refill = refused("[[event]]\nkind = \"refill\"\nat = 1\n");
    assert!(refill.contains("test.toml:3") && refill.contains("nothing has drained"), "{refill}");
    let second = refused("[[fault]]\nkind = \"clogging\"\norifice = \"second\"\n");
    assert!(second.contains("second release orifice"), "{second}");
    let channel = refused("[[sensor_fault]]\nkind = \"short\"\nchannel = \"air_temp_c\"\n");
    assert!(channel.contains("air_temp_c") && channel.contains("not fitted"), "{channel}");
}
