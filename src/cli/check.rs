//! `planish check`.

use super::judging::RearWallChoice;
use super::output::{Answer, write_file};
use crate::error::Result;
use crate::run::check::{check, check_after};
use crate::{export, report};
use clap::Args;
use std::path::PathBuf;

#[derive(Debug, Args)]
pub(super) struct CheckArguments {
    /// Filter list; with --after the folder of the plan, or its curves.csv
    #[arg(value_name = "LIST|PLAN")]
    pub list: PathBuf,
    /// What the device does, measured from its input to its output: a table of freq_hz, level_db
    /// and, if there is, phase_deg, or a WAV file with the impulse response
    #[arg(long, value_name = "TABLE|WAV")]
    pub measured: Option<PathBuf>,
    /// The level of the measurement counts: 0 dB is the input of the device
    #[arg(long, requires = "measured")]
    pub absolute: bool,
    /// Folder of the speaker measured again through the filters
    #[arg(long, value_name = "SPEAKER", conflicts_with_all = ["measured", "absolute", "table", "picture"])]
    pub after: Option<PathBuf>,
    /// Rear wall of the early reflections of that speaker
    #[arg(long, value_enum, default_value_t = RearWallChoice::Three, requires = "after")]
    pub rear_wall: RearWallChoice,
    /// Write the response as a CSV table
    #[arg(long, value_name = "FILE")]
    pub table: Option<PathBuf>,
    /// Write the response as an SVG picture
    #[arg(long, value_name = "FILE")]
    pub picture: Option<PathBuf>,
    /// Print the result as JSON
    #[arg(long)]
    pub json: bool,
}

pub(super) fn carry_out(arguments: &CheckArguments) -> Result<(String, Answer)> {
    if let Some(speaker) = &arguments.after {
        let (name, after) = check_after(&arguments.list, speaker, arguments.rear_wall.into())?;
        let text = if arguments.json {
            export::checked::after_json(&after)
        } else {
            report::checked::after_text(&name, &after)
        };
        return Ok((text, Answer::of(after.matches)));
    }
    let found = check(
        &arguments.list,
        arguments.measured.as_deref(),
        arguments.absolute,
    )?;
    let compared = found.compared.as_ref();
    let mut files = Vec::new();
    if let Some(path) = &arguments.table {
        let table = match compared {
            Some(compared) => export::checked::comparison_table(compared),
            None => export::checked::response_table(&found.list),
        };
        files.push((path, table));
    }
    if let Some(path) = &arguments.picture {
        files.push((path, report::checked_picture::svg(&found.list, compared)?));
    }
    for (path, text) in files {
        write_file(path, &text)?;
    }
    let text = if arguments.json {
        export::checked::json(&found.list, &found.sound, compared)
    } else {
        report::checked::text(&found.list, &found.sound, compared)
    };
    Ok((text, Answer::of(found.is_yes())))
}
