//! One file a command: its arguments, its help, what it calls.

mod completions;
mod csv_arguments;
mod evaluate;
mod export;
mod import;
mod inspect;
mod man;
mod model_argument;
mod outputs;
mod replay;
mod settings;
mod simulate;
mod site;

use clap::{Parser, Subcommand};

use crate::{Outcome, failure::Failure};

/// Watches the air valves of sewage and water rising mains.
#[derive(Parser)]
#[command(
    name = "airvalve",
    version,
    max_term_width = 100,
    after_help = "Examples:
  airvalve simulate night.scenario.toml -o night.airvalve --truth night.truth.json
  airvalve replay night.airvalve --site valve-a.toml
  airvalve replay night.csv --site valve-a.toml --json

Exit status: 0 done, 2 the arguments or an input are wrong, 1 anything else,
3 with --fail-on-alarm when a valve alarm was raised."
)]
pub(crate) struct Cli {
    #[command(subcommand)]
    pub(crate) command: Command,
}

/// The commands.
#[derive(Subcommand)]
pub(crate) enum Command {
    Simulate(simulate::Simulate),
    Import(import::Import),
    Export(export::Export),
    Inspect(inspect::Inspect),
    Replay(Box<replay::Replay>),
    Evaluate(Box<evaluate::Evaluate>),
    Site(site::SiteCommand),
    Settings(settings::SettingsCommand),
    Completions(completions::Completions),
    Man(man::Man),
}

impl Command {
    pub(crate) fn run(self) -> Result<Outcome, Failure> {
        match self {
            Command::Simulate(command) => command.run(),
            Command::Import(command) => command.run(),
            Command::Export(command) => command.run(),
            Command::Inspect(command) => command.run(),
            Command::Replay(command) => command.run(),
            Command::Evaluate(command) => command.run(),
            Command::Site(command) => command.run(),
            Command::Settings(command) => command.run(),
            Command::Completions(command) => command.run(),
            Command::Man(command) => command.run(),
        }
    }
}
