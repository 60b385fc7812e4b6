//! `planish fit`.

use super::judging::kind;
use crate::error::Result;
use crate::filter::Kind;
use crate::fit::Options;
use crate::{export, report, run};
use clap::Args;
use std::path::PathBuf;

#[derive(Debug, Args)]
pub(super) struct FitArguments {
    /// Table with freq_hz, gain_db and optionally weight
    pub curve: PathBuf,
    /// Use at most this many stages; as many as pay when not given
    #[arg(long, value_name = "N")]
    pub stages: Option<usize>,
    /// Device that runs the filters: a built-in name or a file (see `planish list`)
    #[arg(long, value_name = "NAME|FILE")]
    pub device: Option<String>,
    /// Do not use this type of stage: peaking, lowshelf or highshelf (may be given several times)
    #[arg(long, value_name = "TYPE", value_parser = kind)]
    pub without: Vec<Kind>,
    /// Largest boost of a stage, 0 for cuts only; the device's own limit when not given
    #[arg(long, value_name = "DB", value_parser = not_negative, allow_negative_numbers = true)]
    pub boost: Option<f64>,
    /// Largest Q of a stage that boosts
    #[arg(long, value_name = "Q", value_parser = not_negative, allow_negative_numbers = true)]
    pub boost_q: Option<f64>,
    /// Largest cut of a stage, as a positive number; the device's own limit when not given
    #[arg(long, value_name = "DB", value_parser = not_negative, allow_negative_numbers = true)]
    pub cut: Option<f64>,
    /// Largest Q of a stage that cuts
    #[arg(long, value_name = "Q", value_parser = not_negative, allow_negative_numbers = true)]
    pub cut_q: Option<f64>,
    /// Print the stages as JSON
    #[arg(long)]
    pub json: bool,
}

/// Fits the curve and returns the stages.
pub(super) fn run(arguments: FitArguments) -> Result<String> {
    let options = Options {
        stages: arguments.stages,
        forbid: arguments.without,
        boost_at_most_db: arguments.boost,
        boost_q_at_most: arguments.boost_q,
        cut_at_most_db: arguments.cut,
        cut_q_at_most: arguments.cut_q,
        ..Options::default()
    };
    let (fitted, device) = run::fit_curve(&arguments.curve, arguments.device.as_deref(), &options)?;
    Ok(match arguments.json {
        true => export::json::fit(&fitted, &device.name, device.rate_hz),
        false => report::text::fit(&fitted, &device),
    })
}

fn not_negative(text: &str) -> std::result::Result<f64, String> {
    match text.parse::<f64>() {
        Ok(value) if value.is_finite() && value >= 0.0 => Ok(value),
        _ => Err("expected a number that is not negative".into()),
    }
}
