//! Hand-drawn signals: states, vacuum, the zero of the pressure channel, sensors that fail.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

mod common;

use airvalve_monitor::{Fault, ValveState};
use airvalve_sensors::Channel;
use common::draw;

/// Float and pressure of a fill, a sealed time, a release and a drain-down, s by s.
fn round(time_s: f32, deepest_kpa: f32) -> [f32; 3] {
    match time_s {
        t if t < 200.0 => [0.0, 0.0, 0.0],
        t if t < 260.0 => [0.0, 40.0_f32.min(0.05 * (t - 200.0)), 0.0],
        t if t < 270.0 => [9.2 * (t - 260.0), 18.0 * (t - 260.0), 0.0],
        t if t < 600.0 => [92.0 - 12.0 * (t - 270.0) / 330.0, 180.0, 0.0],
        t if t < 602.0 => [80.0 + 6.0 * (t - 600.0), 180.0, 5.0],
        t if t < 900.0 => [92.0, 180.0, 1.0],
        t if t < 920.0 => [92.0 - 4.6 * (t - 900.0), 180.0 - 9.0 * (t - 900.0), 0.0],
        t if t < 1000.0 => [0.0, deepest_kpa, 0.0],
        _ => [0.0, 0.0, 0.0],
    }
}

/// Source: common practice, the order in which a combination air valve works through fill, release and drain-down.
#[test]
fn the_states_follow_fill_release_and_drain_down() {
    for hz in [1.0, 10.0, 50.0] {
        let (outcome, _) = draw(hz, 1200.0, |t| round(t, -4.0));
        let mut order = outcome.states.clone();
        order.dedup();
        let has_in_order = |wanted: &[ValveState]| {
            let mut seen = order.iter();
            wanted.iter().all(|state| seen.any(|other| other == state))
        };
        let wanted =
            [ValveState::Sealed, ValveState::Releasing, ValveState::Sealed, ValveState::Admitting, ValveState::Empty];
        assert!(has_in_order(&wanted), "{hz} Hz: {order:?}");
        assert_eq!(outcome.raised(), [], "{hz} Hz");
    }
}

#[test]
fn the_zero_is_learned_at_atmosphere_and_makes_a_vacuum_visible() {
    let offset_kpa = 9.0;
    let (outcome, monitor) = draw(10.0, 1200.0, |t| {
        let [float, pressure, odour] = round(t, -8.0);
        [float, pressure + offset_kpa, odour]
    });
    let learned = monitor.learned();
    assert!((learned.zero_kpa - offset_kpa).abs() < 0.5, "{learned:?}");
    assert!(outcome.states.contains(&ValveState::Admitting));
    assert!(monitor.totals().large_in.as_nl() > 0.0);
}

#[test]
fn a_float_jammed_low_under_pressure_teaches_no_zero() {
    let (_, monitor) = draw(10.0, 1200.0, |_| [0.0, 150.0, 20.0]);
    assert_eq!(monitor.learned().zero_kpa, 0.0);
}

#[test]
fn a_large_orifice_that_does_not_open_is_told() {
    let (outcome, _) = draw(10.0, 1200.0, |t| round(t, -45.0));
    assert_eq!(outcome.raised(), [Fault::LargeShut], "{:?}", outcome.alarms);
}

#[test]
fn a_float_that_stays_up_in_a_vacuum_is_jammed() {
    let (outcome, _) = draw(10.0, 1200.0, |t| {
        let [float, pressure, odour] = round(t, -45.0);
        [if t > 900.0 { 92.0 } else { float }, pressure, odour]
    });
    assert_eq!(outcome.raised(), [Fault::JammedUp], "{:?}", outcome.alarms);
}

/// One channel goes wrong half way through an otherwise quiet hour.
fn with_fault(channel: Channel, value: impl Fn(f32) -> f32) -> Vec<(Fault, Option<Channel>)> {
    let mut count = 0_u32;
    let (outcome, _) = draw(10.0, 3600.0, |t| {
        count += 1;
        let wobble = if count.is_multiple_of(2) { 0.02 } else { -0.02 };
        let mut signal = [90.0 + wobble, 180.0, 3.0];
        if t > 1800.0
            && let Some(slot) = signal.get_mut(channel.index())
        {
            *slot = value(t);
        }
        signal
    });
    outcome.alarms.iter().filter(|alarm| alarm.is_active).map(|alarm| (alarm.fault, alarm.channel)).collect()
}

#[test]
fn a_failed_sensor_raises_its_own_alarm_and_none_of_the_valve() {
    let float = Channel::FloatPosition;
    let pressure = Channel::ChamberPressure;
    assert_eq!(with_fault(float, |_| -25.0), [(Fault::WireBreak, Some(float))]);
    assert_eq!(with_fault(float, |_| 110.0), [(Fault::Short, Some(float))]);
    assert_eq!(with_fault(pressure, |_| -225.0), [(Fault::WireBreak, Some(pressure))]);
    assert_eq!(with_fault(pressure, |_| 1680.0), [(Fault::Saturated, Some(pressure))]);
    assert_eq!(with_fault(float, |_| f32::NAN), [(Fault::Missing, Some(float))]);
    let noisy = with_fault(float, |t| 90.0 + 4.0 * (t * 7919.0).sin());
    assert_eq!(noisy, [(Fault::Noise, Some(float))]);
}
