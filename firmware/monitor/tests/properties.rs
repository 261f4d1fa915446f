//! What holds for any input.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

mod common;

use airvalve_monitor::{
    Event, Learned, Monitor, Service, Settings, Totals, ValveState,
    device::{ARCHIVE_BATCH_S, Conditions, Device, DeviceConfig, Kept, digest},
};
use airvalve_sensors::{Channels, CodeSample, Contacts, QuantitySample};
use airvalve_telemetry::{Columns, Event as Received, FrameReader, Record};
use common::{Plant, monitor_for, run, site};
use proptest::prelude::*;

/// A later start shifts every time in the outcome and changes nothing else.
#[test]
fn a_later_start_shifts_alarms_and_cycles_and_nothing_else() {
    let outcome = |shift_us: i64| {
        let mut plant = Plant::new(10.0);
        plant.wrong = common::Wrong::JammedAt(40.0);
        plant.wrong_from_s = 3000.0;
        let mut monitor = monitor_for(&plant);
        let mut told = Vec::new();
        for _ in 0..50_000 {
            let mut sample = plant.next();
            sample.time_us += shift_us;
            for event in &monitor.step_quantities(&sample) {
                let event = match *event {
                    Event::State { time_us, state } => Event::State { time_us: time_us - shift_us, state },
                    Event::Cycle(mut cycle) => {
                        cycle.from_us -= shift_us;
                        cycle.to_us -= shift_us;
                        // NaN is not equal to itself.
                        cycle.area_ratio = if cycle.area_ratio.is_nan() { -1.0 } else { cycle.area_ratio };
                        cycle.slowness = if cycle.slowness.is_nan() { -1.0 } else { cycle.slowness };
                        cycle.displacement_nl =
                            if cycle.displacement_nl.is_nan() { -1.0 } else { cycle.displacement_nl };
                        Event::Cycle(cycle)
                    }
                    Event::Alarm(mut alarm) => {
                        alarm.time_us -= shift_us;
                        Event::Alarm(alarm)
                    }
                };
                told.push(event);
            }
        }
        told
    };
    let now = outcome(0);
    assert!(now.iter().any(|event| matches!(event, Event::Alarm(_))));
    assert_eq!(now, outcome(1_900_000_000_000_000));
}

#[test]
fn what_was_learned_survives_a_restart() {
    let mut plant = Plant::new(10.0);
    let mut monitor = monitor_for(&plant);
    run(&mut plant, &mut monitor, 3.0);
    let before = *monitor.learned();
    assert!(before.opens_pct.weight > 20.0);
    let kept = Kept { conditions: Conditions { site_digest: 1, evidence_digest: u32::MAX }, learned: before };
    assert_eq!(Kept::from_bytes(&kept.to_bytes()), Ok(kept));
}

#[test]
fn the_detector_fits_into_its_memory() {
    assert!(size_of::<Monitor>() <= 8192, "{}", size_of::<Monitor>());
    assert!(size_of::<Learned>() <= 1024);
}

#[test]
fn a_device_tells_in_frames_what_it_was_given() {
    let mut plant = Plant::new(10.0);
    let config = DeviceConfig {
        device_id: "test-valve".try_into().unwrap(),
        site: plant.site,
        settings: Settings::default(),
        learned: heapless::Vec::new(),
        batch_s: ARCHIVE_BATCH_S,
        contacts_fitted: 1,
        started_us: 0,
    };
    let mut device = Device::new(&config);
    let mut bytes = Vec::new();
    let mut given = Vec::new();
    for _ in 0..20_000 {
        let sample = coded(&plant.next());
        given.push(sample);
        device.sample(&sample, &mut |frame| bytes.extend_from_slice(frame));
    }
    device.flush(2_000_000_000, &mut |frame| bytes.extend_from_slice(frame));

    let mut reader = FrameReader::<8192>::new();
    let mut input = bytes.as_slice();
    let (mut times, mut floats, mut headers, mut cycles) = (Vec::new(), Vec::new(), 0, 0);
    while let Some(event) = reader.next_event(&mut input) {
        let Received::Frame(frame) = event else { panic!("damaged frame") };
        match frame.record().unwrap() {
            Record::Header(header) => {
                headers += 1;
                assert_eq!(header.site_digest, digest(&config.site));
            }
            Record::Samples(batch) => {
                let count = usize::from(batch.samples);
                let mut batch_times = vec![0; count];
                let mut codes: [Vec<i16>; 7] = std::array::from_fn(|_| vec![0; count]);
                let mut contacts = vec![0; count];
                batch
                    .decode_into(&mut Columns {
                        times_us: &mut batch_times,
                        codes: codes.each_mut().map(|column| column.as_mut_slice()),
                        contacts: &mut contacts,
                    })
                    .unwrap();
                times.extend(batch_times);
                floats.extend_from_slice(&codes[0]);
            }
            Record::ReleaseCycle(_) => cycles += 1,
            _ => {}
        }
    }
    assert_eq!(times, given.iter().map(|sample| sample.time_us).collect::<Vec<_>>());
    assert_eq!(floats, given.iter().map(|sample| sample.codes.0[0]).collect::<Vec<_>>());
    assert!(headers >= 2 && cycles >= 5, "{headers} headers, {cycles} cycles");
}

fn coded(sample: &QuantitySample) -> CodeSample {
    let site = site();
    let mut coded = CodeSample::missing(sample.time_us);
    coded.contacts = sample.contacts;
    for (place, span) in site.spans.0.iter().enumerate() {
        if let Some(span) = span {
            coded.codes.0[place] = site.front_end.scale(*span).code(sample.quantities.0[place]);
        }
    }
    coded
}

/// Follows what a detector tells: every stream of times only rises, every number is one.
#[derive(Default)]
struct Told {
    /// Last times of states, cycles and alarms.
    last_us: [i64; 3],
    last_nl: [f64; 7],
    last_s: f64,
    /// Whether begin and end of release cycles are held against each other and the clock.
    times_cycles: bool,
}

impl Told {
    fn event(&mut self, event: &Event, now_us: i64) -> Result<(), TestCaseError> {
        let (stream, time_us) = match event {
            Event::State { time_us, .. } => (0, *time_us),
            Event::Cycle(cycle) => {
                prop_assert!(!self.times_cycles || cycle.from_us <= cycle.to_us, "{cycle:?}");
                let numbers = [cycle.orifice_nl, cycle.best_nl].concat();
                prop_assert!(numbers.iter().all(|nl| nl.is_finite() && *nl >= 0.0), "{cycle:?}");
                prop_assert!(cycle.start_pct.is_finite() && cycle.end_pct.is_finite(), "{cycle:?}");
                (1, cycle.to_us)
            }
            Event::Alarm(alarm) => {
                prop_assert!((0.0..=1.0).contains(&alarm.confidence), "{alarm:?}");
                (2, alarm.time_us)
            }
        };
        if stream == 1 && !self.times_cycles {
            return Ok(());
        }
        let last_us = &mut self.last_us[stream];
        prop_assert!((*last_us..=now_us).contains(&time_us), "{event:?} after {last_us} and at {now_us}");
        *last_us = time_us;
        Ok(())
    }

    /// Totals are numbers, and only grow; no more time is told than has passed.
    fn totals(&mut self, totals: &Totals, passed_us: i64) -> Result<(), TestCaseError> {
        let Totals { large_out, small_out, second_out, large_in, .. } = *totals;
        let Totals { large_out_unresolved, large_in_unresolved, release_unconfirmed, .. } = *totals;
        let bounds = [large_out_unresolved, large_in_unresolved, release_unconfirmed];
        let volumes = [large_out, small_out, second_out, large_in].into_iter().chain(bounds);
        for (last_nl, now) in self.last_nl.iter_mut().zip(volumes) {
            prop_assert!(now.as_nl().is_finite() && now.as_nl() >= *last_nl, "{totals:?}");
            *last_nl = now.as_nl();
        }
        let told_s =
            ValveState::ALL.into_iter().map(|state| totals.state_s(state)).sum::<f64>() + totals.gap_us as f64 * 1e-6;
        prop_assert!(told_s >= self.last_s && told_s <= passed_us as f64 * 1e-6 + 1e-3, "{totals:?} in {passed_us} us");
        self.last_s = told_s;
        Ok(())
    }
}

/// What was learned can be kept: every number in it is one that a valve can teach.
fn can_be_kept(learned: &Learned) -> bool {
    let kept = Kept { conditions: Conditions { site_digest: 0, evidence_digest: 0 }, learned: *learned };
    Kept::from_bytes(&kept.to_bytes()) == Ok(kept)
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(64))]

    /// Any codes, any times, any contacts: no panic, no NaN in totals or in what is learned, times never run backwards in
    /// what is told.
    #[test]
    fn any_samples_are_survived(samples in any_samples()) {
        follow(samples, &[], Told::default())?;
    }

    /// Whatever work is told of and whenever: the same holds, and no air is lost.
    #[test]
    fn work_at_any_time_is_survived(samples in any_samples(), works in any_works()) {
        follow(samples, &works, Told::default())?;
    }

    /// A release cycle ends after it began and before it is told; they end one after the other.
    #[test]
    fn cycles_end_after_they_began_and_before_they_are_told(samples in any_samples()) {
        follow(samples, &[], Told { times_cycles: true, ..Told::default() })?;
    }
}

type AnySample = (i64, [i16; 7], u8);

/// Steps of time in microseconds, codes, contacts: over the whole range of codes, or within their spans.
fn any_samples() -> impl Strategy<Value = Vec<AnySample>> {
    let sample = (0_i64..5_000_000, any::<[i16; 7]>(), any::<u8>());
    (prop::collection::vec(sample, 1..400), any::<bool>()).prop_map(|(mut samples, is_within)| {
        if is_within {
            let within = |code: i16| 4800 + code.rem_euclid(19_200);
            samples.iter_mut().for_each(|(_, codes, _)| *codes = codes.map(within));
        }
        samples
    })
}

/// Work on the valve, each with the number of the sample before which it is told.
fn any_works() -> impl Strategy<Value = Vec<(usize, Service)>> {
    let work = (0_usize..400, 1_u8..5, 0_u8..7);
    let named = |(place, work, channel)| (place, Service::from_ids(work, channel).unwrap());
    prop::collection::vec(work.prop_map(named), 1..12)
}

fn follow(samples: Vec<AnySample>, works: &[(usize, Service)], mut told: Told) -> Result<(), TestCaseError> {
    let mut monitor = Monitor::new(&site(), &Settings::default());
    let mut time_us = 0;
    for (place, (step_us, codes, contacts)) in samples.into_iter().enumerate() {
        works.iter().filter(|(before, _)| *before == place).for_each(|(_, service)| monitor.service(*service));
        time_us += step_us;
        let sample = CodeSample { time_us, codes: Channels(codes), contacts: Contacts(contacts) };
        for event in &monitor.step_codes(&sample) {
            told.event(event, time_us)?;
        }
        told.totals(monitor.totals(), time_us)?;
        prop_assert!(can_be_kept(monitor.learned()), "{:?}", monitor.learned());
    }
    Ok(())
}
