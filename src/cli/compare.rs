//! `planish compare`: plans side by side.

use super::args::Judging;
use super::{note, plan_options, typed};
use crate::error::{Error, Result};
use crate::export;
use crate::predict::Plan;
use crate::report::compare_page::{self, MOST_PLANS};
use crate::report::many_page::About;
use crate::report::table;
use crate::run::{self, Speaker};
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
    let count = arguments.speakers.len() * devices.len() * targets.len();
    if !(2..=MOST_PLANS).contains(&count) {
        let range = format!("between 2 and {MOST_PLANS}");
        return Err(Error::range(
            "the number of plans",
            count.to_string(),
            range,
        ));
    }
    let mut plans: Vec<Plan> = Vec::with_capacity(count);
    let mut folders = Vec::with_capacity(count);
    for path in &arguments.speakers {
        let speaker = Speaker::read(path, judging.rear_wall.into())?;
        note(&speaker);
        for target in &targets {
            for device in &devices {
                let options = run::PlanOptions {
                    device: device.clone(),
                    target: target.clone(),
                    ..plan_options(judging)
                };
                plans.push(run::plan(&speaker, &options)?);
                folders.push(path.clone());
            }
        }
    }
    let mut entries = compare_page::entries(&plans);
    for (entry, folder) in entries.iter_mut().zip(folders) {
        entry.folder = folder;
    }
    if let Some(out) = &arguments.out {
        let about = About {
            version: env!("CARGO_PKG_VERSION").to_string(),
            command: command(arguments),
        };
        let page = compare_page::html(&plans, &about)?;
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
        table::text(&entries)
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
    let mut text = typed("compare SPEAKER...", &arguments.judging);
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
