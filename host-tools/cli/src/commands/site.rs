//! `airvalve site`: site files, checked, explained, begun.

use std::{io::Write, path::PathBuf};

use airvalve_recording::WholeFile;
use airvalve_site::{Site, explain, template};
use clap::{Args, Subcommand};

use crate::{
    Outcome,
    failure::Failure,
    show::{self, Paper},
};

/// Checks, explains and begins site files
#[derive(Args)]
#[command(after_help = "Examples:
  airvalve site template -o valve-a.toml
  airvalve site check valve-a.toml
  airvalve site explain valve-a.toml")]
pub(crate) struct SiteCommand {
    #[command(subcommand)]
    action: Action,
}

#[derive(Subcommand)]
enum Action {
    /// Checks a site file; all that is wrong is said at once
    #[command(after_help = "Example:\n  airvalve site check valve-a.toml")]
    Check {
        /// Site file; `-` is standard input
        #[arg(value_name = "FILE")]
        file: PathBuf,
    },
    /// Shows every value with unit and origin, and what follows from it
    #[command(after_help = "Example:\n  airvalve site explain valve-a.toml")]
    Explain {
        /// Site file; `-` is standard input
        #[arg(value_name = "FILE")]
        file: PathBuf,
    },
    /// Prints a commented site file to start from
    #[command(after_help = "Example:\n  airvalve site template -o valve-a.toml")]
    Template {
        /// File to make; standard output without it
        #[arg(short, long, value_name = "FILE", default_value = "-")]
        output: PathBuf,
    },
}

impl SiteCommand {
    pub(crate) fn run(self) -> Result<Outcome, Failure> {
        let mut out = std::io::stdout().lock();
        match self.action {
            Action::Check { file } => {
                let site = Site::read(&file)?;
                for doubt in &site.doubts {
                    show::warn(&format!("{}:{}: {}", file.display(), doubt.line, doubt.fault));
                }
                writeln!(out, "{}: good (valve `{}`, {})", file.display(), site.valve_id, show::plain(&site.name))?;
            }
            Action::Explain { file } => {
                let paper = Paper::of_stdout();
                let text = explain(&Site::read(&file)?, paper.width);
                text.lines().try_for_each(|line| writeln!(out, "{}", show::plain(line)))?;
            }
            Action::Template { output } => {
                drop(out);
                let mut out = WholeFile::create(output)?;
                out.write_all(template().as_bytes()).map_err(|error| out.error("written", error))?;
                out.finish()?;
            }
        }
        Ok(Outcome::Done)
    }
}
