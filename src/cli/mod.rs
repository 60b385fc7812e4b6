//! Turns arguments into options, calls `run`, prints, and picks the exit code. Nothing else in
//! the crate prints.

mod args;

use crate::error::Result;
use crate::run::{self, PlanOptions, Speaker};
use crate::{audit, export, fit, read, report};
use args::{Arguments, Command, Judging};
use clap::Parser;
use std::io::Write;
use std::process::ExitCode;

/// Exit code when the input or the call is wrong; nothing was written.
const WRONG_INPUT: u8 = 2;

/// Runs the command line of the process.
pub fn main() -> ExitCode {
    let arguments = Arguments::parse();
    match carry_out(arguments.command) {
        Ok(text) => print(&text),
        Err(error) => {
            // Nothing can be done when even the message cannot be written.
            let _ = writeln!(std::io::stderr(), "planish: {error}");
            ExitCode::from(WRONG_INPUT)
        }
    }
}

/// Writes the result; a reader that has gone away (a closed pipe) is no fault of ours.
fn print(text: &str) -> ExitCode {
    let mut out = std::io::stdout().lock();
    match out.write_all(text.as_bytes()).and_then(|()| out.flush()) {
        Err(error) if error.kind() != std::io::ErrorKind::BrokenPipe => {
            let _ = writeln!(
                std::io::stderr(),
                "planish: cannot write the result: {error}"
            );
            ExitCode::from(WRONG_INPUT)
        }
        _ => ExitCode::SUCCESS,
    }
}

/// Carries out a command and returns what belongs on standard output.
fn carry_out(command: Command) -> Result<String> {
    match command {
        Command::Plan(arguments) => {
            let speaker = Speaker::read(
                &arguments.judging.speaker,
                arguments.judging.rear_wall.into(),
            )?;
            note(&speaker);
            let plan = run::plan(&speaker, &plan_options(&arguments.judging))?;
            let out = arguments
                .out
                .unwrap_or_else(|| run::default_out(&arguments.judging.speaker));
            let written = run::write_plan(&plan, &speaker, &typed(&arguments.judging), &out)?;
            if arguments.json {
                Ok(export::json::plan(&plan))
            } else {
                Ok(report::text::plan(&plan, &written))
            }
        }
        Command::Audit(arguments) => {
            let speaker = Speaker::read(
                &arguments.judging.speaker,
                arguments.judging.rear_wall.into(),
            )?;
            note(&speaker);
            let plan = run::plan(&speaker, &plan_options(&arguments.judging))?;
            if arguments.json {
                Ok(export::json::plan(&plan))
            } else {
                Ok(report::text::audit(&plan))
            }
        }
        Command::Curves(arguments) => {
            let speaker = Speaker::read(&arguments.speaker, arguments.rear_wall.into())?;
            note(&speaker);
            if arguments.json {
                Ok(export::json::curves(&speaker.folder.name, &speaker.curves))
            } else {
                export::curves::table(&speaker.curves, None)
            }
        }
        Command::Fit(arguments) => {
            let options = fit::Options {
                stages: arguments.stages,
                forbid: arguments.without,
                boost_at_most_db: arguments.boost,
                boost_q_at_most: arguments.boost_q,
                cut_at_most_db: arguments.cut,
                cut_q_at_most: arguments.cut_q,
                ..fit::Options::default()
            };
            let (fitted, device) =
                run::fit_curve(&arguments.curve, arguments.device.as_deref(), &options)?;
            if arguments.json {
                Ok(export::json::fit(&fitted, &device.name, device.rate_hz))
            } else {
                Ok(report::text::fit(&fitted, &device))
            }
        }
        Command::Demo(arguments) => {
            let written = run::write_demo(&arguments.dir)?;
            if arguments.json {
                Ok(export::json::written(&written))
            } else {
                Ok(report::text::demo(&written))
            }
        }
        Command::List(arguments) => {
            let (targets, devices) = (read::target::all_targets()?, read::device::all_devices()?);
            if arguments.json {
                Ok(export::json::list(&targets, &devices))
            } else {
                Ok(report::text::list(&targets, &devices))
            }
        }
    }
}

fn plan_options(judging: &Judging) -> PlanOptions {
    PlanOptions {
        device: judging.device.clone(),
        target: judging.target.clone(),
        stages: judging.stages,
        without: judging.without.clone(),
        audit: audit::Options {
            from_hz: judging.from,
            to_hz: judging.to,
            boost_at_most_db: judging.boost,
        },
        rear_wall: judging.rear_wall.into(),
    }
}

/// The plan's options as they would be typed again, without the places of files, which differ
/// from machine to machine.
fn typed(judging: &Judging) -> String {
    let mut words = vec!["planish plan SPEAKER".to_string()];
    let mut option = |name: &str, value: Option<String>| {
        if let Some(value) = value {
            words.push(format!("--{name} {value}"));
        }
    };
    option("device", judging.device.clone());
    option("target", judging.target.clone());
    option("stages", judging.stages.map(|n| n.to_string()));
    for kind in &judging.without {
        option("without", Some(kind.to_string()));
    }
    option("from", judging.from.map(|f| f.to_string()));
    option("to", judging.to.map(|f| f.to_string()));
    option("boost", Some(judging.boost.to_string()));
    option("rear-wall", Some(judging.rear_wall.name().to_string()));
    words.join(" ")
}

/// Says on standard error what was understood of the measurement.
fn note(speaker: &Speaker) {
    let _ = write!(std::io::stderr(), "{}", speaker.folder.understood);
}
