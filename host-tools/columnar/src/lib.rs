//! Recordings as Parquet files.
//!
//! Duty: write times, quantities, codes and contacts as columns, in bounded memory. It stands apart since its
//! dependency is heavy.

mod columns;
mod size;

use std::{io, path::Path};

use airvalve_recording::{
    CodeBlock, Exported, Input, Item, Recording, RecordingError, WholeFile, WriteFileError,
    csv::{CONTACTS, contact_column},
    export::all_columns,
    recording::{front_end, spans},
};
use airvalve_sensors::{CHANNELS, Channel, Channels, Contact, Contacts, FrontEnd, front_end::Scale};
use airvalve_telemetry::Header;
use parquet::{
    basic::{Compression, Encoding, LogicalType, Repetition, TimeUnit, Type as PhysicalType, ZstdLevel},
    errors::ParquetError,
    file::{properties::WriterProperties, writer::SerializedFileWriter},
    schema::types::{ColumnPath, Type, TypePtr},
};

use columns::{Column, write_columns};
pub use size::codes_len;

/// Rows of a row group; what a writer holds at once.
const GROUP_ROWS: usize = 1 << 18;

/// Why a Parquet file could not be written.
#[derive(Debug, thiserror::Error)]
#[allow(missing_docs)] // the fields are what the message says
pub enum ParquetWriteError {
    #[error(transparent)]
    Recording(#[from] RecordingError),
    #[error(transparent)]
    File(#[from] WriteFileError),
    #[error("parquet: {0}; report this")]
    Parquet(ParquetError),
}

/// Writes all samples of a recording as a Parquet file; `-` is standard output.
///
/// Columns: `time` (microseconds, UTC), for each channel its quantity and `_code`, for each contact its state; a missing
/// sample is null.
///
/// # Errors
/// [`ParquetWriteError`] when the recording cannot be read or the file not be written.
pub fn write_parquet(recording: impl AsRef<Path>, file: impl AsRef<Path>) -> Result<Exported, ParquetWriteError> {
    write_parquet_with(recording, file, &|_| {})
}

/// The same as [`write_parquet`]; `progress` hears now and then how many samples are done: each counts half in either
/// pass.
///
/// # Errors
/// As [`write_parquet`].
pub fn write_parquet_with(
    recording: impl AsRef<Path>,
    file: impl AsRef<Path>,
    progress: &dyn Fn(u64),
) -> Result<Exported, ParquetWriteError> {
    let file = file.as_ref();
    let input = Input::open(recording).map_err(RecordingError::from)?;
    let again = input.another_pass().map_err(RecordingError::from)?;
    let (all, samples) = all_columns(Recording::from_input(input)?, progress)?;
    let fitted = Fitted::of(&all);
    let fails = |error| failure(error, file);
    let schema = fitted.schema().map_err(fails)?;
    let out = WholeFile::create(file)?;
    let mut writer = SerializedFileWriter::new(out, schema, properties(&fitted)).map_err(fails)?;
    let mut recording = Recording::from_input(again)?;
    let mut rows = Rows::new(fitted);
    let mut exported = Exported::default();
    while let Some(item) = recording.next_item()? {
        exported.losses.note(&item);
        match item {
            Item::Header(header) => rows.set_header(header),
            Item::Block(block) => {
                rows.add(block);
                exported.samples += block.len() as u64;
                progress((samples + exported.samples) / 2);
            }
            _ => {}
        }
        if rows.len() >= GROUP_ROWS {
            rows.write(&mut writer).map_err(fails)?;
        }
    }
    rows.write(&mut writer).map_err(fails)?;
    writer.into_inner().map_err(fails)?.finish()?;
    Ok(exported)
}

/// The system's error behind a library's, where there is one.
fn failure(error: ParquetError, file: &Path) -> ParquetWriteError {
    let source = match error {
        ParquetError::External(source) => match source.downcast::<io::Error>() {
            Ok(source) => *source,
            Err(source) => return ParquetWriteError::Parquet(ParquetError::External(source)),
        },
        other => return ParquetWriteError::Parquet(other),
    };
    ParquetWriteError::File(WriteFileError { file: file.to_owned(), what: "written", source })
}

/// What a recording has.
struct Fitted {
    channels: Vec<Channel>,
    contacts: Vec<Contact>,
}

impl Fitted {
    fn of(header: &Header) -> Fitted {
        let is_fitted = |contact: &Contact| header.contacts_fitted & (1 << (*contact as u8)) != 0;
        Fitted {
            channels: header.channels.iter().filter_map(|info| Channel::from_id(info.id)).collect(),
            contacts: CONTACTS.into_iter().filter(is_fitted).collect(),
        }
    }

    fn schema(&self) -> Result<TypePtr, ParquetError> {
        let time = LogicalType::timestamp(true, TimeUnit::MICROS);
        let mut fields = vec![field("time", PhysicalType::INT64, Repetition::REQUIRED, Some(time))?];
        for channel in &self.channels {
            let (name, code) = (channel.column(), code_column(*channel));
            fields.push(field(name, PhysicalType::FLOAT, Repetition::OPTIONAL, None)?);
            let integer = Some(LogicalType::integer(16, true));
            fields.push(field(&code, PhysicalType::INT32, Repetition::OPTIONAL, integer)?);
        }
        for contact in &self.contacts {
            let name = contact_column(*contact);
            fields.push(field(name, PhysicalType::BOOLEAN, Repetition::OPTIONAL, None)?);
        }
        Type::group_type_builder("samples").with_fields(fields).build().map(TypePtr::new)
    }
}

fn code_column(channel: Channel) -> String {
    format!("{}_code", channel.column())
}

fn field(
    name: &str,
    physical: PhysicalType,
    repetition: Repetition,
    logical: Option<LogicalType>,
) -> Result<TypePtr, ParquetError> {
    let builder = Type::primitive_type_builder(name, physical).with_repetition(repetition);
    builder.with_logical_type(logical).build().map(TypePtr::new)
}

fn properties(fitted: &Fitted) -> std::sync::Arc<WriterProperties> {
    let mut properties = WriterProperties::builder()
        .set_dictionary_enabled(false)
        .set_compression(Compression::ZSTD(ZstdLevel::default()))
        .set_column_encoding(ColumnPath::from("time"), Encoding::DELTA_BINARY_PACKED);
    for channel in &fitted.channels {
        properties = properties
            .set_column_encoding(ColumnPath::from(code_column(*channel)), Encoding::DELTA_BINARY_PACKED)
            .set_column_encoding(ColumnPath::from(channel.column()), Encoding::BYTE_STREAM_SPLIT);
    }
    properties.build().into()
}

/// Rows that are collected for the next row group.
struct Rows {
    fitted: Fitted,
    scales: Channels<Option<Scale>>,
    times_us: Vec<i64>,
    quantities: Vec<Vec<f32>>,
    codes: Vec<Vec<i16>>,
    contacts: Vec<u8>,
}

impl Rows {
    fn new(fitted: Fitted) -> Rows {
        Rows {
            scales: Channels([None; CHANNELS]),
            times_us: Vec::new(),
            quantities: vec![Vec::new(); fitted.channels.len()],
            codes: vec![Vec::new(); fitted.channels.len()],
            contacts: Vec::new(),
            fitted,
        }
    }

    fn len(&self) -> usize {
        self.times_us.len()
    }

    fn set_header(&mut self, header: &Header) {
        let front_end: FrontEnd = front_end(header);
        self.scales = Channels(spans(header).0.map(|span| span.map(|span| front_end.scale(span))));
    }

    fn add(&mut self, block: CodeBlock<'_>) {
        self.times_us.extend_from_slice(block.times_us);
        self.contacts.extend_from_slice(block.contacts);
        let columns = self.quantities.iter_mut().zip(&mut self.codes);
        for (channel, (quantities, codes)) in self.fitted.channels.iter().zip(columns) {
            let column = block.columns.get(*channel);
            codes.extend_from_slice(column);
            let scale = self.scales.get(*channel);
            let quantity = |code: &i16| scale.map_or(f32::NAN, |scale| scale.quantity(*code));
            quantities.extend(column.iter().map(quantity));
        }
    }

    /// Writes what is collected as a row group.
    fn write(&mut self, writer: &mut SerializedFileWriter<WholeFile>) -> Result<(), ParquetError> {
        if self.times_us.is_empty() {
            return Ok(());
        }
        let mut columns = vec![Column::Times(&self.times_us)];
        for (quantities, codes) in self.quantities.iter().zip(&self.codes) {
            columns.extend([Column::Quantities(quantities), Column::Codes(codes)]);
        }
        let states = |contact: &Contact| -> Vec<Option<bool>> {
            self.contacts.iter().map(|contacts| Contacts(*contacts).get(*contact)).collect()
        };
        let states: Vec<_> = self.fitted.contacts.iter().map(states).collect();
        columns.extend(states.iter().map(|states| Column::States(states)));
        write_columns(writer, &columns)?;
        self.times_us.clear();
        self.contacts.clear();
        self.quantities.iter_mut().for_each(Vec::clear);
        self.codes.iter_mut().for_each(Vec::clear);
        Ok(())
    }
}
