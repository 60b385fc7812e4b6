//! Target curves from TOML: the built-in ones and files of the user's own.
//!
//! A file holds `about` (one sentence), `reason` (why the numbers are what they are), `points`
//! (a list of `[frequency in Hz, level in dB]`, frequencies ascending; straight lines over log
//! frequency between them, constant beyond the ends) and, if the in-room target is to have a
//! slope of its own, `in_room_slope_db_per_oct`. The target is named after its file.

use super::disk::DiskFolder;
use super::document::{Document, Value};
use super::input::Input;
use super::named;
use super::source::Source;
use crate::curve::At;
use crate::error::Result;
use crate::target::Target;

/// The built-in targets: name and text of the file.
pub fn builtin_targets() -> &'static [(&'static str, &'static str)] {
    &[
        ("flat", include_str!("../../targets/curves/flat.toml")),
        (
            "gentle-tilt",
            include_str!("../../targets/curves/gentle-tilt.toml"),
        ),
        (
            "near-field",
            include_str!("../../targets/curves/near-field.toml"),
        ),
    ]
}

/// No target is farther from 0 dB than this.
const LEVEL_LIMIT_DB: f64 = 40.0;

/// The steepest slope of a room target, dB per octave.
const SLOPE_LIMIT_DB_PER_OCT: f64 = 6.0;

/// A target by name or by the path of its file on the disk.
///
/// # Errors
/// When there is none of that name, or the file is not sound.
pub fn target(name_or_path: &str) -> Result<Target> {
    target_from(&DiskFolder::here(), name_or_path)
}

/// A target by its name, built in or that of a file of `input`.
///
/// # Errors
/// As [`target`].
pub fn target_from(input: &dyn Input, name: &str) -> Result<Target> {
    let source = named::source(input, "target", name, builtin_targets())?;
    parse(&source)
}

/// All built-in targets.
///
/// # Errors
/// None as long as the built-in files are sound, which a test holds.
pub fn all_targets() -> Result<Vec<Target>> {
    builtin_targets()
        .iter()
        .map(|(name, text)| parse(&named::of_built_in(name, text)?))
        .collect()
}

/// As far as tables go, Hz.
const HIGHEST_HZ: f64 = 1e7;

fn parse(source: &Source) -> Result<Target> {
    let document = Document::parse(source)?;
    let root = document.root();
    root.only(&["about", "reason", "points", "in_room_slope_db_per_oct"])?;
    let about = root.needed_text("about", "about = \"one sentence\"")?.value;
    let reason = root
        .needed_text("reason", "reason = \"why the numbers are what they are\"")?
        .value;
    let example = "points = [[20, 0.0], [20000, -3.0]]";
    let list = root
        .get("points")
        .ok_or_else(|| root.incomplete("no points", example))?;
    let mut points: Vec<At> = Vec::new();
    for value in list.list()? {
        let (f_hz, level_db) = point(&value, example)?;
        if f_hz <= 0.0 || points.last().is_some_and(|last| last.f_hz >= f_hz) {
            return Err(value.wrong("frequencies above 0 Hz in ascending order"));
        }
        if f_hz > HIGHEST_HZ {
            return Err(value.wrong("frequencies of at most 10 MHz, as in tables"));
        }
        if level_db.abs() > LEVEL_LIMIT_DB {
            return Err(value.wrong("levels between -40 and 40 dB"));
        }
        points.push(At {
            f_hz,
            value_db: level_db,
        });
    }
    if points.is_empty() {
        return Err(list.wrong(example));
    }
    let slope = root.number("in_room_slope_db_per_oct")?;
    if let Some(slope) = &slope
        && slope.value.abs() > SLOPE_LIMIT_DB_PER_OCT
    {
        return Err(root.wrong(
            slope.at,
            slope.value.to_string(),
            "a slope between -6 and 6 dB per octave",
        ));
    }
    Ok(Target {
        name: named::stem(&source.file, "target"),
        about,
        reason: reason.trim().to_string(),
        points,
        in_room_slope_db_per_oct: slope.map(|slope| slope.value),
    })
}

fn point(value: &Value, example: &str) -> Result<(f64, f64)> {
    match value.list()?[..] {
        [f_hz, level_db] => Ok((f_hz.number()?.value, level_db.number()?.value)),
        _ => Err(value.wrong(example)),
    }
}
