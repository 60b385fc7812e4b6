//! `planish look`: what was understood of a measurement and what is missing, before anything is
//! planned from it.

use super::judging::RearWallChoice;
use crate::error::Result;
use crate::run::Speaker;
use crate::{export, report};
use clap::Args;
use std::path::PathBuf;

/// What to look at.
#[derive(Debug, Args)]
pub(super) struct LookArguments {
    /// Folder with speaker.toml, folder of tables named by angle, or SOFA file
    pub speaker: PathBuf,
    /// Rear wall of the early reflections
    #[arg(long, value_enum, default_value_t = RearWallChoice::Three)]
    pub rear_wall: RearWallChoice,
    /// Print what was understood as JSON
    #[arg(long)]
    pub json: bool,
}

/// What was understood, for standard output.
pub(super) fn run(arguments: &LookArguments) -> Result<String> {
    let speaker = Speaker::read(&arguments.speaker, arguments.rear_wall.into())?;
    let (folder, curves) = (&speaker.folder, &speaker.curves);
    Ok(match arguments.json {
        true => export::look::json(folder, curves),
        false => report::look::text(folder, curves),
    })
}
