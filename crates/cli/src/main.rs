//! The command line of Mixwright.
//!
//! Results go to standard output; progress, remarks and errors to standard error.
//! Exit codes: 0 done, 1 mistake in this program, 2 wrong command line, 3 wrong input, 4 a requirement is not met,
//! 5 no solution found, 130 interrupted.

mod arguments;
mod commands;
mod diagnostics;
mod output;
mod progress;

use arguments::Arguments;
use clap::{CommandFactory, Parser};
use project::{ErrorKind, ProjectError};
use std::process::ExitCode;

const EXIT_INTERNAL: u8 = 1;
const EXIT_INPUT: u8 = 3;
const EXIT_REQUIREMENT: u8 = 4;
const EXIT_NO_SOLUTION: u8 = 5;
const EXIT_INTERRUPTED: u8 = 130;

fn main() -> ExitCode {
    let arguments = Arguments::parse();
    progress::listen_for_interrupt();
    if let Some(n) = arguments.global.threads {
        // the pool has not run yet, so this cannot fail; with it failing, all cores are used and the result is the same
        project::set_threads(usize::from(n));
    }
    project::cache::use_folder(arguments.global.cache.clone().or_else(project::cache::folder_of_user).as_deref());
    let (text, code) = match commands::run(&arguments.command, &arguments.global) {
        Ok(outcome) if outcome.requirement_failed => (outcome.text, EXIT_REQUIREMENT),
        Ok(outcome) => (outcome.text, 0),
        Err(error) => {
            let code = exit_code(&error);
            output::remark(diagnostics::text(&error).trim_end());
            if !arguments.global.json {
                return ExitCode::from(code);
            }
            (format!("{:#}", diagnostics::value(&error, code)), code)
        }
    };
    match output::result(&text) {
        Ok(()) => ExitCode::from(code),
        Err(error) => {
            output::remark(&format!("cannot write the result: {error}"));
            ExitCode::from(EXIT_INPUT)
        }
    }
}

fn exit_code(error: &ProjectError) -> u8 {
    match error.kind() {
        ErrorKind::Input | ErrorKind::Data => EXIT_INPUT,
        ErrorKind::NotConverged => EXIT_NO_SOLUTION,
        ErrorKind::Cancelled => EXIT_INTERRUPTED,
        ErrorKind::Bug => EXIT_INTERNAL,
    }
}

/// The completion script of a shell.
fn completion(shell: clap_complete::Shell) -> String {
    let mut script = Vec::new();
    clap_complete::generate(shell, &mut Arguments::command(), "mixwright", &mut script);
    String::from_utf8_lossy(&script).into_owned()
}
