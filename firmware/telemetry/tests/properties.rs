//! Properties that hold for any samples, any chunks and any damage.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, clippy::indexing_slicing)]

mod samples;

use airvalve_telemetry::{
    ArchiveEncoder, BatchEncoder, Columns, Damage, Event, FrameReader, FrameWriter, LiveEncoder, MAX_BATCH_SAMPLES,
    MAX_CHANNELS, MISSING_CODE, Record, SensorHealth, Totals, frames, kind,
};
use proptest::collection::vec;
use proptest::prelude::*;
use samples::{Sample, encode, for_each_batch};

/// What a reader said, in a form that can be kept.
#[derive(Clone, Debug, PartialEq)]
enum Said {
    Frame(u32, u8, Vec<u8>),
    Damaged(Damage),
    Lost(u32),
    Restarted,
}

impl From<Event<'_>> for Said {
    fn from(event: Event<'_>) -> Said {
        match event {
            Event::Frame(frame) => Said::Frame(frame.seq, frame.kind, frame.payload.to_vec()),
            Event::Damaged(damaged) => Said::Damaged(damaged.reason),
            Event::Lost { count } => Said::Lost(count),
            Event::Restarted => Said::Restarted,
        }
    }
}

fn read_whole(bytes: &[u8]) -> Vec<Said> {
    let mut frames = frames(bytes);
    let mut said = Vec::new();
    while let Some(event) = frames.next() {
        said.push(event.into());
    }
    said
}

fn read_chunks(bytes: &[u8], sizes: &[usize]) -> Vec<Said> {
    let mut reader = FrameReader::<8192>::new();
    let mut said = Vec::new();
    let (mut rest, mut sizes) = (bytes, sizes.iter().cycle());
    while !rest.is_empty() {
        let (mut chunk, after) = rest.split_at(rest.len().min(*sizes.next().unwrap()));
        while let Some(event) = reader.next_event(&mut chunk) {
            said.push(event.into());
        }
        rest = after;
    }
    while let Some(event) = reader.finish() {
        said.push(event.into());
    }
    said
}

fn payload_frames(payloads: &[Vec<u8>]) -> Vec<Vec<u8>> {
    let mut writer = FrameWriter::new();
    let mut out = vec![0; 8192];
    let mut frame = |payload: &Vec<u8>| {
        let used = writer.write_payload(200, payload, None, &mut out).unwrap();
        out[..used].to_vec()
    };
    payloads.iter().map(&mut frame).collect()
}

fn decoded(recording: &[u8]) -> Vec<Sample> {
    let mut all = Vec::new();
    for_each_batch(
        recording,
        |_, _| {},
        |columns, channels, count| {
            for n in 0..count {
                let codes = columns.codes.iter().take(channels).map(|column| column[n]).collect();
                all.push((columns.times_us[n], codes, columns.contacts[n]));
            }
        },
    );
    all
}

fn code() -> impl Strategy<Value = i16> {
    prop_oneof![
        4 => 4_000_i16..4_100,
        1 => any::<i16>(),
        1 => Just(MISSING_CODE),
        1 => prop_oneof![Just(i16::MAX), Just(-32_767), Just(0)],
    ]
}

fn step_us() -> impl Strategy<Value = i64> {
    prop_oneof![6 => Just(100_000_i64), 2 => 99_000_i64..101_000, 1 => any::<i64>()]
}

/// Up to 300 samples of the same number of channels; calm stretches and wild ones.
fn any_samples() -> impl Strategy<Value = Vec<Sample>> {
    (0..=MAX_CHANNELS).prop_flat_map(|channels| {
        let sample = (step_us(), vec(code(), channels), prop_oneof![4 => Just(0x71_u8), 1 => any::<u8>()], 1..40_usize);
        (any::<i64>(), vec(sample, 0..24)).prop_map(|(start, stretches)| {
            let mut time = start;
            let mut samples = Vec::new();
            for (step, codes, contacts, repeat) in stretches {
                for _ in 0..repeat {
                    samples.push((time, codes.clone(), contacts));
                    time = time.wrapping_add(step);
                }
            }
            samples
        })
    })
}

fn round_trip<const BLOCK: usize, const BYTES: usize>(encoder: BatchEncoder<BLOCK, BYTES>, samples: &[Sample]) {
    let recording = encode(encoder, samples.iter().map(|(time, codes, contacts)| (*time, &codes[..], *contacts)));
    assert_eq!(decoded(&recording), samples);
}

fn channels_of(samples: &[Sample]) -> usize {
    samples.first().map_or(0, |(_, codes, _)| codes.len())
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(400))]

    #[test]
    fn every_sample_comes_back_as_it_went_in(samples in any_samples(), max in 1..300_usize) {
        let channels = channels_of(&samples);
        round_trip(ArchiveEncoder::new(channels, 100_000, max), &samples);
        round_trip(LiveEncoder::new(channels, 100_000, 10), &samples);
        // A batch that holds hardly more than one block: blocks are often carried over.
        round_trip(BatchEncoder::<32, 1280>::new(channels, 100_000, max), &samples);
    }

    #[test]
    fn noise_without_any_order_comes_back_too(codes in vec(vec(any::<i16>(), 7), 1..400)) {
        let samples: Vec<Sample> = (0..).zip(codes).map(|(n, codes)| (n * 7_i64.pow(15), codes, n as u8)).collect();
        round_trip(BatchEncoder::<64, 2304>::new(7, 0, MAX_BATCH_SAMPLES), &samples);
    }

    #[test]
    fn chunks_of_any_size_give_the_same_events(
        payloads in vec(vec(any::<u8>(), 0..600), 0..8),
        sizes in vec(1..700_usize, 1..20),
        hit in any::<prop::sample::Index>(),
        with in any::<u8>(),
    ) {
        let mut bytes = payload_frames(&payloads).concat();
        if !bytes.is_empty() {
            let at = hit.index(bytes.len());
            bytes[at] ^= with;
        }
        prop_assert_eq!(read_chunks(&bytes, &sizes), read_whole(&bytes));
    }

    #[test]
    fn one_damaged_frame_costs_no_later_frame(
        payloads in vec(vec(any::<u8>(), 0..600), 2..8),
        victim in any::<prop::sample::Index>(),
        hit in any::<prop::sample::Index>(),
        with in 1..=u8::MAX,
    ) {
        let mut frames = payload_frames(&payloads);
        let victim = victim.index(frames.len());
        let at = hit.index(frames[victim].len());
        frames[victim][at] ^= with;
        let said = read_whole(&frames.concat());
        for (seq, payload) in payloads.iter().enumerate() {
            let whole = Said::Frame(seq as u32, 200, payload.clone());
            // Without its final zero a frame runs into the next one.
            let spoilt = seq == victim || (at + 1 == frames[victim].len() && seq == victim + 1);
            prop_assert!(spoilt || said.contains(&whole), "frame {} of {:?}", seq, said);
            prop_assert!(seq != victim || !said.contains(&whole), "the damaged frame came through");
        }
    }

    #[test]
    fn a_stream_cut_short_gives_what_came_before(payloads in vec(vec(any::<u8>(), 0..300), 1..6), cut in any::<prop::sample::Index>()) {
        let frames = payload_frames(&payloads);
        let bytes = frames.concat();
        let cut = cut.index(bytes.len());
        let mut end = 0;
        let whole = frames.iter().take_while(|frame| { end += frame.len(); end <= cut }).count();
        let said = read_whole(&bytes[..cut]);
        let read = said.iter().filter(|said| matches!(said, Said::Frame(..))).count();
        prop_assert_eq!(read, whole);
    }

    #[test]
    fn any_bytes_at_all_are_read_without_panic(bytes in vec(any::<u8>(), 0..3000), kind in 0..10_u8) {
        read_whole(&bytes);
        let _ = Record::from_payload(kind, &bytes);
        // The checksum must not be what protects the decoder: spoilt payloads under a good one.
        let mut out = vec![0; 8192];
        let used = FrameWriter::new().write_payload(kind, &bytes, None, &mut out).unwrap();
        prop_assert_eq!(read_whole(&out[..used]), vec![Said::Frame(0, kind, bytes)]);
    }

    #[test]
    fn hostile_batches_end_in_an_error_or_in_samples(
        bits in vec(any::<u8>(), 0..400), samples in any::<u16>(), block in 0..80_u8, channels in 0..10_u8, room in 0..5000_usize,
    ) {
        let batch = airvalve_telemetry::SampleBatch { first_us: 0, period_us: 1, samples, block, channels, bits: &bits };
        let (mut times, mut contacts) = (vec![0; room], vec![0; room]);
        let mut codes = vec![vec![0; room]; MAX_CHANNELS];
        let mut slots = codes.iter_mut();
        let mut columns = Columns {
            times_us: &mut times,
            codes: std::array::from_fn(|_| &mut slots.next().unwrap()[..]),
            contacts: &mut contacts,
        };
        let mut residuals = 0_usize;
        let decoded = batch.decode_with(&mut columns, &mut |_, _| residuals += 1);
        prop_assert!(decoded.is_err() || decoded == Ok(usize::from(samples)));
        prop_assert!(residuals <= MAX_BATCH_SAMPLES * MAX_CHANNELS);
    }

    #[test]
    fn flipped_bits_of_a_batch_never_panic(samples in any_samples(), hits in vec((any::<prop::sample::Index>(), 0..8_u32), 1..6)) {
        let channels = channels_of(&samples);
        let mut encoder = ArchiveEncoder::new(channels, 100_000, 200);
        for (time, codes, contacts) in samples.iter().take(200) {
            encoder.push(*time, codes, *contacts).unwrap();
        }
        let Some(batch) = encoder.take() else { return Ok(()) };
        let mut bits = batch.bits.to_vec();
        for (hit, bit) in hits {
            let at = hit.index(bits.len());
            bits[at] ^= 1 << bit;
        }
        let (mut times, mut contacts) = (vec![0; 200], vec![0; 200]);
        let mut codes = vec![[0; 200]; MAX_CHANNELS];
        let mut slots = codes.iter_mut();
        let mut columns = Columns {
            times_us: &mut times,
            codes: std::array::from_fn(|_| &mut slots.next().unwrap()[..]),
            contacts: &mut contacts,
        };
        let _ = airvalve_telemetry::SampleBatch { bits: &bits, ..batch }.decode_into(&mut columns);
    }

    #[test]
    fn a_buffer_that_is_too_short_uses_up_no_number(len in 0..40_usize) {
        let record = Record::Totals(Totals { time_us: 1 << 50, cycles: 70_000, ..Totals::default() });
        let mut writer = FrameWriter::new();
        let mut out = vec![0; len];
        let written = writer.write(&record, &mut out);
        prop_assert_eq!(writer.sequence(), u32::from(written.is_ok()));
    }
}

fn health(writer: &mut FrameWriter) -> Vec<u8> {
    let mut out = [0; 64];
    let used = writer.write(&Record::SensorHealth(SensorHealth::default()), &mut out).unwrap();
    out[..used].to_vec()
}

fn sequence_events(sequences: &[u32]) -> Vec<Said> {
    let bytes: Vec<u8> = sequences.iter().flat_map(|&seq| health(&mut FrameWriter::starting_at(seq))).collect();
    read_whole(&bytes).into_iter().filter(|said| !matches!(said, Said::Frame(..))).collect()
}

#[test]
fn missing_numbers_are_counted_as_lost() {
    assert_eq!(sequence_events(&[7, 8, 12, 13]), [Said::Lost(3)]);
}

#[test]
fn numbers_go_on_at_0_after_the_greatest() {
    assert_eq!(sequence_events(&[u32::MAX - 1, u32::MAX, 0, 1]), []);
}

#[test]
fn a_restart_is_no_loss_of_billions() {
    assert_eq!(sequence_events(&[500, 501, 0, 1]), [Said::Restarted]);
    assert_eq!(sequence_events(&[500, 501, 2, 3]), [Said::Restarted, Said::Lost(2)]);
}

#[test]
fn any_jump_of_the_number_ends() {
    assert_eq!(sequence_events(&[5, 4_000_000_000]), [Said::Restarted]);
}

#[test]
fn a_frame_longer_than_the_buffer_is_reported_and_passed_over() {
    let frames = payload_frames(&[vec![1; 300], vec![2; 10]]).concat();
    let mut reader = FrameReader::<64>::new();
    let mut input = &frames[..];
    let mut said: Vec<Said> = Vec::new();
    while let Some(event) = reader.next_event(&mut input) {
        said.push(event.into());
    }
    assert_eq!(said, [Said::Damaged(Damage::TooLong), Said::Frame(1, 200, vec![2; 10])]);
    assert_eq!(reader.counts().damaged, 1);
}

#[test]
fn damage_is_located() {
    let mut frames = payload_frames(&[vec![1; 20], vec![2; 20]]);
    frames[0][9] ^= 0x40;
    let (first, bytes) = (frames[0].len() as u64, frames.concat());
    let mut events = airvalve_telemetry::frames(&bytes);
    let Some(Event::Damaged(damaged)) = events.next() else { panic!("no damage") };
    assert_eq!((damaged.offset, damaged.length, damaged.reason), (0, first, Damage::Checksum));
    let Some(Event::Frame(frame)) = events.next() else { panic!("no frame") };
    assert_eq!(frame.offset, first);
}

#[test]
fn unknown_kinds_are_yielded_and_counted() {
    let bytes = payload_frames(&[vec![1, 2, 3]]).concat();
    let mut events = frames(&bytes);
    let Some(Event::Frame(frame)) = events.next() else { panic!("no frame") };
    assert_eq!(frame.record(), Err(airvalve_telemetry::DecodeError::UnknownKind(200)));
    assert_eq!(events.counts().unknown, 1);
}

#[test]
fn a_tag_is_handed_on_and_is_no_part_of_the_payload() {
    let mut out = [0; 64];
    let used = FrameWriter::new().write_payload(kind::TOTALS, &[1, 2], Some([9; 8]), &mut out).unwrap();
    let mut events = frames(&out[..used]);
    let Some(Event::Frame(frame)) = events.next() else { panic!("no frame") };
    assert_eq!((frame.payload, frame.tag), (&[1, 2][..], Some([9; 8])));
}
