//! `airvalve settings`: every threshold in words.

use std::{io::Write, path::PathBuf};

use airvalve_monitor::{
    Settings,
    settings::{DecisionSettings, EvidenceSettings, SettingRow},
};
use airvalve_site::read_settings;
use clap::{Args, Subcommand};

use crate::{Outcome, failure::Failure, show::wrapped};

/// Explains the detector's thresholds
#[derive(Args)]
#[command(after_help = "Examples:
  airvalve settings explain
  airvalve settings explain night-shift.toml")]
pub(crate) struct SettingsCommand {
    #[command(subcommand)]
    action: Action,
}

#[derive(Subcommand)]
enum Action {
    /// Shows every threshold: value, allowed range, meaning
    #[command(after_help = "Examples:
  airvalve settings explain
  airvalve settings explain night-shift.toml

A settings file names only what differs from the defaults:
  [decision]
  stuck_on_delay_s = 60")]
    Explain {
        /// Settings file whose values are shown; the defaults without it
        #[arg(value_name = "FILE")]
        file: Option<PathBuf>,
    },
}

impl SettingsCommand {
    pub(crate) fn run(self) -> Result<Outcome, Failure> {
        let Action::Explain { file } = self.action;
        let settings = file.map(read_settings).transpose()?.unwrap_or_default();
        let mut out = std::io::stdout().lock();
        write!(out, "{}", explanation(&settings))?;
        Ok(Outcome::Done)
    }
}

fn explanation(settings: &Settings) -> String {
    let evidence = EvidenceSettings::ROWS.iter().map(|row| (row, settings.evidence.get(row.name)));
    let decision = DecisionSettings::ROWS.iter().map(|row| (row, settings.decision.get(row.name)));
    let table = |name: &str, rows: Vec<String>| format!("[{name}]\n{}", rows.concat());
    table("evidence", evidence.map(explain_row).collect())
        + "\n"
        + &table("decision", decision.map(explain_row).collect())
}

fn explain_row((row, value): (&SettingRow, Option<f32>)) -> String {
    let value = value.unwrap_or(row.default);
    let changed = if value == row.default { "default".to_owned() } else { format!("default {}", row.default) };
    let head = format!("{} = {value}  # {}, {} to {}, {changed}\n", row.name, row.unit, row.least, row.most);
    let meaning = wrapped(row.meaning, 96).into_iter().map(|line| format!("    # {line}\n"));
    head + &meaning.collect::<String>()
}
