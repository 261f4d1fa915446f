//! `airvalve man`: manual pages.

use std::io::Write;

use clap::{Args, CommandFactory};
use clap_mangen::Man as Page;

use super::Cli;
use crate::{Outcome, failure::Failure};

/// Prints a manual page
#[derive(Args)]
#[command(after_help = "Examples:
  airvalve man | man -l -
  airvalve man replay > airvalve-replay.1")]
pub(crate) struct Man {
    /// Command whose page is wanted; the program's own without it
    #[arg(value_name = "COMMAND")]
    command: Option<String>,
}

impl Man {
    pub(crate) fn run(self) -> Result<Outcome, Failure> {
        let mut command = Cli::command();
        command.build();
        if let Some(name) = self.command {
            let Some(found) = command.find_subcommand(&name) else {
                let known: Vec<_> = command.get_subcommands().map(clap::Command::get_name).collect();
                let known = known.join(", ");
                return Err(Failure::arguments(format!("man: no command `{name}` (known: {known}); correct it")));
            };
            command = found.clone();
        }
        let mut page = Vec::new();
        Page::new(command).render(&mut page)?;
        std::io::stdout().lock().write_all(&page)?;
        Ok(Outcome::Done)
    }
}
