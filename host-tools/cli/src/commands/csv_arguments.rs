//! How to read a CSV file that is not in our own form.

use airvalve_recording::csv::{ColumnMap, CsvOptions, time_zone};
use clap::Args;

use crate::failure::Failure;

#[derive(Args)]
pub(crate) struct CsvArguments {
    /// Names that a CSV file has for our columns, as time=Zeit,float_pct=Lage
    #[arg(long, value_name = "OURS=THEIRS,…")]
    columns: Option<String>,
    /// Zone of local times without offset in a CSV file, as CET
    #[arg(long, value_name = "ZONE")]
    time_zone: Option<String>,
    /// The CSV file separates columns by semicolons and writes decimals with a comma
    #[arg(long)]
    decimal_comma: bool,
}

impl CsvArguments {
    pub(crate) fn options(&self) -> Result<CsvOptions, Failure> {
        Ok(CsvOptions {
            columns: self.columns.as_deref().map(ColumnMap::parse).transpose()?.unwrap_or_default(),
            time_zone: self.time_zone.as_deref().map(time_zone).transpose()?,
            decimal_comma: self.decimal_comma,
        })
    }
}
