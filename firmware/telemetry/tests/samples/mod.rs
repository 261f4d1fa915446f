//! Samples to frames and back, for tests and the speed example.

use airvalve_telemetry::{
    BatchEncoder, Columns, Event, FrameWriter, MAX_BATCH_SAMPLES, MAX_CHANNELS, Pushed, Record,
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
