//! `airvalve settings`: every threshold in words.

use std::{io::Write, path::PathBuf};

use airvalve_monitor::settings::SettingRow;
use airvalve_site::{SettingsFile, read_settings};
use clap::{Args, Subcommand};

use crate::{
    Outcome,
    failure::Failure,
    show::{Paper, wrapped},
};

/// Explains the thresholds of the detector and of the findings
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
  stuck_on_delay_s = 60
  [findings]
  vacuum_kpa = 8")]
    Explain {
        /// Settings file whose values are shown (`-` is standard input); the defaults without it
        #[arg(value_name = "FILE")]
        file: Option<PathBuf>,
    },
}

impl SettingsCommand {
    pub(crate) fn run(self) -> Result<Outcome, Failure> {
        let Action::Explain { file } = self.action;
        let settings = file.map(read_settings).transpose()?.unwrap_or_default();
        let mut out = std::io::stdout().lock();
        write!(out, "{}", explanation(&settings, Paper::of_stdout().width))?;
        Ok(Outcome::Done)
    }
}

/// Every threshold as a line of a settings file: the whole is one.
fn explanation(settings: &SettingsFile, width: usize) -> String {
    let tables = SettingsFile::TABLES.map(|(table, rows)| {
        let rows: String = rows.iter().map(|row| explain_row(row, settings.get(table, row.name), width)).collect();
        format!("[{table}]\n{rows}")
    });
    tables.join("\n")
}

fn explain_row(row: &SettingRow, value: Option<f32>, width: usize) -> String {
    let value = value.unwrap_or(row.default);
    let changed = if value == row.default { "default".to_owned() } else { format!("default {}", row.default) };
    let assignment = format!("{} = {value}", row.name);
    let range = format!("{}, {} to {}, {changed}", row.unit, row.least, row.most);
    let comments = |text: &str| -> String {
        wrapped(text, width.saturating_sub(6)).into_iter().map(|line| format!("    # {line}\n")).collect()
    };
    let head = format!("{assignment}  # {range}");
    let head = if head.chars().count() <= width { head + "\n" } else { format!("{assignment}\n{}", comments(&range)) };
    head + &comments(row.meaning)
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;

    #[test]
    fn the_explanation_is_a_settings_file_with_every_threshold() {
        let mut settings = SettingsFile::default();
        settings.findings.odour_ppm = 20.0;
        let text = explanation(&settings, 40);
        assert!(text.lines().all(|line| line.chars().count() <= 42), "{text}");
        assert_eq!(airvalve_site::parse_settings(&text, "explained.toml".as_ref()).unwrap(), settings);
        let names = SettingsFile::TABLES.iter().flat_map(|(_, rows)| rows.iter()).map(|row| row.name);
        assert!(names.clone().count() > 40);
        names.for_each(|name| assert!(text.contains(&format!("\n{name} = ")), "{name}"));
    }
}
