//! Frames, records and batches of samples.

use airvalve_telemetry::{
    ArchiveEncoder, BatchError, Columns, Counts, Damaged, Event, FrameReader, FrameWriter, MAX_BATCH_SAMPLES,
    MAX_CHANNELS, MAX_FRAME_LEN, Pushed, Record, SampleBatch, TAG_LEN, checksum, frames, kind, max_frame_len, stuff,
    unstuff,
};

/// What a frame reader said, in a form that can be kept.
#[derive(Clone, Debug, PartialEq)]
enum Said {
    Frame { offset: u64, seq: u32, kind: u8, payload: Vec<u8>, tag: Option<[u8; TAG_LEN]> },
    Damaged(Damaged),
    Lost(u32),
    Restarted,
}

impl From<Event<'_>> for Said {
    fn from(event: Event<'_>) -> Said {
        match event {
            Event::Frame(frame) => Said::Frame {
                offset: frame.offset,
                seq: frame.seq,
                kind: frame.kind,
                payload: frame.payload.to_vec(),
                tag: frame.tag,
            },
            Event::Damaged(damaged) => Said::Damaged(damaged),
            Event::Lost { count } => Said::Lost(count),
            Event::Restarted => Said::Restarted,
        }
    }
}

/// Every byte lies in a frame, in a damaged stretch or on an idle line; chunking does not matter.
pub(super) fn check_frames(bytes: &[u8]) {
    let mut events = frames(bytes);
    let mut said: Vec<Said> = Vec::new();
    while let Some(event) = events.next() {
        said.push(event.into());
    }
    check_stretches(bytes, &said);
    check_counts(&said, events.counts());
    let step = 1 + bytes.first().map_or(0, |byte| usize::from(*byte) % 61);
    assert_eq!(read_in_chunks::<MAX_FRAME_LEN>(bytes, step), said, "chunks of {step} bytes");
    // A short buffer loses long frames and nothing else.
    check_stretches(bytes, &read_in_chunks::<64>(bytes, step));
    for said in &said {
        if let Said::Frame { kind, payload, tag, seq, .. } = said {
            check_written_again(*kind, *seq, payload, *tag);
            let _ = Record::from_payload(*kind, payload);
        }
    }
}

fn read_in_chunks<const N: usize>(bytes: &[u8], step: usize) -> Vec<Said> {
    let mut reader = FrameReader::<N>::new();
    let mut said: Vec<Said> = Vec::new();
    for mut chunk in bytes.chunks(step) {
        while let Some(event) = reader.next_event(&mut chunk) {
            said.push(event.into());
        }
        assert!(chunk.is_empty(), "a chunk was left");
    }
    assert_eq!(reader.position(), bytes.len() as u64);
    while let Some(event) = reader.finish() {
        said.push(event.into());
    }
    said
}

/// Frames and damage against what the zero bytes alone say: each stretch between them is one or the other.
fn check_stretches(bytes: &[u8], said: &[Said]) {
    let mut told = said.iter().filter(|said| matches!(said, Said::Frame { .. } | Said::Damaged(_)));
    let mut offset = 0;
    for stretch in bytes.split_inclusive(|byte| *byte == 0) {
        if stretch != [0] {
            match told.next() {
                Some(Said::Frame { offset: from, payload, .. }) => {
                    assert_eq!(*from, offset);
                    assert!(payload.len() < stretch.len() && stretch.last() == Some(&0));
                }
                Some(Said::Damaged(damaged)) => {
                    assert_eq!((damaged.offset, damaged.length), (offset, stretch.len() as u64));
                }
                other => unreachable!("nothing said of the stretch at {offset}: {other:?}"),
            }
        }
        offset += stretch.len() as u64;
    }
    assert_eq!(told.next(), None, "more said than there is");
}

fn check_counts(said: &[Said], counts: Counts) {
    let mut expected = Counts::default();
    for said in said {
        match said {
            Said::Frame { kind, .. } => {
                expected.frames += 1;
                expected.unknown += u64::from(!kind::KNOWN.contains(kind));
            }
            Said::Damaged(_) => expected.damaged += 1,
            Said::Lost(count) => expected.lost += u64::from(*count),
            Said::Restarted => expected.restarts += 1,
        }
    }
    assert_eq!(counts, expected);
}

fn check_written_again(kind: u8, seq: u32, payload: &[u8], tag: Option<[u8; TAG_LEN]>) {
    let mut out = vec![0; max_frame_len(payload.len())];
    let used = FrameWriter::starting_at(seq).write_payload(kind, payload, tag, &mut out);
    let written = used.ok().and_then(|used| out.get(..used));
    assert!(written.is_some(), "{used:?}");
    let mut events = frames(written.unwrap_or_default());
    let expected = Said::Frame { offset: 0, seq, kind, payload: payload.to_vec(), tag };
    assert_eq!(events.next().map(Said::from), Some(expected));
}

/// The first byte is the kind, the rest the payload: what it says survives being written and read again.
pub(super) fn check_record(bytes: &[u8]) {
    let Some((kind, payload)) = bytes.split_first() else { return };
    let Ok(record) = Record::from_payload(*kind, payload) else { return };
    assert_eq!(record.kind(), *kind);
    let written = written(&record);
    let again = frames(&written).next().and_then(|event| match event {
        Event::Frame(frame) => frame.record().ok().map(|record| self::written(&record)),
        _ => None,
    });
    assert_eq!(again.as_ref(), Some(&written));
    if let Record::Samples(batch) = &record {
        check_samples(batch);
    }
}

/// A record as a frame. Compared instead of the record: its numbers may be NaN.
fn written(record: &Record<'_>) -> Vec<u8> {
    let mut out = vec![0; max_frame_len(1 << 17)];
    let used = FrameWriter::new().write(record, &mut out);
    assert!(used.is_ok(), "{used:?}");
    out.truncate(used.unwrap_or_default());
    out
}

/// The first five bytes are the batch's numbers, the rest its bits.
pub(super) fn check_batch(bytes: &[u8]) {
    let Some((&[low, high, block, channels, period], bits)) = bytes.split_first_chunk::<5>() else { return };
    check_samples(&SampleBatch {
        first_us: i64::from(low).wrapping_shl(u32::from(high)),
        period_us: u32::from(period) * 1000,
        samples: u16::from_le_bytes([low, high]),
        block,
        channels,
        bits,
    });
}

/// A batch ends in an error or in all its samples, whatever stood in the columns, and these can be coded again.
fn check_samples(batch: &SampleBatch<'_>) {
    let mut room = Room::new(MAX_BATCH_SAMPLES, 0);
    let decoded = batch.decode_into(&mut room.columns());
    let mut other = Room::new(MAX_BATCH_SAMPLES, -1);
    assert_eq!(batch.decode_into(&mut other.columns()), decoded);
    let Ok(len) = decoded else { return };
    assert_eq!(len, usize::from(batch.samples));
    let samples = room.samples(len, batch.channels);
    assert!(samples == other.samples(len, batch.channels), "what stood in the columns shows");
    if len > 0 {
        let mut short = Room::new(len - 1, 0);
        assert_eq!(batch.decode_into(&mut short.columns()), Err(BatchError::ColumnTooShort));
    }
    assert!(coded_again(&samples, batch) == samples, "coded again, the samples differ");
}

type Sample = (i64, Vec<i16>, u8);

struct Room {
    times_us: Vec<i64>,
    codes: [Vec<i16>; MAX_CHANNELS],
    contacts: Vec<u8>,
}

impl Room {
    fn new(len: usize, fill: i8) -> Room {
        Room {
            times_us: vec![i64::from(fill); len],
            codes: std::array::from_fn(|_| vec![i16::from(fill); len]),
            contacts: vec![fill as u8; len],
        }
    }

    fn columns(&mut self) -> Columns<'_> {
        Columns {
            times_us: &mut self.times_us,
            codes: self.codes.each_mut().map(Vec::as_mut_slice),
            contacts: &mut self.contacts,
        }
    }

    fn samples(&self, len: usize, channels: u8) -> Vec<Sample> {
        let code = |column: &Vec<i16>, n: usize| column.get(n).copied().unwrap_or_default();
        let times = self.times_us.iter().zip(&self.contacts).take(len).enumerate();
        let codes = |n| self.codes.iter().take(usize::from(channels)).map(|column| code(column, n)).collect();
        times.map(|(n, (time_us, contacts))| (*time_us, codes(n), *contacts)).collect()
    }
}

fn coded_again(samples: &[Sample], batch: &SampleBatch<'_>) -> Vec<Sample> {
    let channels = usize::from(batch.channels);
    let mut encoder = Box::new(ArchiveEncoder::new(channels, batch.period_us, MAX_BATCH_SAMPLES));
    let mut room = Room::new(MAX_BATCH_SAMPLES, 0);
    let mut all = Vec::new();
    let mut keep = |batch: Option<SampleBatch<'_>>| {
        let len = batch.map_or(Ok(0), |batch| batch.decode_into(&mut room.columns()));
        assert!(len.is_ok(), "{len:?}");
        all.extend(room.samples(len.unwrap_or_default(), channels as u8));
        len != Ok(0)
    };
    for (time_us, codes, contacts) in samples {
        if encoder.push(*time_us, codes, *contacts) == Ok(Pushed::Complete) {
            keep(encoder.take());
        }
    }
    while keep(encoder.take()) {}
    all
}

/// The same frames with checksums that fit: behind them the readers must be as good as before them.
///
/// What is no stuffed frame stays as it is.
pub fn resealed(bytes: &[u8]) -> Vec<u8> {
    let mut all = Vec::with_capacity(bytes.len());
    for stretch in bytes.split_inclusive(|byte| *byte == 0) {
        match sealed(stretch) {
            Some(frame) => all.extend(frame),
            None => all.extend_from_slice(stretch),
        }
    }
    all
}

fn sealed(stretch: &[u8]) -> Option<Vec<u8>> {
    let stuffed = stretch.strip_suffix(&[0])?;
    let mut raw = vec![0; stuffed.len()];
    let len = unstuff(stuffed, &mut raw)?;
    let (body, crc) = raw.get_mut(..len)?.split_last_chunk_mut::<4>()?;
    *crc = checksum(body).to_le_bytes();
    let mut out = vec![0; max_frame_len(len)];
    let used = stuff(raw.get(..len)?, &mut out)?;
    out.truncate(used);
    Some(out)
}
