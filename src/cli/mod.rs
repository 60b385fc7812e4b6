//! Turns arguments into options, calls `run`, prints, and picks the exit code. Nothing else in
//! the crate prints.

mod apply;
mod args;
mod compare;
mod completions;
mod pair;
mod rank;
mod room;
mod look;
mod owner;
mod check;
mod convert;

use crate::average::RearWall;
use crate::error::Result;
use crate::predict::Plan;
use crate::run::{self, PlanOptions, Speaker};
use crate::{audit, export, fit, read, report};
use args::{Arguments, AuditArguments, Command, Judging};
use clap::Parser;
use report::picture::without_controls;
use report::text::Paint;
use std::io::{IsTerminal, Write};
use std::path::Path;
use std::process::ExitCode;

/// Exit code when the input or the call is wrong; nothing was written.
const WRONG_INPUT: u8 = 2;

/// Exit code when all was done and the answer is no.
const NO: u8 = 1;

/// What a command answers, for those that answer yes or no.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Answer {
    /// Yes, or nothing was asked.
    Yes,
    /// No.
    No,
}

impl Answer {
    fn of(yes: bool) -> Answer {
        if yes { Answer::Yes } else { Answer::No }
    }
}

/// Runs the command line of the process.
pub fn main() -> ExitCode {
    let arguments = Arguments::parse();
    match carry_out(arguments.command) {
        Ok((text, answer)) => print(&text, answer),
        Err(error) => {
            // Nothing can be done when even the message cannot be written. Names of files may hold
            // what would steer a terminal.
            let said = without_controls(&error.to_string());
            let _ = writeln!(std::io::stderr(), "planish: {said}");
            ExitCode::from(WRONG_INPUT)
        }
    }
}

/// Writes the result; a reader that has gone away (a closed pipe) is no fault of ours.
fn print(text: &str, answer: Answer) -> ExitCode {
    let mut out = std::io::stdout().lock();
    match out.write_all(text.as_bytes()).and_then(|()| out.flush()) {
        Err(error) if error.kind() != std::io::ErrorKind::BrokenPipe => {
            let _ = writeln!(
                std::io::stderr(),
                "planish: cannot write the result: {error}"
            );
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
        Command::Plan(arguments) => {
            let out = match arguments.out {
                Some(out) => out,
                None => run::default_out(&arguments.speaker)?,
            };
            let asked = Asked {
                judging: &arguments.judging,
                owner: &arguments.owner,
                room: &arguments.room,
                pair: &arguments.pair,
            };
            let (speaker, plan) = asked.planned(&arguments.speaker)?;
            let written = run::write_plan(
                &plan,
                &speaker,
                &asked.typed("plan SPEAKER"),
                arguments.pictures.map(Into::into),
                &out,
            )?;
            if arguments.json {
                Ok(export::json::plan(&plan))
            } else {
                Ok(report::text::plan(&plan, &written))
            }
        }
        Command::Audit(arguments) if arguments.aims => {
            let AuditArguments { judging, owner, .. } = &arguments;
            owner::aims(&arguments.speaker, judging, owner, arguments.json)
        }
        Command::Audit(arguments) => {
            let asked = Asked {
                judging: &arguments.judging,
                owner: &arguments.owner,
                room: &arguments.room,
                pair: &arguments.pair,
            };
            let (_, plan) = asked.planned(&arguments.speaker)?;
            if arguments.json {
                Ok(export::json::plan(&plan))
            } else {
                Ok(report::text::audit(&plan, paint()))
            }
        }
        Command::Curves(arguments) => {
            let rear_wall = arguments.rear_wall.into();
            let speaker = owner::read(&arguments.speaker, rear_wall, &arguments.aim)?;
            note_rear_wall(&speaker);
            if arguments.json {
                Ok(export::json::curves(&speaker.folder.name, &speaker.curves))
            } else {
                export::curves::table(&speaker.curves, None)
            }
        }
        Command::Look(arguments) => look::run(arguments),
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
        Command::Apply(arguments) => apply::carry_out(arguments),
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
        Command::Rank(arguments) => rank::run(&arguments),
        Command::Compare(arguments) => compare::run(&arguments),
        Command::Completions(arguments) => completions::completions(&arguments),
        Command::Manual(arguments) => completions::manual(&arguments),
    };
    Ok((text?, Answer::Yes))
}

/// What a plan or an audit was asked for.
struct Asked<'a> {
    judging: &'a Judging,
    owner: &'a owner::Owner,
    room: &'a room::RoomArguments,
    pair: &'a pair::PairArguments,
}

impl Asked<'_> {
    /// Reads a speaker, says what was understood of it, and plans.
    fn planned(&self, speaker: &Path) -> Result<(Speaker, Plan)> {
        let room = self.room.asked()?;
        let read =
            |folder: &Path| owner::read(folder, self.judging.rear_wall.into(), &self.owner.aim);
        let mut speaker = read(speaker)?;
        let mut options = PlanOptions {
            owner: self.owner.wishes(),
            ..plan_options(self.judging)
        };
        if let Some(asked) = room {
            options.room = Some(asked.room);
            speaker.folder.inputs.extend(asked.inputs);
            speaker.spared.extend(asked.places);
        }
        if let Some(read) = self.room.sub_seats()? {
            options.sub_seats = Some(read.levels);
            speaker.folder.inputs.extend(read.inputs);
            speaker.spared.extend(read.places);
        }
        let plan = self.pair.planned(&mut speaker, &options, read)?;
        Ok((speaker, plan))
    }

    /// The same as it would be typed again after `call`.
    fn typed(&self, call: &str) -> String {
        typed(call, self.judging) + &self.owner.typed() + &self.room.typed() + &self.pair.typed()
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
        ..PlanOptions::default()
    }
}

/// The options as they would be typed again after `call`, without the places of files, which differ
/// from machine to machine.
fn typed(call: &str, judging: &Judging) -> String {
    let mut words = vec![format!("planish {call}")];
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

/// Colour goes to a terminal that shows it, and only where the user has not declined it
/// (`NO_COLOR`, common practice of command-line tools).
fn paint() -> Paint {
    let declined = std::env::var_os("NO_COLOR").is_some_and(|value| !value.is_empty());
    let dumb = std::env::var_os("TERM").is_some_and(|value| value == "dumb");
    if std::io::stdout().is_terminal() && !declined && !dumb {
        Paint::Coloured
    } else {
        Paint::Plain
    }
}

/// Says on standard error how the rear wall entered the early reflections, where it did.
fn note_rear_wall(speaker: &Speaker) {
    let words = match (speaker.response(), speaker.curves.rear_wall) {
        (None, _) => "as in the file of averaged curves",
        (Some(_), RearWall::ThreePoints) => "180 and +-90 degrees (three)",
        (Some(_), RearWall::FullArc) => "90 to 180 degrees on both sides (full)",
    };
    let _ = writeln!(
        std::io::stderr(),
        "rear wall in the early reflections: {words}"
    );
}

/// Says on standard error what was understood of the measurement.
fn note(speaker: &Speaker) {
    let said = without_controls(&speaker.folder.understood.to_string());
    let _ = write!(std::io::stderr(), "{said}");
}
