//! Samples to frames and back, for tests and the speed example.
#![allow(clippy::unwrap_used, clippy::panic, clippy::indexing_slicing, dead_code)]

use airvalve_telemetry::{
    ArchiveEncoder, BatchEncoder, Columns, Event, FrameWriter, MAX_BATCH_SAMPLES, MAX_CHANNELS, Pushed, Record,
    SampleBatch, frames, max_frame_len,
};

/// One sample: time, codes, contacts.
pub(crate) type Sample = (i64, Vec<i16>, u8);

/// Codes samples and frames the batches.
pub(crate) fn encode<'a, const BLOCK: usize, const BYTES: usize>(
    mut encoder: BatchEncoder<BLOCK, BYTES>,
    samples: impl IntoIterator<Item = (i64, &'a [i16], u8)>,
) -> Vec<u8> {
    let mut writer = FrameWriter::new();
    let mut frame = vec![0; max_frame_len(BYTES + 32)];
    let mut recording = Vec::new();
    let mut keep = |batch: SampleBatch<'_>| {
        let used = writer.write(&Record::Samples(batch), &mut frame).unwrap();
        recording.extend_from_slice(&frame[..used]);
    };
    for (time_us, codes, contacts) in samples {
        if encoder.push(time_us, codes, contacts).unwrap() == Pushed::Complete {
            keep(encoder.take().unwrap());
        }
    }
    while let Some(batch) = encoder.take() {
        keep(batch);
    }
    recording
}

/// Decodes every batch of a recording; `on_batch` gets the columns and the number of samples in them.
pub(crate) fn for_each_batch(
    recording: &[u8],
    mut on_residual: impl FnMut(usize, i16),
    mut on_batch: impl FnMut(&Columns<'_>, usize, usize),
) {
    let mut times_us = vec![0; MAX_BATCH_SAMPLES];
    let mut codes = vec![[0; MAX_BATCH_SAMPLES]; MAX_CHANNELS];
    let mut contacts = vec![0; MAX_BATCH_SAMPLES];
    let mut frames = frames(recording);
    while let Some(event) = frames.next() {
        let Event::Frame(frame) = event else { panic!("{event:?}") };
        let Record::Samples(batch) = frame.record().unwrap() else { continue };
        let mut slots = codes.iter_mut();
        let mut columns = Columns {
            times_us: &mut times_us,
            codes: std::array::from_fn(|_| &mut slots.next().unwrap()[..]),
            contacts: &mut contacts,
        };
        let count = batch.decode_with(&mut columns, &mut on_residual).unwrap();
        on_batch(&columns, usize::from(batch.channels), count);
    }
}

/// Codes three columns as samples of 10 Hz with the archive encoder.
pub(crate) fn archive(columns: &[Vec<i16>; 3]) -> Vec<u8> {
    let [a, b, c] = columns;
    let codes: Vec<[i16; 3]> = a.iter().zip(b).zip(c).map(|((&a, &b), &c)| [a, b, c]).collect();
    let samples = (0..).zip(&codes).map(|(n, codes)| (n * 100_000, &codes[..], 0x71));
    encode(ArchiveEncoder::new(3, 100_000, MAX_BATCH_SAMPLES), samples)
}

/// Zero-order entropy of a recording's residuals, each channel over the whole recording, bytes.
///
/// Source: Shannon, "A Mathematical Theory of Communication", Bell System Technical Journal 27, 1948, section 6.
pub(crate) fn residual_entropy_bytes(recording: &[u8]) -> f64 {
    let mut counts = vec![vec![0_u32; 1 << 16]; MAX_CHANNELS];
    for_each_batch(recording, |channel, residual| counts[channel][usize::from(residual as u16)] += 1, |_, _, _| {});
    let bits = |counts: &Vec<u32>| {
        let total: f64 = counts.iter().map(|&n| f64::from(n)).sum();
        let occurring = counts.iter().filter(|&&n| n > 0).map(|&n| f64::from(n));
        occurring.map(|n| -n * (n / total).log2()).sum::<f64>()
    };
    counts.iter().map(bits).sum::<f64>() / 8.0
}
