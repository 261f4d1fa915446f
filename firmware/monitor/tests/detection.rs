//! The detector against a small valve: releases measured, faults told, nothing told of a healthy one.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

mod common;

use airvalve_monitor::{Cycle, Fault};
use common::{Plant, Wrong, monitor_for, run};

#[test]
fn a_healthy_valve_raises_nothing_and_its_air_is_measured_at_any_rate() {
    for hz in [2.0, 10.0, 50.0] {
        let mut plant = Plant::new(hz);
        let mut monitor = monitor_for(&plant);
        let outcome = run(&mut plant, &mut monitor, 4.0);
        assert_eq!(outcome.raised(), [], "{hz} Hz: {:?}", outcome.alarms);
        let released: f32 = outcome.cycles.iter().map(Cycle::released_nl).sum();
        println!(
            "{hz} Hz: {} cycles, {released} of {} NL, learned {:?}",
            outcome.cycles.len(),
            plant.released_nl,
            monitor.learned()
        );
        assert!((f64::from(released) / plant.released_nl - 1.0).abs() < 0.05, "{hz} Hz");
        assert!(outcome.cycles.len() > 20, "{hz} Hz: {} cycles", outcome.cycles.len());
    }
}

fn first_alarm_after(wrong: Wrong, from_h: f32, hours: f32) -> (Option<Fault>, f32, String) {
    let mut plant = Plant::new(10.0);
    plant.wrong = wrong;
    plant.wrong_from_s = from_h * 3600.0;
    let mut monitor = monitor_for(&plant);
    let outcome = run(&mut plant, &mut monitor, hours);
    let text = format!("{wrong:?}: {:?}\n{:?}\n{:?}", outcome.alarms, monitor.evidence(), monitor.learned());
    println!("{text}");
    let first = outcome.alarms.iter().find(|alarm| alarm.is_active);
    (first.map(|alarm| alarm.fault), first.map_or(0.0, |alarm| alarm.time_us as f32 * 1e-6 - from_h * 3600.0), text)
}

#[test]
fn a_float_jammed_low_is_told() {
    let (fault, after_s, text) = first_alarm_after(Wrong::JammedAt(40.0), 2.0, 4.0);
    assert_eq!(fault, Some(Fault::JammedLow), "{text}");
    assert!(after_s < 900.0, "{after_s}");
}

#[test]
fn a_float_jammed_up_is_told() {
    let (fault, after_s, text) = first_alarm_after(Wrong::JammedAt(94.0), 2.0, 5.0);
    assert_eq!(fault, Some(Fault::JammedUp), "{text}");
    assert!(after_s < 3600.0, "{after_s}");
}

#[test]
fn a_blocked_small_orifice_is_told() {
    let (fault, _, text) = first_alarm_after(Wrong::SmallBlocked, 2.0, 6.0);
    assert_eq!(fault, Some(Fault::SmallBlocked), "{text}");
}

#[test]
fn a_seat_held_open_is_told() {
    let (fault, _, text) = first_alarm_after(Wrong::SeatOpen, 2.0, 5.0);
    assert_eq!(fault, Some(Fault::SmallSeatOpen), "{text}");
}

#[test]
fn a_clogged_orifice_is_told() {
    let (fault, _, text) = first_alarm_after(Wrong::Clogged(0.45), 4.0, 9.0);
    assert_eq!(fault, Some(Fault::Clogging), "{text}");
}

#[test]
fn a_heavy_float_is_told() {
    let (fault, _, text) = first_alarm_after(Wrong::Heavy(10.0), 6.0, 16.0);
    assert_eq!(fault, Some(Fault::Heavy), "{text}");
}
