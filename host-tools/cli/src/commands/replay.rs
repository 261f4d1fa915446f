//! `airvalve replay`: alarms, findings and air of one valve or of a main.

use std::{
    io::Write,
    path::{Path, PathBuf},
};

use airvalve_analysis::{ReplayOptions, ServiceAt, replay};
use airvalve_site::{Main, MainValve, Site, read_settings};
use clap::Args;
use rayon::prelude::*;

use super::csv_arguments::CsvArguments;
use crate::{
    Outcome,
    failure::Failure,
    progress::Progress,
    show::{self, Paper},
    standard_input::refuse_second,
};

/// Says what a valve did: alarms, findings, released air
#[derive(Args)]
#[command(after_help = "Examples:
  airvalve replay night.airvalve --site valve-a.toml
  airvalve replay monday.airvalve tuesday.csv --site valve-a.toml --json
  airvalve replay night.airvalve --site valve-a.toml --fail-on-alarm
  airvalve replay --main tarnholt.toml
  airvalve replay week.csv --site valve-a.toml --service 2031-03-01T12:00:00Z=cleaned

Files are of one valve and are joined in order of time. The replay begins with what the device had
learned when the recording began; --cold begins from the data sheet. After work on the valve, told
by the recording or with --service, a new baseline begins for what that has changed. Alarms are a
result, no error.")]
pub(crate) struct Replay {
    /// Recordings or CSV files of one valve; `-` is standard input
    #[arg(value_name = "FILE", required_unless_present = "main", conflicts_with = "main", requires = "site")]
    files: Vec<PathBuf>,
    /// Site file of the valve; `-` is standard input
    #[arg(long, value_name = "SITE.toml", conflicts_with = "main")]
    site: Option<PathBuf>,
    /// Main file: several valves, each with its site file and files; `-` is standard input
    #[arg(long, value_name = "MAIN.toml")]
    main: Option<PathBuf>,
    /// Settings file: thresholds that differ from the defaults; `-` is standard input
    #[arg(long, value_name = "S.toml")]
    settings: Option<PathBuf>,
    /// Begins from the data sheet, whatever a recording carries
    #[arg(long)]
    cold: bool,
    /// Prints one JSON object
    #[arg(long)]
    json: bool,
    /// Exit status 3 when a valve alarm was raised, be it one to trust or not (JSON: quality.alarms_trusted)
    #[arg(long)]
    fail_on_alarm: bool,
    /// Work on the valve that no recording tells of, as 2031-03-01T12:00:00Z=cleaned; may be given
    /// several times. WHAT is cleaned, float-replaced, valve-replaced or sensor-replaced:COLUMN
    #[arg(long = "service", value_name = "WHEN=WHAT", conflicts_with = "main")]
    services: Vec<ServiceAt>,
    #[command(flatten)]
    csv: CsvArguments,
}

impl Replay {
    pub(crate) fn run(self) -> Result<Outcome, Failure> {
        self.refuse_second_input()?;
        let settings = self.settings.as_ref().map(read_settings).transpose()?.unwrap_or_default();
        let options = ReplayOptions {
            settings: settings.detector,
            limits: settings.findings,
            is_cold: self.cold,
            csv: self.csv.options()?,
            services: self.services.clone(),
        };
        let (results, main) = self.results(&options)?;
        let has_alarm = results.iter().flat_map(|result| &result.alarms).any(|alarm| alarm.is_of_valve());
        let outcome = if self.fail_on_alarm && has_alarm { Outcome::Alarm } else { Outcome::Done };
        // A reader that has enough changes nothing of what was found.
        match self.print(&results, main.as_deref()) {
            Ok(()) | Err(Failure::BrokenPipe) => Ok(outcome),
            Err(failure) => Err(failure),
        }
    }

    fn refuse_second_input(&self) -> Result<(), Failure> {
        let files = self.files.iter().map(|file| ("FILE", file));
        let options = [("--site", &self.site), ("--main", &self.main), ("--settings", &self.settings)];
        let options = options.into_iter().filter_map(|(name, file)| Some((name, file.as_ref()?)));
        refuse_second(files.chain(options).map(|(name, file)| (name, file.as_path())))
    }

    /// The result of every valve, and the name of the main where there is one.
    fn results(&self, options: &ReplayOptions) -> Result<(Vec<airvalve_analysis::Replay>, Option<String>), Failure> {
        match (&self.main, &self.site) {
            (Some(main), _) => {
                let main = Main::read(main)?;
                Ok((all_valves(&main, options)?, Some(main.name)))
            }
            (None, Some(site)) => {
                let site = Site::read(site)?;
                let progress = Progress::of_samples();
                let result = replay(&self.files, &site, options, &|samples| progress.set(samples))?;
                Ok((vec![result], None))
            }
            // Clap asks for one of them.
            (None, None) => Err(Failure::arguments("no site file; give --site SITE.toml".into())),
        }
    }

    fn print(&self, results: &[airvalve_analysis::Replay], main: Option<&str>) -> Result<(), Failure> {
        let mut out = std::io::stdout().lock();
        if !self.json {
            write!(out, "{}", show::replay_text(results, &Paper::of_stdout()))?;
            return Ok(out.flush()?);
        }
        results.iter().flat_map(|result| &result.warnings).for_each(show::warn);
        match (main, results) {
            (None, [result]) => serde_json::to_writer_pretty(&mut out, result)?,
            (main, results) => {
                serde_json::to_writer_pretty(&mut out, &serde_json::json!({ "main": main, "valves": results }))?;
            }
        }
        writeln!(out)?;
        Ok(out.flush()?)
    }
}

/// Every valve of a main, side by side.
fn all_valves(main: &Main, options: &ReplayOptions) -> Result<Vec<airvalve_analysis::Replay>, Failure> {
    let of_valve_files = |valve: &'_ MainValve| valve.files.clone().into_iter().chain([valve.site.clone()]);
    let files: Vec<PathBuf> = main.valves.iter().flat_map(of_valve_files).collect();
    refuse_second(files.iter().map(|file| ("a file of the main", file.as_path())))?;
    let progress = Progress::of_samples();
    main.valves
        .par_iter()
        .map(|valve| {
            let site = Site::read(&valve.site)?;
            replay(&valve.files, &site, options, &progress.part()).map_err(|error| of_valve(error.into(), &valve.site))
        })
        .collect()
}

fn of_valve(failure: Failure, site: &Path) -> Failure {
    failure.context(format!("valve of {}", site.display()))
}
