//! `airvalve completions`: completion scripts for shells.

use std::io::Write;

use clap::{Args, CommandFactory};
use clap_complete::Shell;

use super::Cli;
use crate::{Outcome, failure::Failure};

/// Prints the completion script of a shell
#[derive(Args)]
#[command(after_help = "Example:\n  airvalve completions bash > ~/.local/share/bash-completion/completions/airvalve")]
pub(crate) struct Completions {
    /// Shell
    shell: Shell,
}

impl Completions {
    pub(crate) fn run(self) -> Result<Outcome, Failure> {
        let mut script = Vec::new();
        clap_complete::generate(self.shell, &mut Cli::command(), "airvalve", &mut script);
        std::io::stdout().lock().write_all(&script)?;
        Ok(Outcome::Done)
    }
}
