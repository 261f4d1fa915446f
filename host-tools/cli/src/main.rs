//! The program `airvalve`: parse, call, print, exit code.

mod commands;
mod failure;
mod progress;
mod show;

use std::process::ExitCode;

use clap::Parser;

use commands::Cli;
use failure::Failure;

/// How a command ended that did what it was asked.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Outcome {
    /// Exit status 0.
    Done,
    /// Exit status 3: a valve alarm was raised, and the caller wanted to know.
    Alarm,
}

fn main() -> ExitCode {
    // Clap itself leaves with 2 for wrong arguments and 0 for help.
    let cli = Cli::parse();
    match cli.command.run() {
        Ok(Outcome::Done) | Err(Failure::BrokenPipe) => ExitCode::SUCCESS,
        Ok(Outcome::Alarm) => ExitCode::from(3),
        Err(Failure::Input(error)) => complain(&error, 2),
        Err(Failure::Other(error)) => complain(&error, 1),
    }
}

fn complain(error: &anyhow::Error, status: u8) -> ExitCode {
    // Our messages hold their cause already; what is added by a context stands before it.
    // A message may quote a file; its own lines stay lines.
    let message = format!("{error:#}");
    let lines: Vec<String> = message.split('\n').map(show::plain).collect();
    eprintln!("airvalve: {}", lines.join("\n"));
    ExitCode::from(status)
}
