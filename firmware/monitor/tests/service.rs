//! After a visit a new baseline begins for what the work has changed, and for nothing else.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

mod common;

use airvalve_monitor::{Event, Fault, Learned, Monitor, Service, Settings, learned::Baseline};
use airvalve_sensors::Channel;
use common::{Plant, Wrong, monitor_for, run, site};

/// Everything learned.
fn everything() -> Learned {
    let known = Baseline { mean: 1.0, deviation: 0.1, weight: 500.0, recent: 1.0 };
    Learned {
        zero_kpa: 3.0,
        zero_uncertainty_kpa: 0.5,
        opens_pct: known,
        closes_pct: known,
        closes_after_step_pct: known,
        area_ratio: known,
        slowness: known,
        slowness_after_step: known,
        arrival_running_nl_s: known,
        arrival_stopped_nl_s: known,
        shifted_kpa: 2.0,
        answer: known,
        tested_space: known,
        late_answer: known,
        stick_pct: known,
        odour_base_ppm: known,
        odour_pulse_seen: known,
        odour_pulse_ppm: known,
        running_kpa: known,
        stopped_kpa: known,
        below_line_kpa: known,
    }
}

/// What is left of everything after some work.
fn after(service: Service) -> Learned {
    let mut monitor = Monitor::with_learned(&site(), &Settings::default(), &everything());
    monitor.service(service);
    *monitor.learned()
}

/// The work of each column of the table in `service.rs`.
const COLUMNS: [Service; 7] = [
    Service::Cleaned,
    Service::FloatReplaced,
    Service::SensorReplaced(Channel::FloatPosition),
    Service::SensorReplaced(Channel::ChamberPressure),
    Service::SensorReplaced(Channel::Odour),
    Service::SensorReplaced(Channel::LinePressure),
    Service::ValveReplaced,
];

/// Whether the quantities of a row are forgotten; all or none of them are.
fn is_forgotten(row: &str, learned: &Learned) -> bool {
    let baselines = match row {
        "zero of the pressure" => {
            assert_eq!(learned.zero_kpa == 0.0, learned.zero_uncertainty_kpa == site().zero_uncertainty_kpa());
            return learned.zero_kpa == 0.0;
        }
        "usual pressures" => {
            assert_eq!(learned.shifted_kpa == 0.0, learned.stopped_kpa.weight == 0.0);
            vec![learned.running_kpa, learned.stopped_kpa]
        }
        "distance from the line" => vec![learned.below_line_kpa],
        "opening and closing positions" => vec![learned.opens_pct, learned.closes_pct, learned.closes_after_step_pct],
        "area ratio, open times" => vec![learned.area_ratio, learned.slowness, learned.slowness_after_step],
        "arriving air" => vec![learned.arrival_running_nl_s, learned.arrival_stopped_nl_s],
        "answer to steps, air space at them" => vec![learned.answer, learned.tested_space],
        "late answer, standing off" => vec![learned.late_answer, learned.stick_pct],
        "odour before releases" => vec![learned.odour_base_ppm],
        "odour of releases" => vec![learned.odour_pulse_seen, learned.odour_pulse_ppm],
        other => panic!("no quantities for the row {other}"),
    };
    let forgotten = baselines.iter().filter(|baseline| **baseline == Baseline::default()).count();
    assert!([0, baselines.len()].contains(&forgotten), "{row}: {baselines:?}");
    forgotten > 0
}

#[test]
fn the_table_says_what_each_work_forgets() {
    let rows = include_str!("../src/service.rs").lines().filter_map(|line| line.strip_prefix("//! | "));
    let rows: Vec<Vec<&str>> = rows.skip(2).map(|row| row.split('|').map(str::trim).collect()).collect();
    assert_eq!(rows.len(), 10);
    for row in &rows {
        for (column, service) in row[1..].iter().zip(COLUMNS) {
            assert_eq!(is_forgotten(row[0], &after(service)), *column == "x", "{}: {service:?}", row[0]);
        }
    }
    // What is in no row teaches nothing, or comes from the pressure sensor.
    assert_eq!(after(Service::SensorReplaced(Channel::AirTemperature)), everything());
    let by_pressure_sensor = after(Service::SensorReplaced(Channel::ChamberPressure));
    assert_eq!(after(Service::SensorReplaced(Channel::PressureMin)), by_pressure_sensor);
}

#[test]
fn an_alarm_of_the_old_state_returns_to_normal_and_work_that_did_not_help_is_told_again() {
    for (helped, raised_again) in [(true, false), (false, true)] {
        let mut plant = Plant::new(10.0);
        plant.wrong = Wrong::Clogged(0.45);
        plant.wrong_from_s = 4.0 * 3600.0;
        let mut monitor = monitor_for(&plant);
        let before = run(&mut plant, &mut monitor, 9.0);
        assert_eq!(before.raised(), [Fault::Clogging]);
        if helped {
            plant.wrong = Wrong::Nothing;
        }
        monitor.service(Service::Cleaned);
        let after = run(&mut plant, &mut monitor, 6.0);
        let gone = after.alarms.iter().any(|alarm| alarm.fault == Fault::Clogging && !alarm.is_active);
        // What did not help may be told against the data sheet before the alarm has gone.
        assert!(gone || !helped, "{:?}", after.alarms);
        assert_eq!(monitor.decisions_mut().is_any_standing(&[Fault::Clogging]), raised_again, "{:?}", after.alarms);
        assert!(monitor.learned().opens_pct.weight > 20.0, "positions are kept");
        assert!(after.raised().iter().all(|fault| *fault == Fault::Clogging), "{:?}", after.alarms);
    }
}

#[test]
fn a_jam_that_was_cleared_is_gone_and_one_that_was_not_is_told_again() {
    for helped in [true, false] {
        let mut plant = Plant::new(10.0);
        plant.wrong = Wrong::JammedAt(94.0);
        plant.wrong_from_s = 2.0 * 3600.0;
        let mut monitor = monitor_for(&plant);
        assert_eq!(run(&mut plant, &mut monitor, 4.0).raised(), [Fault::JammedUp]);
        if helped {
            plant.wrong = Wrong::Nothing;
        }
        monitor.service(Service::FloatReplaced);
        run(&mut plant, &mut monitor, 3.0);
        assert_eq!(monitor.decisions_mut().is_any_standing(&[Fault::JammedUp]), !helped);
    }
}

/// Whether the alarm for a dead cell still stands an hour after some work.
fn cell_is_dead_after(service: Service) -> bool {
    let mut plant = Plant::new(2.0);
    let mut monitor = monitor_for(&plant);
    run(&mut plant, &mut monitor, 4.0);
    let mut stands = false;
    let mut play = |monitor: &mut Monitor, hours: f32| {
        for number in 0..(3600.0 * plant.hz * hours) as usize {
            let mut sample = plant.next();
            sample.quantities.set(Channel::Odour, 0.5 + 0.01 * (number % 5) as f32);
            for event in &monitor.step_quantities(&sample) {
                match event {
                    Event::Alarm(alarm) if alarm.channel == Some(Channel::Odour) => stands = alarm.is_active,
                    _ => {}
                }
            }
        }
        stands
    };
    assert!(play(&mut monitor, 4.0), "{:?}", monitor.learned());
    monitor.service(service);
    play(&mut monitor, 1.0)
}

#[test]
fn a_dead_cell_is_not_forgotten_with_the_grease() {
    assert!(cell_is_dead_after(Service::Cleaned));
    assert!(cell_is_dead_after(Service::ValveReplaced));
    assert!(!cell_is_dead_after(Service::SensorReplaced(Channel::Odour)));
}

#[test]
fn a_new_pressure_sensor_with_another_zero_is_no_drift() {
    // The old one read right, the new one 100 kPa too much: six times its accuracy. Without a word on it, one that comes to
    // read so within two hours has drifted.
    for (is_told, faults) in [(true, vec![]), (false, vec![Fault::Drift])] {
        let mut plant = Plant::new(2.0);
        plant.noise = 0.05;
        let mut monitor = monitor_for(&plant);
        run(&mut plant, &mut monitor, 6.0);
        if is_told {
            monitor.service(Service::SensorReplaced(Channel::ChamberPressure));
        }
        let mut raised = Vec::new();
        let samples = (6.0 * 3600.0 * plant.hz) as usize;
        for number in 0..samples {
            let mut sample = plant.next();
            let share = if is_told { 1.0 } else { (3.0 * number as f32 / samples as f32).min(1.0) };
            *sample.quantities.slot(Channel::ChamberPressure) += 100.0 * share;
            for event in &monitor.step_quantities(&sample) {
                if let Event::Alarm(alarm) = event
                    && alarm.is_active
                {
                    raised.push(alarm.fault);
                }
            }
        }
        raised.dedup();
        assert_eq!(raised, faults, "{:?}", monitor.learned());
    }
}

#[test]
fn a_drift_that_is_mended_clears_without_a_word() {
    let mut plant = Plant::new(2.0);
    plant.noise = 0.05;
    let mut monitor = monitor_for(&plant);
    run(&mut plant, &mut monitor, 6.0);
    let mut stands = Vec::new();
    for (hours, from_kpa, to_kpa) in [(2.0, 0.0, 100.0), (2.0, 100.0, 100.0), (4.0, 0.0, 0.0)] {
        let samples = (hours * 3600.0 * plant.hz) as usize;
        for number in 0..samples {
            let mut sample = plant.next();
            let share = number as f32 / samples as f32;
            *sample.quantities.slot(Channel::ChamberPressure) += from_kpa + (to_kpa - from_kpa) * share;
            for event in &monitor.step_quantities(&sample) {
                if let Event::Alarm(alarm) = event
                    && alarm.fault == Fault::Drift
                {
                    stands.push(alarm.is_active);
                }
            }
        }
    }
    assert_eq!([stands.first(), stands.last()], [Some(&true), Some(&false)], "{stands:?}");
}
