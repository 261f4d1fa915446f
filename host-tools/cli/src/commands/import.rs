//! `airvalve import`: a CSV file becomes a recording.

use std::path::PathBuf;

use airvalve_site::Site;
use clap::Args;

use super::{csv_arguments::CsvArguments, outputs::refuse_overwriting};
use crate::{Outcome, failure::Failure, progress::Progress, show, standard_input::refuse_second};

/// Makes a recording of a CSV file
#[derive(Args)]
#[command(after_help = "Examples:
  airvalve import night.csv --site valve-a.toml -o night.airvalve
  airvalve import logger.csv --site valve-a.toml -o night.airvalve \\
      --columns time=Zeit,float_pct=Lage,pressure_kpa=Druck,odour_ppm=H2S --time-zone CET

What could not be used is counted on standard error, with the first line of each kind.")]
pub(crate) struct Import {
    /// CSV file; `-` is standard input
    #[arg(value_name = "FILE.csv")]
    file: PathBuf,
    /// Site file: spans of the sensors, id of the valve; `-` is standard input
    #[arg(long, value_name = "SITE.toml")]
    site: PathBuf,
    /// Recording to make; `-` is standard output
    #[arg(short, long, value_name = "OUT")]
    output: PathBuf,
    #[command(flatten)]
    csv: CsvArguments,
}

impl Import {
    pub(crate) fn run(self) -> Result<Outcome, Failure> {
        refuse_second([("FILE.csv", self.file.as_path()), ("--site", &self.site)])?;
        let options = self.csv.options()?;
        refuse_overwriting(&[&self.file, &self.site], &[&self.output])?;
        let site = Site::read(&self.site)?;
        let progress = Progress::of_samples();
        let note = |samples| progress.set_now(samples);
        let imported = airvalve_recording::import_with(&self.file, &site, &options, &self.output, &note)?;
        drop(progress);
        for widened in &imported.widened {
            show::warn(widened);
        }
        let rows = imported.report.rows;
        let [read, used, rejected] = [rows.read, rows.used, rows.rejected()].map(airvalve_recording::thousands);
        eprintln!("airvalve: {read} rows read, {used} used, {rejected} rejected");
        for warning in airvalve_analysis::csv_warnings(&self.file, &imported.report) {
            show::warn(&warning);
        }
        Ok(Outcome::Done)
    }
}
