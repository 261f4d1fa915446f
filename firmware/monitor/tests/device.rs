//! What a device sends, as a reader of its link gets it.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

mod common;

use airvalve_monitor::{
    Learned, Service, Settings, SiteData,
    device::{ARCHIVE_BATCH_S, Conditions, Device, DeviceConfig, Kept, LIVE_BATCH_S, digest, header},
};
use airvalve_sensors::{CHANNELS, Channel, CodeSample, FrontEnd, Span};
use airvalve_telemetry::{Columns, Event, Header, Record, Totals, frames, kind};
use common::{Plant, site};

fn config(site: SiteData) -> DeviceConfig {
    DeviceConfig {
        device_id: "test-valve".try_into().unwrap(),
        site,
        settings: Settings::default(),
        learned: heapless::Vec::new(),
        batch_s: ARCHIVE_BATCH_S,
        contacts_fitted: 1,
        started_us: 0,
    }
}

/// So many samples of a usual valve.
fn samples(hz: f32, count: usize) -> Vec<CodeSample> {
    let mut plant = Plant::new(hz);
    let coded = |quantities: [f32; CHANNELS]| {
        let mut codes = CodeSample::missing(0).codes;
        for (channel, quantity) in Channel::ALL.into_iter().zip(quantities) {
            if let Some(span) = plant_span(channel) {
                codes.set(channel, FrontEnd::default().scale(span).code(quantity));
            }
        }
        codes
    };
    let next = |_| {
        let sample = plant.next();
        CodeSample { time_us: sample.time_us, codes: coded(sample.quantities.0), contacts: sample.contacts }
    };
    (0..count).map(next).collect()
}

fn plant_span(channel: Channel) -> Option<Span> {
    site().spans.get(channel)
}

/// What a device sends: how many samples it has been given, and the frame.
fn sent(config: &DeviceConfig, samples: &[CodeSample]) -> Vec<(usize, Vec<u8>)> {
    let mut device = Device::new(config);
    let mut sent = Vec::new();
    for (count, sample) in (1..).zip(samples) {
        device.sample(sample, &mut |frame| sent.push((count, frame.to_vec())));
    }
    let last_us = samples.last().unwrap().time_us;
    device.flush(last_us, &mut |frame| sent.push((samples.len(), frame.to_vec())));
    sent
}

fn telemetry(config: &DeviceConfig, samples: &[CodeSample]) -> Vec<u8> {
    sent(config, samples).into_iter().flat_map(|(_, frame)| frame).collect()
}

/// The records of the frames, each with the number of samples after which it was sent.
fn for_each(sent: &[(usize, Vec<u8>)], mut take: impl FnMut(usize, Record<'_>)) {
    for (count, bytes) in sent {
        let mut events = frames(bytes);
        let Some(Event::Frame(frame)) = events.next() else { panic!("no whole frame") };
        take(*count, frame.record().unwrap());
    }
}

fn times_us(batch: &airvalve_telemetry::SampleBatch<'_>) -> Vec<i64> {
    let count = usize::from(batch.samples);
    let mut times_us = vec![0; count];
    let mut codes: [Vec<i16>; 7] = std::array::from_fn(|_| vec![0; count]);
    let mut contacts = vec![0; count];
    let codes = codes.each_mut().map(|column| column.as_mut_slice());
    batch.decode_into(&mut Columns { times_us: &mut times_us, codes, contacts: &mut contacts }).unwrap();
    times_us
}

fn last_totals(sent: &[(usize, Vec<u8>)]) -> Totals {
    let mut last = Totals::default();
    for_each(sent, |_, record| {
        if let Record::Totals(totals) = record {
            last = totals;
        }
    });
    last
}

#[test]
fn a_device_that_cannot_use_what_was_learned_sends_what_a_new_one_sends() {
    let samples = samples(2.0, 4_000);
    let fresh = config(site());
    let as_new = telemetry(&fresh, &samples);
    let conditions = Conditions { site_digest: digest(&fresh.site), evidence_digest: digest(&fresh.settings.evidence) };
    let learned = Learned { zero_kpa: 1.5, ..Learned::from_data_sheet(&fresh.site) };
    let with = |kept: Kept| telemetry(&DeviceConfig { learned: kept.to_bytes(), ..fresh.clone() }, &samples);
    let kept = Kept { conditions, learned };
    assert_ne!(with(kept), as_new, "what was learned here is used");
    let elsewhere = Conditions { site_digest: 1, ..conditions };
    let otherwise = Conditions { evidence_digest: 1, ..conditions };
    for unusable in [
        Kept { conditions: elsewhere, ..kept },
        Kept { conditions: otherwise, ..kept },
        Kept { learned: Learned { zero_kpa: f32::NAN, ..learned }, ..kept },
        Kept { learned: Learned { zero_uncertainty_kpa: f32::INFINITY, ..learned }, ..kept },
    ] {
        assert_eq!(with(unusable), as_new, "{unusable:?}");
    }
    let mut older = kept.to_bytes();
    older[0] = 1;
    assert_eq!(telemetry(&DeviceConfig { learned: older, ..fresh.clone() }, &samples), as_new);
}

#[test]
fn the_header_comes_again_within_ten_minutes_of_data() {
    for (hz, batch_s) in [(10.0, ARCHIVE_BATCH_S), (1.0, ARCHIVE_BATCH_S), (50.0, ARCHIVE_BATCH_S), (2.0, LIVE_BATCH_S)]
    {
        let samples = samples(hz, (3.0 * 3600.0 * hz) as usize);
        let config = DeviceConfig { batch_s, ..config(SiteData { sample_period_s: 1.0 / hz, ..site() }) };
        let (mut since, mut longest, mut headers) = (0, 0, 0);
        for_each(&sent(&config, &samples), |_, record| match record {
            Record::Header(_) => (since, headers) = (0, headers + 1),
            Record::Samples(batch) => {
                since += usize::from(batch.samples);
                longest = longest.max(since);
            }
            _ => {}
        });
        assert!(longest as f32 <= 600.0 * hz, "{hz} Hz: {longest} samples without a header");
        assert!((18..=24).contains(&headers), "{hz} Hz: {headers} headers in three hours");
    }
}

#[test]
fn a_live_device_holds_no_sample_back_for_longer_than_a_second() {
    for hz in [1.0_f32, 10.0, 50.0] {
        let samples = samples(hz, (120.0 * hz) as usize);
        let config = DeviceConfig { batch_s: LIVE_BATCH_S, ..config(SiteData { sample_period_s: 1.0 / hz, ..site() }) };
        let mut received = Vec::new();
        for_each(&sent(&config, &samples), |count, record| {
            if let Record::Samples(batch) = record {
                received.extend(times_us(&batch));
                assert!(usize::from(batch.samples) as f32 <= hz.max(1.0));
                assert_eq!(received.len(), count, "{hz} Hz: all that came before is sent");
            }
        });
        assert_eq!(received, samples.iter().map(|sample| sample.time_us).collect::<Vec<_>>());
    }
}

#[test]
fn every_lost_sample_is_counted_single_ones_too() {
    let config = config(SiteData { sample_period_s: 0.5, ..site() });
    let all = samples(2.0, 4_000);
    assert_eq!(last_totals(&sent(&config, &all)).lost_samples, 0);
    let some: Vec<_> = all.iter().zip(0..).filter(|(_, n)| n % 100 != 50 && !(1000..1500).contains(n)).collect();
    let some: Vec<_> = some.into_iter().map(|(sample, _)| *sample).collect();
    assert_eq!(last_totals(&sent(&config, &some)).lost_samples as usize, all.len() - some.len());
}

#[test]
fn nothing_in_the_header_is_cut_off() {
    let front_end = FrontEnd { shunt_ohm: 99.999_9, full_scale_v: 1.023_999_9 };
    let site = SiteData { front_end, burst_s: 60.25, burst_every_s: 900.7, sample_period_s: 0.3, ..site() };
    let Header { shunt_milliohm, full_scale_mv, sample_period_us, .. } = header(&config(site));
    assert_eq!((shunt_milliohm, full_scale_mv, sample_period_us), (100_000, 1_024, 300_000));
    assert_eq!(header(&config(site)).burst_us(), [60_250_000, 900_700_000]);
    for tenths in 10..36_000 {
        let site = SiteData { burst_s: 0.1 * tenths as f32, burst_every_s: 86_400.0, ..site };
        assert_eq!(header(&config(site)).burst_us(), [100_000 * tenths, 86_400_000_000]);
    }
}

#[test]
fn digests_are_of_the_largest_values_too() {
    let mut largest = site();
    for channel in Channel::ALL {
        largest.spans.set(channel, Some(Span { low: -1.0, high: 1.0 }));
    }
    largest.second = Some(largest.small);
    let other = SiteData { front_end: FrontEnd { full_scale_v: 2.048, ..largest.front_end }, ..largest };
    assert!(digest(&largest) != 0 && digest(&Settings::default()) != 0);
    assert_ne!(digest(&largest), digest(&other), "the last field counts");
}

/// What a device sends while it takes these samples.
fn played(device: &mut Device, samples: &[CodeSample]) -> Vec<(usize, Vec<u8>)> {
    let mut sent = Vec::new();
    samples.iter().for_each(|sample| device.sample(sample, &mut |frame| sent.push((0, frame.to_vec()))));
    sent
}

#[test]
fn work_on_the_valve_is_sent_behind_the_samples_before_it_and_survives_a_restart() {
    let config = config(SiteData { sample_period_s: 0.5, ..site() });
    let samples = samples(2.0, 20_000);
    let (before, after) = samples.split_at(10_000);
    let mut device = Device::new(&config);
    let mut sent = played(&mut device, before);
    let told_us = before.last().unwrap().time_us + 1;
    assert!(device.monitor().learned().slowness.weight > 0.0 && device.monitor().learned().opens_pct.weight > 0.0);
    device.service(Service::Cleaned, told_us, &mut |frame| sent.push((0, frame.to_vec())));
    let kept_pct = device.monitor().learned().opens_pct;
    sent.extend(played(&mut device, after));

    let (mut last_us, mut mark_seen, mut learned) = (0, false, None);
    for_each(&sent, |_, record| match record {
        Record::Samples(batch) => {
            let times_us = times_us(&batch);
            assert!(if mark_seen { times_us[0] > told_us } else { *times_us.last().unwrap() < told_us });
            last_us = *times_us.last().unwrap();
        }
        Record::ServiceMark(mark) => {
            assert_eq!((mark.time_us, mark.work, mark.channel), (told_us, Service::Cleaned.id(), 255));
            assert_eq!(last_us, before.last().unwrap().time_us);
            mark_seen = true;
        }
        Record::LearnedState(state) if mark_seen && learned.is_none() => learned = Some(state.bytes),
        _ => {}
    });
    let restarted = Device::new(&DeviceConfig { learned: learned.expect("learned state behind the mark"), ..config });
    let learned = restarted.monitor().learned();
    assert_eq!((learned.slowness.weight, learned.opens_pct), (0.0, kept_pct));
}

#[test]
fn work_before_the_first_sample_is_sent_behind_a_header() {
    let config = config(site());
    let mut sent = Vec::new();
    Device::new(&config).service(Service::ValveReplaced, 0, &mut |frame| sent.push((0, frame.to_vec())));
    let mut kinds = Vec::new();
    for_each(&sent, |_, record| kinds.push(record.kind()));
    assert_eq!(kinds, [kind::HEADER, kind::LEARNED_STATE, kind::SERVICE_MARK, kind::LEARNED_STATE]);
}
