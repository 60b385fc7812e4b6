//! Turns arguments into options, calls `run`, prints, and picks the exit code. Nothing else in
//! the crate prints. A file uses only files above it in the list below.

mod output;
mod judging;
mod owner;
mod room;
mod pair;
mod plan;
mod look;
mod fit;
mod formats;
mod apply;
mod check;
mod convert;
mod stock;
mod rank;
mod compare;
mod completions;
mod args;

use crate::error::Result;
use args::{Arguments, Command};
use clap::{CommandFactory, Parser};
use output::{Answer, complain};
use std::io::Write;
use std::process::ExitCode;

/// Exit code when the input or the call is wrong; nothing was written.
const WRONG_INPUT: u8 = 2;

/// Exit code when all was done and the answer is no.
const NO: u8 = 1;

/// Runs the command line of the process.
pub fn main() -> ExitCode {
    let arguments = Arguments::parse();
    match carry_out(arguments.command) {
        Ok((text, answer)) => print(&text, answer),
        Err(error) => {
            complain(&error.to_string());
            ExitCode::from(WRONG_INPUT)
        }
    }
}

/// Writes the result; a reader that has gone away (a closed pipe) is no fault of ours.
fn print(text: &str, answer: Answer) -> ExitCode {
    let mut out = std::io::stdout().lock();
    match out.write_all(text.as_bytes()).and_then(|()| out.flush()) {
        Err(error) if error.kind() != std::io::ErrorKind::BrokenPipe => {
            complain(&format!("cannot write the result: {error}"));
            ExitCode::from(WRONG_INPUT)
        }
        _ if answer == Answer::No => ExitCode::from(NO),
        _ => ExitCode::SUCCESS,
    }
}

/// Carries out a command and returns what belongs on standard output, and the answer.
fn carry_out(command: Command) -> Result<(String, Answer)> {
    let text: Result<String> = match command {
        Command::Check(arguments) => return check::carry_out(&arguments),
        Command::Convert(arguments) => return convert::carry_out(&arguments),
        Command::Plan(arguments) => plan::plan(arguments),
        Command::Audit(arguments) => plan::audit(&arguments),
        Command::Curves(arguments) => plan::curves(&arguments),
        Command::Look(arguments) => look::run(&arguments),
        Command::Fit(arguments) => fit::run(arguments),
        Command::Apply(arguments) => apply::carry_out(arguments),
        Command::Demo(arguments) => stock::demo(&arguments),
        Command::List(arguments) => stock::list(&arguments),
        Command::Rank(arguments) => rank::run(&arguments),
        Command::Compare(arguments) => compare::run(&arguments),
        Command::Completions(arguments) => {
            completions::completions(&arguments, &mut Arguments::command())
        }
        Command::Manual(arguments) => completions::manual(&arguments, Arguments::command()),
    };
    Ok((text?, Answer::Yes))
}
