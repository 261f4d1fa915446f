//! What holds for any input.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

mod common;

use airvalve_monitor::{
    Event, Learned, Monitor, Settings,
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
                        cycle.ratio_after_step =
                            if cycle.ratio_after_step.is_nan() { -1.0 } else { cycle.ratio_after_step };
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
    let kept = Kept { conditions: Conditions { site_digest: 1, settings_digest: u32::MAX }, learned: before };
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

proptest! {
    #![proptest_config(ProptestConfig::with_cases(64))]

    /// Any codes, any times, any contacts: no panic, no NaN in totals, times never run backwards in what is told.
    #[test]
    fn any_samples_are_survived(
        samples in prop::collection::vec((0_i64..5_000_000, any::<[i16; 7]>(), any::<u8>()), 1..400),
        raw in any::<bool>(),
    ) {
        let mut monitor = Monitor::new(&site(), &Settings::default());
        let mut time_us = 0;
        for (step_us, codes, contacts) in samples {
            time_us += step_us;
            let codes = if raw { codes } else { codes.map(|code| 4800 + code.rem_euclid(19_200)) };
            let sample = CodeSample { time_us, codes: Channels(codes), contacts: Contacts(contacts) };
            for event in &monitor.step_codes(&sample) {
                if let Event::Alarm(alarm) = event {
                    prop_assert!(alarm.confidence.is_finite());
                    prop_assert!(alarm.time_us <= time_us);
                }
            }
            let learned = monitor.learned();
            prop_assert!(learned.zero_kpa.is_finite() && learned.opens_pct.recent.is_finite());
            prop_assert!(learned.area_ratio.recent.is_finite() && learned.answer.recent.is_finite());
        }
    }
}
