//! The program `airvalve`: parse, call, print, exit code.

mod commands;
mod failure;
mod progress;
mod show;
mod standard_input;

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
    clean_up_when_told_to_stop();
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

/// What was begun and is not whole goes when the program is told to stop.
fn clean_up_when_told_to_stop() {
    #[cfg(unix)]
    {
        use signal_hook::{
            consts::{SIGHUP, SIGINT, SIGTERM},
            iterator::Signals,
            low_level::emulate_default_handler,
        };
        // Where the system refuses, an unfinished file stays behind; its name says what it is.
        let Ok(mut signals) = Signals::new([SIGINT, SIGTERM, SIGHUP]) else { return };
        std::thread::spawn(move || {
            for signal in signals.forever() {
                airvalve_recording::whole_file::remove_partial_files();
                // Whoever waits for us must see that it was the signal that ended us.
                let _ = emulate_default_handler(signal);
            }
        });
    }
}
