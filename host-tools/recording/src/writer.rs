//! Writing recordings: samples to batches, records to frames, the file under its name only when whole.

use std::{
    io::Write,
    path::{Path, PathBuf},
};

use airvalve_sensors::{Channel, CodeSample};
use airvalve_telemetry::{
    ArchiveEncoder, BatchError, FrameWriter, Header, MAX_BATCH_SAMPLES, MAX_FRAME_LEN, Pushed, Record, WriteError,
    max_frame_len,
};

use crate::whole_file::{WholeFile, WriteFileError};

/// The header is repeated after so many batches: a part of the file can be read from its first header on, and beside
/// 14 kB of samples it costs half a per cent.
const HEADER_EVERY_BATCHES: u32 = 4;

/// Why a recording could not be written.
#[derive(Debug, thiserror::Error)]
#[allow(missing_docs)] // the fields are what the message says
pub enum RecordingWriteError {
    #[error(transparent)]
    File(#[from] WriteFileError),
    #[error("{}: a record did not fit a frame: {source}; report this", .file.display())]
    Frame { file: PathBuf, source: WriteError },
    #[error("{}: a sample did not fit a batch: {source}; report this", .file.display())]
    Batch { file: PathBuf, source: BatchError },
}

/// Writes one device's recording.
///
/// The bytes that a device sends are a recording already: copy them into a [`WholeFile`] as they are.
pub struct RecordingWriter {
    name: PathBuf,
    out: WholeFile,
    frames: FrameWriter,
    frame: Vec<u8>,
    header: Header,
    /// The fitted channels, in the order of the header.
    fitted: Vec<Channel>,
    encoder: Box<ArchiveEncoder>,
    batches: u32,
}

impl RecordingWriter {
    /// Begins a recording with its header; `-` is standard output.
    ///
    /// # Errors
    /// [`RecordingWriteError::File`] when the file cannot be made.
    pub fn create(file: impl AsRef<Path>, header: Header) -> Result<RecordingWriter, RecordingWriteError> {
        let encoder = ArchiveEncoder::new(header.channels.len(), header.sample_period_us, MAX_BATCH_SAMPLES);
        let mut writer = RecordingWriter {
            name: file.as_ref().to_owned(),
            out: WholeFile::create(file)?,
            frames: FrameWriter::new(),
            frame: vec![0; max_frame_len(MAX_FRAME_LEN)],
            fitted: header.channels.iter().filter_map(|info| Channel::from_id(info.id)).collect(),
            header,
            encoder: Box::new(encoder),
            batches: 0,
        };
        writer.write_header()?;
        Ok(writer)
    }

    /// Adds a sample; channels that the header does not name are left out.
    ///
    /// # Errors
    /// [`RecordingWriteError::File`] when the disk does not take it.
    pub fn write_sample(&mut self, sample: &CodeSample) -> Result<(), RecordingWriteError> {
        let mut codes = [0; airvalve_sensors::CHANNELS];
        for (code, channel) in codes.iter_mut().zip(&self.fitted) {
            *code = sample.codes.get(*channel);
        }
        let codes = codes.get(..self.fitted.len()).unwrap_or_default();
        let pushed = self.encoder.push(sample.time_us, codes, sample.contacts.0);
        match pushed.map_err(|source| self.batch_error(source))? {
            Pushed::Stored => Ok(()),
            Pushed::Complete => self.write_batch().map(|_| ()),
        }
    }

    /// Adds a record; samples that are still being collected come after it.
    ///
    /// # Errors
    /// [`RecordingWriteError::File`] when the disk does not take it.
    pub fn write_record(&mut self, record: &Record<'_>) -> Result<(), RecordingWriteError> {
        let written = self.frames.write(record, &mut self.frame);
        self.put(written)
    }

    /// Makes the recording whole, under its name.
    ///
    /// # Errors
    /// [`RecordingWriteError::File`]; nothing new stands under the name then.
    pub fn finish(mut self) -> Result<(), RecordingWriteError> {
        while self.write_batch()? {}
        Ok(self.out.finish()?)
    }

    fn write_header(&mut self) -> Result<(), RecordingWriteError> {
        let record = Record::Header(self.header.clone());
        self.write_record(&record)
    }

    /// Writes the collected samples; false when there are none.
    fn write_batch(&mut self) -> Result<bool, RecordingWriteError> {
        if self.encoder.is_empty() {
            return Ok(false);
        }
        if self.batches > 0 && self.batches.is_multiple_of(HEADER_EVERY_BATCHES) {
            self.write_header()?;
        }
        self.batches += 1;
        let Some(batch) = self.encoder.take() else { return Ok(false) };
        let written = self.frames.write(&Record::Samples(batch), &mut self.frame);
        self.put(written)?;
        Ok(true)
    }

    fn put(&mut self, written: Result<usize, WriteError>) -> Result<(), RecordingWriteError> {
        let len = written.map_err(|source| RecordingWriteError::Frame { file: self.name.clone(), source })?;
        let frame = self.frame.get(..len).unwrap_or_default();
        self.out.write_all(frame).map_err(|source| self.out.error("written", source))?;
        Ok(())
    }

    fn batch_error(&self, source: BatchError) -> RecordingWriteError {
        RecordingWriteError::Batch { file: self.name.clone(), source }
    }
}
