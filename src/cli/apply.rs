//! `planish apply`.

use crate::error::Result;
use crate::run::apply::{ApplyOptions, apply};
use crate::wav::Sample;
use crate::{export, report};
use clap::{Args, ValueEnum};
use indicatif::{ProgressBar, ProgressStyle};
use std::io::Write;
use std::path::PathBuf;

/// Frames of work from which on a progress bar is shown: ten minutes at 48 kHz, a few seconds.
const BAR_FROM_FRAMES: u64 = 600 * 48_000;

#[derive(Debug, Args)]
pub(super) struct ApplyArguments {
    /// Filter list, as `planish plan` writes it
    pub list: PathBuf,
    /// WAV file to filter: 8 to 32-bit integers or floating point, any number of channels
    pub input: PathBuf,
    /// WAV file to write
    pub output: PathBuf,
    /// Compute in the number format of the list, bit by bit as the device does
    #[arg(long)]
    pub bit_exact: bool,
    /// How samples are written [default: as they are read]
    #[arg(long, value_enum, value_name = "FORMAT")]
    pub format: Option<SampleChoice>,
    /// Round integers without dither
    #[arg(long)]
    pub no_dither: bool,
    /// Also write the unfiltered sound, as loud as the filtered one by ITU-R BS.1770
    #[arg(long, value_name = "FILE")]
    pub level_matched: Option<PathBuf>,
    /// Print what was done as JSON
    #[arg(long)]
    pub json: bool,
}

/// What can be written.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub(super) enum SampleChoice {
    /// 16-bit integers
    I16,
    /// 24-bit integers
    I24,
    /// 32-bit integers
    I32,
    /// 32-bit floating point
    F32,
}

impl From<SampleChoice> for Sample {
    fn from(choice: SampleChoice) -> Self {
        match choice {
            SampleChoice::I16 => Sample::I16,
            SampleChoice::I24 => Sample::I24,
            SampleChoice::I32 => Sample::I32,
            SampleChoice::F32 => Sample::F32,
        }
    }
}

/// Applies the list and returns what belongs on standard output.
pub(super) fn carry_out(arguments: ApplyArguments) -> Result<String> {
    let options = ApplyOptions {
        bit_exact: arguments.bit_exact,
        sample: arguments.format.map(Sample::from),
        without_dither: arguments.no_dither,
        level_matched: arguments.level_matched,
    };
    let mut bar = None;
    let mut progress = |done: u64, all: Option<u64>| {
        if let Some(all) = all.filter(|all| *all >= BAR_FROM_FRAMES) {
            bar.get_or_insert_with(|| progress_bar(all))
                .set_position(done);
        }
    };
    let applied = apply(
        &arguments.list,
        &arguments.input,
        &arguments.output,
        &options,
        &mut progress,
    );
    if let Some(bar) = bar {
        bar.finish_and_clear();
    }
    let applied = applied?;
    if arguments.json {
        // The text says it by itself; a document may be read by nobody.
        for warning in report::applied::warnings(&applied) {
            let _ = writeln!(std::io::stderr(), "planish: warning: {warning}");
        }
        Ok(export::applied::json(&applied))
    } else {
        Ok(report::applied::text(&applied))
    }
}

/// A bar on standard error; it stays hidden where that is no terminal.
fn progress_bar(frames: u64) -> ProgressBar {
    let bar = ProgressBar::new(frames);
    if let Ok(style) = ProgressStyle::with_template("{bar:40} {percent:>3} %, {eta} left") {
        bar.set_style(style);
    }
    bar
}
