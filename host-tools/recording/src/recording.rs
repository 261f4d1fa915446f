//! Reading recordings: frames to blocks of samples and records, damage located, memory bounded.

use std::{
    fs::File,
    io::{self, Cursor, Read},
    path::{Path, PathBuf},
};

use airvalve_sensors::{CHANNELS, Channel, Channels, FrontEnd, MISSING_CODE, Span};
use airvalve_telemetry::{
    BatchError, Columns, Counts, Damaged, DecodeError, Event, FORMAT_VERSION, Frame, FrameReader, Header,
    MAX_BATCH_SAMPLES, Record, SampleBatch, frames,
};

use crate::{
    block::{BlockBuffer, CodeBlock},
    input::{FileKind, Input, InputError},
};

/// Bytes read in one go.
const READ_LEN: usize = 1 << 18;
/// How far into a capture its first header may stand, bytes; writers repeat it far more often.
const HEADER_WITHIN: usize = 1 << 23;

/// Why a recording cannot be read, or not further.
#[derive(Debug, thiserror::Error)]
#[allow(missing_docs)] // the fields are what the message says
pub enum RecordingError {
    #[error(transparent)]
    Input(#[from] InputError),
    #[error("{}: a CSV file, not a recording; import it first", .file.display())]
    NotARecording { file: PathBuf },
    #[error("{}: reading failed at byte {offset}: {source}; check the disk", .file.display())]
    Reading { file: PathBuf, offset: u64, source: io::Error },
    #[error(
        "{}: no header in the first {searched} bytes; capture for longer, the device repeats it",
        .file.display()
    )]
    NoHeader { file: PathBuf, searched: u64 },
    #[error(
        "{}: format version {version} at byte {offset} (this program reads {FORMAT_VERSION}); use the program that fits",
        .file.display()
    )]
    AnotherVersion { file: PathBuf, offset: u64, version: u8 },
    #[error(
        "{}: device `{other}` at byte {offset} in a recording of `{device}`; keep one file a device",
        .file.display()
    )]
    AnotherDevice { file: PathBuf, offset: u64, device: String, other: String },
}

/// One thing that a recording holds.
#[derive(Debug)]
pub enum Item<'a> {
    /// The header, first of all and whenever it says something new; it holds for what follows.
    Header(&'a Header),
    /// Samples.
    Block(CodeBlock<'a>),
    /// Any record but header and samples.
    Record(Box<Record<'static>>),
    /// So many frames are missing here, by their sequence numbers.
    Lost {
        /// Missing frames.
        frames: u32,
        /// Where in the file, bytes.
        offset: u64,
    },
    /// The device was started again here.
    Restarted {
        /// Where in the file, bytes.
        offset: u64,
    },
    /// A damaged stretch, left out.
    Damaged(Damaged),
    /// A whole frame that means nothing here: its kind is of a later version, its layout is broken, or no header says what
    /// its samples are.
    Skipped {
        /// Kind of record.
        kind: u8,
        /// Whether the kind is known, so that the layout must be broken or the header missing.
        is_malformed: bool,
        /// Where in the file, bytes.
        offset: u64,
    },
}

/// A recording that is being read.
///
/// # Example
/// ```no_run
/// use airvalve_recording::{Item, Recording};
/// let mut recording = Recording::open("night.airvalve")?;
/// while let Some(item) = recording.next_item()? {
///     if let Item::Block(block) = item {
///         println!("{} samples", block.len());
///     }
/// }
/// # Ok::<(), airvalve_recording::RecordingError>(())
/// ```
pub struct Recording<R = File> {
    file: PathBuf,
    source: io::Chain<Cursor<Vec<u8>>, R>,
    bytes: Vec<u8>,
    from: usize,
    to: usize,
    is_at_end: bool,
    frames: FrameReader,
    /// End of the last stretch that was dealt with, bytes: a loss is noticed there.
    whole_until: u64,
    contents: Contents,
    is_header_new: bool,
}

/// What a frame comes to, free of the frame reader's memory.
enum Step {
    Samples(usize),
    NewHeader,
    Nothing,
    Item(Item<'static>),
}

impl Recording<File> {
    /// Opens a recording; `-` is standard input.
    ///
    /// # Errors
    /// [`RecordingError`] when it cannot be read, is no recording, or has no header that fits.
    pub fn open(file: impl AsRef<Path>) -> Result<Recording, RecordingError> {
        Recording::from_input(Input::open(file)?)
    }

    /// A recording that has been opened and recognised.
    ///
    /// # Errors
    /// As [`Recording::open`].
    pub fn from_input(input: Input) -> Result<Recording, RecordingError> {
        if input.kind != FileKind::Recording {
            return Err(RecordingError::NotARecording { file: input.file });
        }
        let (content, file) = input.begin()?;
        Recording::new(content, file)
    }
}

impl<R: Read> Recording<R> {
    /// Reads frames from a source; `file` names it in messages.
    ///
    /// A capture may begin anywhere: the first header that is found holds for what stands before it too, unless the device
    /// was started again in between; samples before that are skipped, since nothing says what they are.
    ///
    /// # Errors
    /// As [`Recording::open`].
    pub fn new(mut source: R, file: impl Into<PathBuf>) -> Result<Recording<R>, RecordingError> {
        let file = file.into();
        let mut start = Vec::new();
        let header = loop {
            let before = start.len();
            let chunk = READ_LEN.max(before) as u64;
            source.by_ref().take(chunk).read_to_end(&mut start).map_err(|source| RecordingError::Reading {
                file: file.clone(),
                offset: before as u64,
                source,
            })?;
            if let Some(found) = first_header(&start) {
                check_version(&found.header, found.offset, &file)?;
                break found;
            }
            if start.len() == before || start.len() >= HEADER_WITHIN {
                return Err(RecordingError::NoHeader { file, searched: start.len() as u64 });
            }
        };
        Ok(Recording {
            file,
            source: Cursor::new(start).chain(source),
            bytes: vec![0; READ_LEN],
            from: 0,
            to: 0,
            is_at_end: false,
            frames: FrameReader::new(),
            whole_until: 0,
            contents: Contents::new(header),
            is_header_new: true,
        })
    }

    /// The header that holds for what comes next.
    pub fn header(&self) -> &Header {
        &self.contents.header
    }

    /// Counts of frames, damage and losses so far.
    pub fn counts(&self) -> Counts {
        self.frames.counts()
    }

    /// The next thing in the recording; `None` at the end.
    ///
    /// # Errors
    /// [`RecordingError`] when the source fails, or a header of another version or device turns up.
    pub fn next_item(&mut self) -> Result<Option<Item<'_>>, RecordingError> {
        if std::mem::take(&mut self.is_header_new) {
            return Ok(Some(Item::Header(&self.contents.header)));
        }
        loop {
            match self.next_step()? {
                None => return Ok(None),
                Some(Step::Nothing) => {}
                Some(Step::NewHeader) => return Ok(Some(Item::Header(&self.contents.header))),
                Some(Step::Samples(len)) => return Ok(Some(Item::Block(self.contents.block(len)))),
                Some(Step::Item(item)) => return Ok(Some(item)),
            }
        }
    }

    fn next_step(&mut self) -> Result<Option<Step>, RecordingError> {
        loop {
            let mut input = self.bytes.get(self.from..self.to).unwrap_or_default();
            let mut event = self.frames.next_event(&mut input);
            self.from = self.to - input.len();
            if event.is_none() && self.is_at_end {
                event = self.frames.finish();
            }
            let step = match event {
                Some(Event::Frame(frame)) => self.contents.step(frame, &self.file)?,
                Some(Event::Damaged(damaged)) => Step::Item(Item::Damaged(damaged)),
                Some(Event::Lost { count }) => {
                    return Ok(Some(Step::Item(Item::Lost { frames: count, offset: self.whole_until })));
                }
                Some(Event::Restarted) => {
                    self.contents.is_headless = true;
                    return Ok(Some(Step::Item(Item::Restarted { offset: self.whole_until })));
                }
                None if self.is_at_end => return Ok(None),
                None => {
                    self.refill()?;
                    continue;
                }
            };
            self.whole_until = self.frames.position();
            return Ok(Some(step));
        }
    }

    fn refill(&mut self) -> Result<(), RecordingError> {
        let offset = self.frames.position();
        let read = loop {
            match self.source.read(&mut self.bytes) {
                Err(error) if error.kind() == io::ErrorKind::Interrupted => {}
                read => break read,
            }
        };
        let file = || self.file.clone();
        self.to = read.map_err(|source| RecordingError::Reading { file: file(), offset, source })?;
        self.from = 0;
        self.is_at_end = self.to == 0;
        Ok(())
    }
}

/// The header that holds and the samples that were read under it.
struct Contents {
    header: Header,
    /// No header says yet what samples are: the device was started again.
    is_headless: bool,
    /// Which of the decoded columns holds a channel.
    places: Channels<Option<usize>>,
    decoded: BlockBuffer<i16>,
    /// The column of every channel that is not fitted.
    missing: Vec<i16>,
}

impl Contents {
    fn new(FirstHeader { header, is_after_restart, .. }: FirstHeader) -> Contents {
        Contents {
            places: places(&header),
            header,
            is_headless: is_after_restart,
            decoded: BlockBuffer::new(MAX_BATCH_SAMPLES, MISSING_CODE),
            missing: vec![MISSING_CODE; MAX_BATCH_SAMPLES],
        }
    }

    fn step(&mut self, frame: Frame<'_>, file: &Path) -> Result<Step, RecordingError> {
        let skipped = |is_malformed| Step::Item(Item::Skipped { kind: frame.kind, is_malformed, offset: frame.offset });
        let record = match frame.record() {
            Ok(record) => record,
            Err(DecodeError::UnknownKind(_)) => return Ok(skipped(false)),
            Err(DecodeError::Malformed(_)) => return Ok(skipped(true)),
        };
        Ok(match record {
            Record::Header(header) => self.take_header(header, frame.offset, file)?,
            Record::Samples(_) if self.is_headless => skipped(true),
            Record::Samples(batch) => match self.decode(&batch) {
                Ok(0) => Step::Nothing,
                Ok(len) => Step::Samples(len),
                Err(_) => skipped(true),
            },
            Record::AlarmTransition(body) => Step::record(Record::AlarmTransition(body)),
            Record::ReleaseCycle(body) => Step::record(Record::ReleaseCycle(body)),
            Record::Totals(body) => Step::record(Record::Totals(body)),
            Record::SensorHealth(body) => Step::record(Record::SensorHealth(body)),
            Record::LearnedState(body) => Step::record(Record::LearnedState(body)),
            Record::ServiceMark(body) => Step::record(Record::ServiceMark(body)),
        })
    }

    fn take_header(&mut self, header: Header, offset: u64, file: &Path) -> Result<Step, RecordingError> {
        check_version(&header, offset, file)?;
        if header.device_id != self.header.device_id {
            return Err(RecordingError::AnotherDevice {
                file: file.to_owned(),
                offset,
                device: self.header.device_id.to_string(),
                other: header.device_id.to_string(),
            });
        }
        self.is_headless = false;
        if header == self.header {
            return Ok(Step::Nothing);
        }
        self.places = places(&header);
        self.header = header;
        Ok(Step::NewHeader)
    }

    fn decode(&mut self, batch: &SampleBatch<'_>) -> Result<usize, BatchError> {
        if usize::from(batch.channels) != self.header.channels.len() {
            return Err(BatchError::WrongChannels);
        }
        let mut columns = Columns {
            times_us: &mut self.decoded.times_us,
            codes: self.decoded.columns.each_mut().map(Vec::as_mut_slice),
            contacts: &mut self.decoded.contacts,
        };
        batch.decode_into(&mut columns)
    }

    fn block(&self, len: usize) -> CodeBlock<'_> {
        let missing = self.missing.get(..len).unwrap_or_default();
        let mut columns = Channels([missing; CHANNELS]);
        for channel in Channel::ALL {
            let place = self.places.get(channel);
            let column = place.and_then(|place| self.decoded.columns.get(place)?.get(..len));
            columns.set(channel, column.unwrap_or(missing));
        }
        CodeBlock {
            times_us: self.decoded.times_us.get(..len).unwrap_or_default(),
            columns,
            contacts: self.decoded.contacts.get(..len).unwrap_or_default(),
        }
    }
}

impl Step {
    fn record(record: Record<'static>) -> Step {
        Step::Item(Item::Record(Box::new(record)))
    }
}

fn places(header: &Header) -> Channels<Option<usize>> {
    let mut places = Channels([None; CHANNELS]);
    for (place, info) in header.channels.iter().enumerate() {
        // A channel of a later version is decoded and left out.
        if let Some(channel) = Channel::from_id(info.id) {
            places.set(channel, Some(place));
        }
    }
    places
}

/// The span of each fitted channel.
pub fn spans(header: &Header) -> Channels<Option<Span>> {
    let mut spans = Channels([None; CHANNELS]);
    for info in &header.channels {
        if let Some(channel) = Channel::from_id(info.id) {
            spans.set(channel, Some(Span { low: info.low, high: info.high }));
        }
    }
    spans
}

/// Shunt and converter that made the codes.
pub fn front_end(header: &Header) -> FrontEnd {
    FrontEnd { shunt_ohm: header.shunt_milliohm as f32 / 1000.0, full_scale_v: header.full_scale_mv as f32 / 1000.0 }
}

/// The first header of a capture.
struct FirstHeader {
    header: Header,
    /// Where it stands, bytes.
    offset: u64,
    /// The device was started between the beginning and it.
    is_after_restart: bool,
}

fn first_header(bytes: &[u8]) -> Option<FirstHeader> {
    let mut events = frames(bytes);
    let mut is_after_restart = false;
    while let Some(event) = events.next() {
        is_after_restart |= matches!(event, Event::Restarted);
        if let Event::Frame(frame) = event
            && let Ok(Record::Header(header)) = frame.record()
        {
            return Some(FirstHeader { header, offset: frame.offset, is_after_restart });
        }
    }
    None
}

fn check_version(header: &Header, offset: u64, file: &Path) -> Result<(), RecordingError> {
    if header.format_version == FORMAT_VERSION {
        return Ok(());
    }
    Err(RecordingError::AnotherVersion { file: file.to_owned(), offset, version: header.format_version })
}
