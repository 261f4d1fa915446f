//! `airvalve evaluate`: what the detector finds, misses and calls wrongly.

use std::{
    io::{self, Write},
    path::{Path, PathBuf},
    sync::Mutex,
};

use airvalve_analysis::ReplayOptions;
use airvalve_monitor::Settings;
use airvalve_recording::WholeFile;
use airvalve_site::{Main, read_labels, read_settings};
use airvalve_trials::{
    Case, CaseId, EvaluateError, Journal, Set, Size, Subject, evaluate, evaluate_labels, plan, play, score,
    settings_digest, subject_names,
};
use clap::{Args, ValueEnum};
use serde_json::json;

use super::{csv_arguments::CsvArguments, outputs::refuse_overwriting};
use crate::{
    Outcome,
    failure::Failure,
    progress::Progress,
    show::{self, Paper},
};

/// Says what the detector finds, misses and calls wrongly, by fault
#[derive(Args)]
#[command(after_help = "Examples:
  airvalve evaluate
  airvalve evaluate --only jammed-low --cases 20
  airvalve evaluate --size long --resume judging.jsonl --json
  airvalve evaluate --case judging-jammed-low-0007
  airvalve evaluate --write judging-jammed-low-0007 cases
  airvalve evaluate --main tarnholt.toml --labels labels.toml

Without files, valves, faults and what only looks like one are drawn at random and played in memory;
each case has a name by which it is drawn again. The judging set took no part in making the
detector; --development plays the other one. With files, alarms are held against what a person has
found: a file without a label counts neither as healthy nor as faulty.")]
pub(crate) struct Evaluate {
    /// Main file: valves with their site files and recordings
    #[arg(long, value_name = "MAIN.toml", requires = "labels")]
    main: Option<PathBuf>,
    /// Labels file: what was wrong in these recordings, and when
    #[arg(long, value_name = "LABELS.toml", requires = "main")]
    labels: Option<PathBuf>,
    /// Settings file: thresholds that differ from the defaults
    #[arg(long, value_name = "S.toml")]
    settings: Option<PathBuf>,
    /// Prints one JSON object
    #[arg(long)]
    json: bool,
    #[command(flatten)]
    simulated: SimulatedArguments,
    #[command(flatten)]
    csv: CsvArguments,
}

#[derive(Args)]
struct SimulatedArguments {
    /// Plays the cases on which the detector was made, not those by which it is judged
    #[arg(long, conflicts_with = "main")]
    development: bool,
    /// Plays only this fault, or `fault-free`
    #[arg(long, value_name = "FAULT", conflicts_with = "main")]
    only: Option<String>,
    /// How much is played
    #[arg(long, value_enum, default_value = "shipped", conflicts_with = "main")]
    size: SizeArgument,
    /// Cases of each fault, instead of the size's
    #[arg(long, value_name = "N", value_parser = clap::value_parser!(u32).range(0..10_000), conflicts_with = "main")]
    cases: Option<u32>,
    /// Fault-free days, in runs of a week, instead of the size's
    #[arg(long, value_name = "DAYS", value_parser = clap::value_parser!(u32).range(0..70_000), conflicts_with = "main")]
    healthy_days: Option<u32>,
    /// Keeps every outcome in this file, and goes on from those that are there
    #[arg(long, value_name = "FILE", conflicts_with = "main")]
    resume: Option<PathBuf>,
    /// Plays one case: what happened, when it could be known, what was raised
    #[arg(long, value_name = "CASE", conflicts_with_all = ["main", "resume", "only", "cases", "healthy_days"])]
    case: Option<String>,
    /// Writes a case as site and scenario file, for `simulate` and `replay`
    #[arg(long, num_args = 2, value_names = ["CASE", "DIR"], conflicts_with_all = ["main", "resume", "only", "case"])]
    write: Option<Vec<String>>,
}

#[derive(Clone, Copy, ValueEnum)]
enum SizeArgument {
    /// Under ten minutes on two cores
    Shipped,
    /// 300 cases of each fault, 15 valve-years
    Long,
}

impl Evaluate {
    pub(crate) fn run(self) -> Result<Outcome, Failure> {
        let settings = self.settings.as_ref().map(read_settings).transpose()?.unwrap_or_default().detector;
        if let Some([case, folder]) = self.simulated.write.as_deref() {
            write_case(case, Path::new(folder))?;
        } else if let Some(case) = &self.simulated.case {
            self.one_case(case, &settings)?;
        } else if let (Some(main), Some(labels)) = (&self.main, &self.labels) {
            self.recorded(main, labels, settings)?;
        } else {
            self.many_cases(&settings)?;
        }
        Ok(Outcome::Done)
    }

    fn one_case(&self, name: &str, settings: &Settings) -> Result<(), Failure> {
        let played = play(&Case::draw(case_id(name)?), settings).map_err(EvaluateError::from)?;
        self.report(&serde_json::to_value(&played)?, || show::case_text(&played, &Paper::of_stdout()))
    }

    fn recorded(&self, main: &Path, labels_file: &Path, settings: Settings) -> Result<(), Failure> {
        let options = ReplayOptions { settings, csv: self.csv.options()?, ..ReplayOptions::default() };
        let main = Main::read(main)?;
        let labels = read_labels(labels_file)?;
        let score = evaluate_labels(&main, &labels, labels_file, &options)?;
        let about = json!({ "main": main.name, "labels": labels.len(), "score": score, "settings_digest": digest_text(&options.settings) });
        self.report(&about, || show::score_text(&main.name, show::Against::Labels, &score, &Paper::of_stdout()))
    }

    fn many_cases(&self, settings: &Settings) -> Result<(), Failure> {
        let arguments = &self.simulated;
        let set = if arguments.development { Set::Development } else { Set::Judging };
        let only = arguments.only.as_deref().map(subject).transpose()?;
        let size = arguments.size();
        let cases = plan(set, size, only);
        let digest = settings_digest(settings);
        if let (Some(journal), Some(settings)) = (&arguments.resume, &self.settings) {
            refuse_overwriting(&[settings], &[journal])?;
        }
        let journal = arguments.resume.as_ref().map(|file| Journal::open(file, digest)).transpose()?;
        let progress = Mutex::new(Progress::towards(cases.len() as u64));
        let outcomes = evaluate(&cases, settings, journal.as_ref(), &|done| {
            let progress = progress.lock().unwrap_or_else(std::sync::PoisonError::into_inner);
            progress.set_now(done as u64);
        })?;
        drop(progress);
        let (seeds, score) = (set.seeds(), score(&outcomes));
        let about = json!({
            "set": set.name(), "seeds": { "from": seeds.start, "below": seeds.end },
            "cases": size.cases, "fault_free_runs": size.fault_free_runs,
            "score": score, "settings_digest": digest_text(settings),
        });
        let title = format!("{} set, seeds {} to {}", set.name(), seeds.start, seeds.end - 1);
        self.report(&about, || show::score_text(&title, show::Against::Truth, &score, &Paper::of_stdout()))
    }

    fn report(&self, json: &serde_json::Value, text: impl Fn() -> String) -> Result<(), Failure> {
        if self.json { print_json(json) } else { print(&text()) }
    }
}

impl SimulatedArguments {
    fn size(&self) -> Size {
        let size = match self.size {
            SizeArgument::Shipped => Size::SHIPPED,
            SizeArgument::Long => Size::LONG,
        };
        Size {
            cases: self.cases.unwrap_or(size.cases),
            fault_free_runs: self.healthy_days.map_or(size.fault_free_runs, |days| days.div_ceil(7)),
        }
    }
}

fn digest_text(settings: &Settings) -> String {
    format!("{:08x}", settings_digest(settings))
}

fn print(text: &str) -> Result<(), Failure> {
    Ok(io::stdout().lock().write_all(text.as_bytes())?)
}

fn print_json(value: &serde_json::Value) -> Result<(), Failure> {
    let mut out = io::stdout().lock();
    serde_json::to_writer_pretty(&mut out, value)?;
    Ok(writeln!(out)?)
}

fn subject(name: &str) -> Result<Subject, Failure> {
    Subject::from_name(name).ok_or_else(|| {
        let known = subject_names().join(", ");
        Failure::arguments(format!("--only: no fault `{name}` (known: {known}); correct it"))
    })
}

fn case_id(name: &str) -> Result<CaseId, Failure> {
    CaseId::from_name(name).ok_or_else(|| {
        Failure::arguments(format!("no case `{name}` (a name is like judging-jammed-low-0007); correct it"))
    })
}

fn write_case(name: &str, folder: &Path) -> Result<(), Failure> {
    let case = Case::draw(case_id(name)?);
    std::fs::create_dir_all(folder)?;
    for (file, text) in [(case.site_file(), &case.site_toml), (case.scenario_file(), &case.scenario_toml)] {
        let path = folder.join(file);
        let mut out = WholeFile::create(&path)?;
        out.write_all(text.as_bytes()).map_err(|error| out.error("written", error))?;
        out.finish()?;
        print(&format!("{}\n", path.display()))?;
    }
    Ok(())
}
