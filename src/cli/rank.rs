//! `planish rank`: many speakers, one table.

use super::judging::{Judging, PictureChoice};
use crate::error::{Error, Result};
use crate::export;
use crate::report::many::{self, About};
use crate::run;
use crate::run::rank::{self, Ranking};
use clap::Args;
use indicatif::{ProgressBar, ProgressStyle};
use std::path::PathBuf;

#[derive(Debug, Args)]
pub(super) struct RankArguments {
    /// Folder below which every folder with a speaker.toml is planned
    pub folder: PathBuf,
    #[command(flatten)]
    pub judging: Judging,
    /// Folder for rank.html, rank.csv and a folder with the plan of each speaker; without it only
    /// the table is printed
    #[arg(long, value_name = "DIR")]
    pub out: Option<PathBuf>,
    /// Write the pictures of each speaker as files too (with --out)
    #[arg(long, value_enum, value_name = "FORMAT", requires = "out")]
    pub pictures: Option<PictureChoice>,
    /// Work on so many speakers at once; as many as there are cores when not given
    #[arg(long, value_name = "N", value_parser = clap::value_parser!(u16).range(1..=1024))]
    pub threads: Option<u16>,
    /// Print the table as JSON
    #[arg(long)]
    pub json: bool,
}

/// Plans every speaker and returns the table.
pub(super) fn run(arguments: &RankArguments) -> Result<String> {
    let judging = &arguments.judging;
    let out = arguments.out.as_deref();
    let folders = rank::speaker_folders(&arguments.folder, out)?;
    if folders.is_empty() {
        return Err(Error::in_file(
            &arguments.folder,
            "no folder with a speaker.toml in it or below",
            "speaker folders",
        ));
    }
    let options = judging.options();
    let (device, target) = run::device_and_target(&options)?;
    let command = judging.typed("rank FOLDER");
    let ranking = Ranking {
        device: &device,
        target: &target,
        options: &options,
        rear_wall: judging.rear_wall.into(),
        out,
        command: &command,
        pictures: arguments.pictures.map(Into::into),
        threads: arguments.threads.map(usize::from),
    };
    // Shown on standard error and only where that is a terminal.
    let bar = ProgressBar::new(folders.len() as u64).with_style(progress_style());
    let entries = rank::rank(&arguments.folder, &folders, &ranking, || bar.inc(1))?;
    bar.finish_and_clear();
    if let Some(out) = out {
        let about = About {
            version: env!("CARGO_PKG_VERSION").to_string(),
            command,
        };
        let page = many::rank_page(&entries, &about);
        let csv = export::summary::csv(&entries)?;
        let files = [("rank.html", page.as_bytes()), ("rank.csv", csv.as_bytes())];
        export::files::write_all(out, &files)?;
    }
    Ok(if arguments.json {
        export::summary::json(&entries)
    } else {
        many::text(&entries)
    })
}

fn progress_style() -> ProgressStyle {
    ProgressStyle::with_template("{wide_bar} {pos} of {len}, {eta} left")
        .expect("the template above is well formed")
}
