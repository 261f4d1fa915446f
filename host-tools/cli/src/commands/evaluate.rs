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
    Case, CaseId, EvaluateError, Journal, Model, Outcome as CaseOutcome, Set, Size, Subject, build_digest, evaluate,
    evaluate_labels, plan, play, score, settings_digest, subject_names,
};
use clap::{Args, ValueEnum};
use serde_json::json;

use super::{csv_arguments::CsvArguments, model_argument::ModelsArgument, outputs::refuse_overwriting};
use crate::{
    Outcome,
    failure::Failure,
    progress::Progress,
    show::{self, Evaluated, Paper, Table},
    standard_input::refuse_second,
};

/// Says what the detector finds, misses and calls wrongly, by fault
#[derive(Args)]
#[command(after_help = "Examples:
  airvalve evaluate
  airvalve evaluate --only jammed-low --cases 20
  airvalve evaluate --size long --resume judging.jsonl --table EVALUATION.md
  airvalve evaluate --development --model second --only heavy
  airvalve evaluate --case judging-first-jammed-low-0007
  airvalve evaluate --write judging-first-jammed-low-0007 cases
  airvalve evaluate --main tarnholt.toml --labels labels.toml

Without files, valves, faults and what only looks like one are drawn at random and played in memory;
each case has a name by which it is drawn again. The judging set took no part in making the
detector; --development plays the other one. Both are played on two models of valve, main and
sensors, and the goals hold on each alone. With files, alarms are held against what a person has
found: a file without a label counts neither as healthy nor as faulty.")]
pub(crate) struct Evaluate {
    /// Main file: valves with their site files and recordings; `-` is standard input
    #[arg(long, value_name = "MAIN.toml", requires = "labels")]
    main: Option<PathBuf>,
    /// Labels file: what was wrong in these recordings, and when; `-` is standard input
    #[arg(long, value_name = "LABELS.toml", requires = "main")]
    labels: Option<PathBuf>,
    /// Settings file: thresholds that differ from the defaults; `-` is standard input
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
    /// Which model is played; `both` unless for development, and then the first
    #[arg(long, value_enum, conflicts_with = "main")]
    model: Option<ModelsArgument>,
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
    /// Writes the figures as a table with date, seeds, build and settings
    #[arg(long, value_name = "FILE.md", conflicts_with_all = ["main", "case", "write"])]
    table: Option<PathBuf>,
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
    /// 300 cases of each fault and 15 valve-years, on each model
    Long,
}

impl Evaluate {
    pub(crate) fn run(self) -> Result<Outcome, Failure> {
        let files = [("--main", &self.main), ("--labels", &self.labels), ("--settings", &self.settings)];
        refuse_second(files.into_iter().filter_map(|(name, file)| Some((name, file.as_deref()?))))?;
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
        let only = arguments.only.as_deref().map(subject).transpose()?;
        let (set, size) = (arguments.set(), arguments.size().only(only));
        let outputs: Vec<&Path> =
            [&arguments.resume, &arguments.table].into_iter().flatten().map(PathBuf::as_path).collect();
        refuse_overwriting(&self.settings.iter().map(PathBuf::as_path).collect::<Vec<_>>(), &outputs)?;
        // What cannot be made there is known before anything is played.
        let table = arguments.table.as_ref().map(WholeFile::create).transpose()?;
        let models = arguments.models();
        let cases: Vec<CaseId> = models.iter().flat_map(|model| plan(set, *model, size, only)).collect();
        let outcomes = self.play_all(&cases, settings)?;
        let evaluated: Vec<Evaluated> = models.iter().map(|model| evaluated(&outcomes, set, *model)).collect();
        if let Some(mut out) = table {
            let about = self.table_of(set, size, settings);
            out.write_all(about.text(&evaluated).as_bytes()).map_err(|error| out.error("written", error))?;
            out.finish()?;
        }
        let models: Vec<serde_json::Value> = evaluated
            .iter()
            .map(|it| {
                let seeds = json!({ "from": it.seeds.start, "below": it.seeds.end });
                json!({ "model": it.model.name(), "seeds": seeds, "score": it.score })
            })
            .collect();
        let about = json!({
            "set": set.name(), "cases": size.cases, "fault_free_runs": size.fault_free_runs,
            "models": models, "settings_digest": digest_text(settings),
        });
        self.report(&about, || show::models_text(set, &evaluated, &Paper::of_stdout()))
    }

    /// Plays what the journal does not have yet.
    fn play_all(&self, cases: &[CaseId], settings: &Settings) -> Result<Vec<CaseOutcome>, Failure> {
        let digest = settings_digest(settings);
        let journal = self.simulated.resume.as_ref().map(|file| Journal::open(file, digest)).transpose()?;
        let progress = Mutex::new(Progress::towards(cases.len() as u64));
        let done = |done: usize| {
            let progress = progress.lock().unwrap_or_else(std::sync::PoisonError::into_inner);
            progress.set_now(done as u64);
        };
        Ok(evaluate(cases, settings, journal.as_ref(), &done)?)
    }

    fn table_of(&self, set: Set, size: Size, settings: &Settings) -> Table {
        Table {
            date: jiff::Timestamp::now().strftime("%Y-%m-%d").to_string(),
            set,
            size,
            build: format!("{} {}", env!("CARGO_PKG_VERSION"), build_digest()),
            settings: self.settings.as_ref().map_or("defaults".to_owned(), |file| file.display().to_string()),
            settings_digest: digest_text(settings),
        }
    }

    fn report(&self, json: &serde_json::Value, text: impl Fn() -> String) -> Result<(), Failure> {
        if self.json { print_json(json) } else { print(&text()) }
    }
}

impl SimulatedArguments {
    fn set(&self) -> Set {
        if self.development { Set::Development } else { Set::Judging }
    }

    fn models(&self) -> Vec<Model> {
        let usual = if self.development { ModelsArgument::First } else { ModelsArgument::Both };
        self.model.unwrap_or(usual).models()
    }

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

/// The figures of one model: the goals hold on each alone.
fn evaluated(outcomes: &[CaseOutcome], set: Set, model: Model) -> Evaluated {
    let is_of_model = |outcome: &&CaseOutcome| CaseId::from_name(&outcome.case).is_some_and(|id| id.model == model);
    let outcomes: Vec<CaseOutcome> = outcomes.iter().filter(is_of_model).cloned().collect();
    Evaluated { model, seeds: set.seeds(model), score: score(&outcomes) }
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
        Failure::arguments(format!("no case `{name}` (a name is like judging-first-jammed-low-0007); correct it"))
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
    let (scenario, model) = (folder.join(case.scenario_file()), case.id.model.name());
    print(&format!("play it with: airvalve simulate {} -o OUT --model {model}\n", scenario.display()))
}
