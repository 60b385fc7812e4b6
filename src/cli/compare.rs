//! `planish compare`: plans side by side.

use super::judging::Judging;
use super::output::note;
use crate::error::Result;
use crate::export;
use crate::report::many::{self, About};
use crate::run::compare::{Sides, compare};
use clap::Args;
use std::path::PathBuf;

#[derive(Debug, Args)]
pub(super) struct CompareArguments {
    /// Folders with speaker.toml and the measured tables it names
    #[arg(required = true)]
    pub speakers: Vec<PathBuf>,
    #[command(flatten)]
    pub judging: Judging,
    /// Devices to be compared, with commas between
    #[arg(
        long,
        value_name = "NAME|FILE,...",
        value_delimiter = ',',
        conflicts_with = "device"
    )]
    pub devices: Vec<String>,
    /// Targets to be compared, with commas between
    #[arg(
        long,
        value_name = "NAME|FILE,...",
        value_delimiter = ',',
        conflicts_with = "target"
    )]
    pub targets: Vec<String>,
    /// Folder for compare.html and compare.csv; without it only the table is printed
    #[arg(long, value_name = "DIR")]
    pub out: Option<PathBuf>,
    /// Print the table as JSON
    #[arg(long)]
    pub json: bool,
}

/// Plans every speaker for every target on every device and returns the table.
pub(super) fn run(arguments: &CompareArguments) -> Result<String> {
    let judging = &arguments.judging;
    let devices = choices(&arguments.devices, judging.device.as_ref());
    let targets = choices(&arguments.targets, judging.target.as_ref());
    let sides = Sides {
        speakers: &arguments.speakers,
        targets: &targets,
        devices: &devices,
        rear_wall: judging.rear_wall.into(),
        options: &judging.options(),
    };
    let (plans, entries) = compare(&sides, &mut note)?;
    if let Some(out) = &arguments.out {
        let about = About {
            version: env!("CARGO_PKG_VERSION").to_string(),
            command: command(arguments),
        };
        let page = many::compare_page(&plans, &about)?;
        let csv = export::summary::csv(&entries)?;
        let files = [
            ("compare.html", page.as_bytes()),
            ("compare.csv", csv.as_bytes()),
        ];
        export::files::write_all(out, &files)?;
    }
    Ok(if arguments.json {
        export::summary::json(&entries)
    } else {
        many::text(&entries)
    })
}

/// The names given as a list, or the one given alone, or none, which is the default.
fn choices(list: &[String], one: Option<&String>) -> Vec<Option<String>> {
    if list.is_empty() {
        vec![one.cloned()]
    } else {
        list.iter().cloned().map(Some).collect()
    }
}

fn command(arguments: &CompareArguments) -> String {
    let mut text = arguments.judging.typed("compare SPEAKER...");
    for (name, list) in [
        ("devices", &arguments.devices),
        ("targets", &arguments.targets),
    ] {
        if !list.is_empty() {
            text += &format!(" --{name} {}", list.join(","));
        }
    }
    text
}
