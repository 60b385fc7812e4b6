//! `planish plan`, `planish audit` and `planish curves`.

use super::judging::{Judging, PictureChoice, RearWallChoice};
use super::output::{heard, note, paint};
use super::owner::{Aim, Owner};
use super::pair::PairArguments;
use super::room::RoomArguments;
use crate::average::RearWall;
use crate::error::Result;
use crate::run::request::Request;
use crate::run::{self, PlanOptions, Speaker};
use crate::{export, report};
use clap::Args;
use std::io::Write;
use std::path::{Path, PathBuf};

#[derive(Debug, Args)]
pub(super) struct PlanArguments {
    /// Folder with speaker.toml and the measured tables it names
    pub speaker: PathBuf,
    #[command(flatten)]
    pub judging: Judging,
    #[command(flatten)]
    pub owner: Owner,
    #[command(flatten)]
    pub room: RoomArguments,
    #[command(flatten)]
    pub pair: PairArguments,
    /// Folder for filters.txt, plan.json, curves.csv and report.html [default: SPEAKER/plan]
    #[arg(long, value_name = "DIR")]
    pub out: Option<PathBuf>,
    /// Write the pictures as files too
    #[arg(long, value_enum, value_name = "FORMAT")]
    pub pictures: Option<PictureChoice>,
    /// Print the plan as JSON
    #[arg(long)]
    pub json: bool,
}

#[derive(Debug, Args)]
pub(super) struct AuditArguments {
    /// Folder with speaker.toml and the measured tables it names
    pub speaker: PathBuf,
    #[command(flatten)]
    pub judging: Judging,
    #[command(flatten)]
    pub owner: Owner,
    #[command(flatten)]
    pub room: RoomArguments,
    #[command(flatten)]
    pub pair: PairArguments,
    /// Compare aims from 0 to 40 degrees instead and recommend one before any EQ
    #[arg(long, conflicts_with_all = ["aim", "seats", "transition", "room_volume", "rt60", "pair", "per_unit"])]
    pub aims: bool,
    /// Print the audit as JSON
    #[arg(long)]
    pub json: bool,
}

#[derive(Debug, Args)]
pub(super) struct CurvesArguments {
    /// Folder with speaker.toml and the measured tables it names
    pub speaker: PathBuf,
    /// Rear wall of the early reflections
    #[arg(long, value_enum, default_value_t = RearWallChoice::Three)]
    pub rear_wall: RearWallChoice,
    #[command(flatten)]
    pub aim: Aim,
    /// Print the curves as JSON
    #[arg(long)]
    pub json: bool,
}

/// Plans a speaker, writes the plan and returns what was decided.
pub(super) fn plan(arguments: PlanArguments) -> Result<String> {
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
    let (speaker, plan) = asked.of(&arguments.speaker)?.planned(&mut heard)?;
    let pictures = arguments.pictures.map(Into::into);
    let typed = asked.typed("plan SPEAKER");
    let written = run::write_plan(&plan, &speaker, &typed, pictures, &out)?;
    Ok(match arguments.json {
        true => export::json::plan(&plan),
        false => report::text::plan(&plan, &written),
    })
}

/// Plans a speaker, or compares its aims, and returns what was found.
pub(super) fn audit(arguments: &AuditArguments) -> Result<String> {
    let AuditArguments {
        speaker,
        judging,
        owner,
        room,
        pair,
        aims,
        json,
    } = arguments;
    if *aims {
        let options = PlanOptions {
            owner: owner.wanted(),
            ..judging.options()
        };
        let (name, aims) =
            run::aims::compared(speaker, judging.rear_wall.into(), &options, &mut note)?;
        return Ok(match json {
            true => export::owner::aims(&name, &aims),
            false => report::aims::text(&name, &aims, paint()),
        });
    }
    let asked = Asked {
        judging,
        owner,
        room,
        pair,
    };
    let (_, plan) = asked.of(speaker)?.planned(&mut heard)?;
    Ok(match json {
        true => export::json::plan(&plan),
        false => report::text::audit(&plan, paint()),
    })
}

/// The curves of a speaker as a table.
pub(super) fn curves(arguments: &CurvesArguments) -> Result<String> {
    let rear_wall = arguments.rear_wall.into();
    let speaker = Speaker::read_aimed(&arguments.speaker, rear_wall, arguments.aim.aim, &mut note)?;
    note_rear_wall(&speaker);
    match arguments.json {
        true => Ok(export::json::curves(&speaker.folder.name, &speaker.curves)),
        false => export::curves::table(&speaker.curves, None),
    }
}

/// What a plan or an audit was asked for.
struct Asked<'a> {
    judging: &'a Judging,
    owner: &'a Owner,
    room: &'a RoomArguments,
    pair: &'a PairArguments,
}

impl Asked<'_> {
    /// The same as the chain takes it, of the speaker in a folder.
    fn of(&self, speaker: &Path) -> Result<Request> {
        Ok(Request {
            speaker: speaker.to_path_buf(),
            rear_wall: self.judging.rear_wall.into(),
            options: PlanOptions {
                owner: self.owner.wanted(),
                ..self.judging.options()
            },
            aim_deg: self.owner.aim.aim,
            transition: self.room.transition()?,
            seats: self.room.seats.clone(),
            sub_seats: self.room.sub_seats.clone(),
            second_unit: self.pair.pair.clone(),
            per_unit: self.pair.per_unit,
        })
    }

    /// The same as it would be typed again after `call`.
    fn typed(&self, call: &str) -> String {
        self.judging.typed(call) + &self.owner.typed() + &self.room.typed() + &self.pair.typed()
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
