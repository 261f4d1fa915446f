//! `airvalve export`: a recording becomes a CSV or Parquet file.

use std::path::PathBuf;

use clap::{Args, ValueEnum};

use super::outputs::refuse_overwriting;
use crate::{Outcome, failure::Failure, progress::Progress, show};

/// Writes a recording as CSV or Parquet
#[derive(Args)]
#[command(after_help = "Examples:
  airvalve export night.airvalve -o night.csv
  airvalve export night.airvalve -o night.parquet
  airvalve export night.airvalve -o - | head")]
pub(crate) struct Export {
    /// Recording; `-` is standard input
    #[arg(value_name = "RECORDING")]
    recording: PathBuf,
    /// File to make, `.csv` or `.parquet`; `-` is standard output
    #[arg(short, long, value_name = "FILE")]
    output: PathBuf,
    /// Form of the file, where its name does not tell
    #[arg(long, value_enum)]
    format: Option<Format>,
}

#[derive(Clone, Copy, ValueEnum)]
enum Format {
    Csv,
    Parquet,
}

impl Export {
    pub(crate) fn run(self) -> Result<Outcome, Failure> {
        let format = self.format()?;
        refuse_overwriting(&[&self.recording], &[&self.output])?;
        let progress = Progress::of_samples();
        let note = |samples| progress.set_now(samples);
        let exported = match format {
            Format::Csv => airvalve_recording::export_csv_with(&self.recording, &self.output, &note)?,
            Format::Parquet => airvalve_columnar::write_parquet_with(&self.recording, &self.output, &note)?,
        };
        drop(progress);
        exported.losses.sentences(&self.recording).iter().for_each(show::warn);
        Ok(Outcome::Done)
    }

    fn format(&self) -> Result<Format, Failure> {
        if let Some(format) = self.format {
            return Ok(format);
        }
        let extension = self.output.extension().map(|extension| extension.to_string_lossy().to_lowercase());
        match extension.as_deref() {
            Some("csv") => Ok(Format::Csv),
            Some("parquet") => Ok(Format::Parquet),
            _ if self.output.as_os_str() == "-" => Ok(Format::Csv),
            _ => Err(Failure::arguments(format!(
                "{}: no known form (allowed: .csv, .parquet); rename it or give --format",
                self.output.display()
            ))),
        }
    }
}
