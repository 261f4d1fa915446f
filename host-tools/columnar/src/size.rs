//! What the codes of a recording take as Parquet, to compare the recording format with.

use std::{io::Read, path::Path};

use airvalve_recording::{Item, Recording};
use airvalve_sensors::Channel;
use parquet::{
    basic::{Compression, Encoding, LogicalType, Repetition, Type as PhysicalType, ZstdLevel},
    file::{properties::WriterProperties, writer::SerializedFileWriter},
    schema::types::{Type, TypePtr},
};

use crate::{
    ParquetWriteError,
    columns::{Column, write_columns},
    failure, field,
};

/// Bytes of a Parquet file that holds the codes of a recording and nothing else: delta binary packed, zstd level 19, no
/// statistics, one row group, one page a column where the library allows it.
///
/// # Errors
/// [`ParquetWriteError`] when the recording cannot be read.
pub fn codes_len<R: Read>(mut recording: Recording<R>) -> Result<u64, ParquetWriteError> {
    let header = recording.header();
    let channels: Vec<Channel> = header.channels.iter().filter_map(|info| Channel::from_id(info.id)).collect();
    let mut codes: Vec<Vec<i32>> = vec![Vec::new(); channels.len()];
    while let Some(item) = recording.next_item()? {
        let Item::Block(block) = item else { continue };
        for (channel, codes) in channels.iter().zip(&mut codes) {
            codes.extend(block.columns.get(*channel).iter().map(|code| i32::from(*code)));
        }
    }
    parquet_len(&channels, &codes).map_err(|error| failure(error, Path::new("(in memory)")))
}

fn parquet_len(channels: &[Channel], codes: &[Vec<i32>]) -> parquet::errors::Result<u64> {
    let fields = channels.iter().map(|channel| {
        let integer = Some(LogicalType::integer(16, true));
        field(channel.column(), PhysicalType::INT32, Repetition::REQUIRED, integer)
    });
    let fields = fields.collect::<Result<Vec<_>, _>>()?;
    let schema = TypePtr::new(Type::group_type_builder("codes").with_fields(fields).build()?);
    let properties = WriterProperties::builder()
        .set_dictionary_enabled(false)
        .set_statistics_enabled(parquet::file::properties::EnabledStatistics::None)
        .set_encoding(Encoding::DELTA_BINARY_PACKED)
        .set_data_page_row_count_limit(usize::MAX)
        .set_compression(Compression::ZSTD(ZstdLevel::try_new(19)?));
    let mut writer = SerializedFileWriter::new(Vec::new(), schema, properties.build().into())?;
    let columns: Vec<_> = codes.iter().map(|codes| Column::AllCodes(codes)).collect();
    write_columns(&mut writer, &columns)?;
    Ok(writer.into_inner()?.len() as u64)
}
