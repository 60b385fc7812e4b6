//! `planish convert`.

use super::output::{Answer, write_file};
use crate::convert::{Options, Remedy};
use crate::device::{Coefficient, Feedback, Number};
use crate::error::{Error, Result};
use crate::run::convert::{Wanted, convert};
use crate::{export, report};
use clap::{Args, ValueEnum};
use std::io::Write;
use std::path::{Path, PathBuf};

#[derive(Debug, Args)]
pub(super) struct ConvertArguments {
    /// Filter list, as `planish plan` writes it
    pub list: PathBuf,
    /// Device that is to run the filters: a built-in name or a file (see `planish list`)
    #[arg(long, value_name = "NAME|FILE")]
    pub device: Option<String>,
    /// Rate, in place of the device's or the list's
    #[arg(long, value_name = "HZ", value_parser = rate, allow_negative_numbers = true)]
    pub rate: Option<f64>,
    /// Number format, in place of the device's or the list's: f64, f32, "fixed I.F" or none
    #[arg(long, value_name = "NUMBER", value_parser = number)]
    pub number: Option<Number>,
    /// What becomes of the feedback terms, in place of the device's or the list's
    #[arg(long, value_enum, value_name = "SIGN")]
    pub feedback: Option<FeedbackChoice>,
    /// Order of the coefficients, in place of the device's or the list's, as in b0,b1,b2,a1,a2
    #[arg(long, value_name = "ORDER", value_parser = order)]
    pub order: Option<[Coefficient; 5]>,
    /// What is written
    #[arg(long, value_enum, value_name = "FORMAT", default_value_t = FormatChoice::List)]
    pub format: FormatChoice,
    /// File to write; standard output when not given
    #[arg(long, value_name = "FILE")]
    pub out: Option<PathBuf>,
    /// Fit the device's stages to the list's response, even where it can hold the list's own
    #[arg(long)]
    pub refit: bool,
    /// What to do about a stage that a number format is too short for [default: what costs least]
    #[arg(long, value_enum, value_name = "REMEDY")]
    pub remedy: Option<RemedyChoice>,
    /// Go by f0, gain and Q where the numbers of the list say something else
    #[arg(long)]
    pub by_parameters: bool,
    /// Print what became of the list as JSON, with all its numbers
    #[arg(long)]
    pub json: bool,
}

/// What can be written.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub(super) enum FormatChoice {
    /// Filter list
    List,
    /// JSON document
    Json,
    /// Comma-separated table
    Csv,
    /// C header with initialised arrays
    C,
}

/// What becomes of the feedback terms.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub(super) enum FeedbackChoice {
    /// y0 = ... - a1*y1 - a2*y2
    Subtracted,
    /// y0 = ... + a1*y1 + a2*y2
    Added,
}

/// What can be done about a stage that a number format is too short for.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub(super) enum RemedyChoice {
    /// The other shelf in its place, and a level
    AnotherType,
    /// Its b numbers lower, and the level in front higher
    Scale,
    /// Two stages of half the gain
    Split,
}

fn rate(text: &str) -> std::result::Result<f64, String> {
    /// Rates of audio hardware, as in device profiles.
    const RATES_HZ: std::ops::RangeInclusive<f64> = 8_000.0..=1_000_000.0;
    text.parse()
        .ok()
        .filter(|hz| RATES_HZ.contains(hz))
        .ok_or_else(|| "expected a rate in Hz from 8000 to 1000000".into())
}

fn number(text: &str) -> std::result::Result<Number, String> {
    Number::from_name(text).ok_or_else(|| {
        "expected f64, f32, none or, in quotes, \"fixed I.F\" as in \"fixed 5.27\"".into()
    })
}

fn order(text: &str) -> std::result::Result<[Coefficient; 5], String> {
    let found: Option<Vec<Coefficient>> = text
        .split(',')
        .map(|name| {
            let named = |c: &Coefficient| c.name() == name.trim();
            Coefficient::USUAL_ORDER.into_iter().find(named)
        })
        .collect();
    found
        .filter(|order| Coefficient::USUAL_ORDER.iter().all(|c| order.contains(c)))
        .and_then(|order| order.try_into().ok())
        .ok_or_else(|| "expected b0, b1, b2, a1 and a2, each once, with commas between".into())
}

/// Whether two paths lead to one file that exists.
fn is_one_file(a: &Path, b: &Path) -> bool {
    match (a.canonicalize(), b.canonicalize()) {
        (Ok(a), Ok(b)) => a == b,
        _ => false,
    }
}

pub(super) fn carry_out(arguments: &ConvertArguments) -> Result<(String, Answer)> {
    let wanted = Wanted {
        device: arguments.device.clone(),
        rate_hz: arguments.rate,
        number: arguments.number,
        feedback: arguments.feedback.map(|choice| match choice {
            FeedbackChoice::Subtracted => Feedback::Subtracted,
            FeedbackChoice::Added => Feedback::Added,
        }),
        order: arguments.order,
    };
    let options = Options {
        refit: arguments.refit,
        remedy: arguments.remedy.map(|choice| match choice {
            RemedyChoice::AnotherType => Remedy::AnotherType,
            RemedyChoice::Scale => Remedy::Scale,
            RemedyChoice::Split => Remedy::Split,
        }),
        by_parameters: arguments.by_parameters,
    };
    let out = arguments.out.as_deref();
    if out.is_some_and(|out| is_one_file(out, &arguments.list)) {
        return Err(Error::call("the list itself stands in the place of --out")
            .with_hint("give the new list another name; the old one is its source"));
    }
    let converted = convert(&arguments.list, &wanted, &options)?;
    let content = match arguments.format {
        FormatChoice::List => export::filter_list::write(&converted.list, &converted.word_order)?,
        FormatChoice::Json => export::converted::json(&converted, out)?,
        FormatChoice::Csv => export::converted::table(&converted)?,
        FormatChoice::C => {
            let stem = out.and_then(|path| path.file_stem()?.to_str());
            let prefix = stem.map_or_else(
                || export::c_header::DEFAULT_PREFIX.to_string(),
                export::c_header::prefix_of,
            );
            export::c_header::write(&converted.list, &converted.word_order, &prefix)?
        }
    };
    if let Some(path) = out {
        write_file(path, &content)?;
    }
    let text = match (arguments.json, out) {
        (true, _) => export::converted::json(&converted, out)?,
        (false, Some(_)) => report::converted::text(&converted, out),
        (false, None) => {
            // The list goes to standard output, words about it to standard error.
            let said = report::converted::text(&converted, None);
            let _ = write!(std::io::stderr(), "{said}");
            content
        }
    };
    Ok((text, Answer::Yes))
}
