//! `airvalve inspect`: what is in a file.

use std::{io::Write, path::PathBuf};

use clap::Args;

use super::csv_arguments::CsvArguments;
use crate::{Outcome, failure::Failure, progress::Progress};

/// Says what is in a file: header, counts, losses, bytes a sample
#[derive(Args)]
#[command(after_help = "Examples:
  airvalve inspect night.airvalve
  airvalve inspect night.csv --json")]
pub(crate) struct Inspect {
    /// Recording or CSV file; `-` is standard input
    #[arg(value_name = "FILE")]
    file: PathBuf,
    /// Prints one JSON object
    #[arg(long)]
    json: bool,
    #[command(flatten)]
    csv: CsvArguments,
}

impl Inspect {
    pub(crate) fn run(self) -> Result<Outcome, Failure> {
        let progress = Progress::of_samples();
        let note = |samples| progress.set_now(samples);
        let summary = airvalve_recording::inspect_with(&self.file, &self.csv.options()?, &note)?;
        drop(progress);
        let mut out = std::io::stdout().lock();
        if self.json {
            serde_json::to_writer_pretty(&mut out, &summary)?;
            writeln!(out)?;
        } else {
            write!(out, "{summary}")?;
        }
        Ok(Outcome::Done)
    }
}
