//! Columns of values to columns of Parquet.

use std::io::Write;

use airvalve_sensors::MISSING_CODE;
use parquet::{
    column::writer::ColumnWriter,
    errors::{ParquetError, Result},
    file::writer::SerializedFileWriter,
};

/// One column of a row group; what is missing becomes null.
pub(crate) enum Column<'a> {
    Times(&'a [i64]),
    Quantities(&'a [f32]),
    Codes(&'a [i16]),
    /// Codes as they are, the mark of a missing one too.
    AllCodes(&'a [i32]),
    States(&'a [Option<bool>]),
}

/// Writes one row group, in the order of the schema.
pub(crate) fn write_columns<W: Write + Send>(
    writer: &mut SerializedFileWriter<W>,
    columns: &[Column<'_>],
) -> Result<()> {
    let mut group = writer.next_row_group()?;
    for column in columns {
        let mut out =
            group.next_column()?.ok_or_else(|| ParquetError::General("more columns than the schema has".to_owned()))?;
        match (column, out.untyped()) {
            (Column::Times(values), ColumnWriter::Int64ColumnWriter(out)) => {
                out.write_batch(values, None, None)?;
            }
            (Column::AllCodes(values), ColumnWriter::Int32ColumnWriter(out)) => {
                out.write_batch(values, None, None)?;
            }
            (Column::Quantities(values), ColumnWriter::FloatColumnWriter(out)) => {
                let there = values.iter().copied().filter(|value| !value.is_nan());
                let levels = levels(values.iter().map(|value| !value.is_nan()));
                out.write_batch(&there.collect::<Vec<_>>(), Some(&levels), None)?;
            }
            (Column::Codes(values), ColumnWriter::Int32ColumnWriter(out)) => {
                let there = values.iter().filter(|code| **code != MISSING_CODE);
                let levels = levels(values.iter().map(|code| *code != MISSING_CODE));
                let there: Vec<i32> = there.map(|code| i32::from(*code)).collect();
                out.write_batch(&there, Some(&levels), None)?;
            }
            (Column::States(values), ColumnWriter::BoolColumnWriter(out)) => {
                let levels = levels(values.iter().map(Option::is_some));
                let there: Vec<bool> = values.iter().copied().flatten().collect();
                out.write_batch(&there, Some(&levels), None)?;
            }
            _ => return Err(ParquetError::General("a column of another type than the schema".to_owned())),
        }
        out.close()?;
    }
    group.close()?;
    Ok(())
}

/// Definition levels: 1 where a value is there.
fn levels(there: impl Iterator<Item = bool>) -> Vec<i16> {
    there.map(i16::from).collect()
}
