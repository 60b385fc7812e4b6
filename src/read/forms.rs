//! The forms in which a speaker folder may hold its measurement, one section of speaker.toml
//! each.

use super::angle;
use super::document::{Section, Spot};
use super::folder::{Folder, Measured};
use super::impulses;
use super::inside::Leads;
use super::orbits::{self, ONE_ANGLE, Piece, WIDE_LEVELS, WIDE_PHASES};
use super::sofa;
use super::table::{LEVEL, Shape};
use super::text::{nearest, shown};
use super::understood::in_hz;
use crate::average::AveragedCurves;
use crate::curve::{Grid, resample_db};
use crate::error::{Error, Result};
use crate::response::{Direction, Orbit};
use std::path::Path;

/// A measurement, with what its form says of how it was made.
pub(super) struct Found {
    /// In which form it came.
    pub form: &'static str,
    pub measured: Measured,
    /// Directions that were not measured but stand between measured ones.
    pub between: Vec<Direction>,
    /// Distance in m.
    pub distance_m: Option<f64>,
    /// Lowest trusted frequency, Hz.
    pub trusted_from_hz: Option<f64>,
}

impl Found {
    fn new(form: &'static str, measured: Measured) -> Found {
        Found {
            form,
            measured,
            between: Vec::new(),
            distance_m: None,
            trusted_from_hz: None,
        }
    }

    /// The directions of all pieces, see [`orbits::join`].
    pub fn joined(
        form: &'static str,
        pieces: Vec<Piece>,
        notes: &mut Vec<String>,
    ) -> Result<Found> {
        let joined = orbits::join(pieces, notes)?;
        Ok(Found {
            between: joined.between,
            ..Found::new(form, Measured::Angles(joined.response))
        })
    }
}

/// The sections that may hold a measurement.
pub(super) const FORMS: [&str; 5] = ["orbits", "angles", "impulses", "sofa", "curves"];

/// Their names as messages list them.
const ONE_OF: &str = "one of [orbits], [angles], [impulses], [sofa] and [curves]";

/// Reads the one measurement that the document `root` names.
pub(super) fn measured(
    folder: &mut Folder,
    root: &Section,
    notes: &mut Vec<String>,
) -> Result<Found> {
    let mut given = FORMS.iter().filter(|form| root.get(form).is_some());
    match (given.next(), given.next()) {
        (Some(first), Some(second)) => {
            let at = root.get(second).map_or(0, |value| value.at());
            Err(root.wrong(at, format!("[{second}] beside [{first}]"), ONE_OF))
        }
        (None, _) => Err(root.incomplete("no measurement", ONE_OF)),
        (Some(&"orbits"), None) => {
            let pieces = wide_tables(folder, root, notes)?;
            Found::joined("wide orbit tables", pieces, notes)
        }
        (Some(&"angles"), None) => {
            let pieces = angle_files(folder, root, notes)?;
            Found::joined("one file per angle", pieces, notes)
        }
        (Some(&"impulses"), None) => {
            let section = root
                .section("impulses")?
                .ok_or_else(|| root.incomplete("no [impulses]", "[impulses]"))?;
            impulses::read(folder, &section, notes)
        }
        (Some(&"sofa"), None) => sofa_file(folder, root, notes),
        (Some(_), None) => {
            let curves = averaged_curves(folder, root)?;
            Ok(Found::new(
                "averaged curves only",
                Measured::Curves(Box::new(curves)),
            ))
        }
    }
}

fn sofa_file(folder: &mut Folder, root: &Section, notes: &mut Vec<String>) -> Result<Found> {
    let section = root
        .section("sofa")?
        .ok_or_else(|| root.incomplete("no [sofa]", "[sofa]"))?;
    section.only(&["file"])?;
    let path = section.needed_text("file", "file = \"speaker.sofa\"")?;
    let file = folder.resolve(&section, &path, Leads::ToFile)?;
    from_sofa(folder, &file, notes)
}

/// The measurement in a SOFA file that has been found.
pub(super) fn from_sofa(
    folder: &mut Folder,
    file: &Path,
    notes: &mut Vec<String>,
) -> Result<Found> {
    let bytes = folder.bytes(file, sofa::MOST_BYTES, "a SOFA file")?;
    let found = sofa::read(file, bytes, notes)?;
    let mut joined = Found::joined(found.form, found.pieces, notes)?;
    joined.between.extend(found.between);
    joined.distance_m = Some(found.distance_m);
    joined.trusted_from_hz = found.trusted_from_hz;
    Ok(joined)
}

/// The orbits, with the keys of their levels and phases.
pub(super) const BOTH_ORBITS: [(Orbit, &str, &str); 2] = [
    (Orbit::Horizontal, "horizontal", "horizontal_phase"),
    (Orbit::Vertical, "vertical", "vertical_phase"),
];

fn wide_tables(folder: &mut Folder, root: &Section, notes: &mut Vec<String>) -> Result<Vec<Piece>> {
    let Some(section) = root.section("orbits")? else {
        return Ok(Vec::new());
    };
    section.only(&[
        "horizontal",
        "vertical",
        "horizontal_phase",
        "vertical_phase",
        RELATIVE_TO,
    ])?;
    let mut pieces = Vec::new();
    for (orbit, levels_key, phase_key) in BOTH_ORBITS {
        let (levels, phase) = (section.text(levels_key)?, section.text(phase_key)?);
        match (levels, phase) {
            (None, None) => {}
            (None, Some(phase)) => {
                return Err(section.wrong(
                    phase.at,
                    format!("{phase_key} without {levels_key}"),
                    "a table of levels for every table of phases",
                ));
            }
            (Some(levels), phase) => {
                let table = folder.table(&section, &levels, &WIDE_LEVELS)?;
                let phase = match phase {
                    Some(phase) => Some(folder.table(&section, &phase, &WIDE_PHASES)?),
                    None => None,
                };
                pieces.push(orbits::wide(table, phase, orbit, notes)?);
            }
        }
    }
    if pieces.is_empty() {
        return Err(section.incomplete("no table in [orbits]", "horizontal = \"...\""));
    }
    add_axis(folder, &section, &mut pieces)?;
    Ok(pieces)
}

/// What stands for the angle in a pattern.
const PLACEHOLDER: &str = "{angle}";

fn angle_files(folder: &mut Folder, root: &Section, notes: &mut Vec<String>) -> Result<Vec<Piece>> {
    let Some(section) = root.section("angles")? else {
        return Ok(Vec::new());
    };
    section.only(&["horizontal", "vertical", RELATIVE_TO])?;
    let mut pieces = Vec::new();
    for (orbit, key, _) in BOTH_ORBITS {
        let Some(pattern) = section.text(key)? else {
            continue;
        };
        for (angle_deg, relative) in matching(folder, &section, (orbit, &pattern), notes)? {
            let table = folder.table_below(&relative, &ONE_ANGLE)?;
            pieces.push(orbits::single(table, Direction::new(orbit, angle_deg))?);
        }
    }
    if pieces.is_empty() {
        return Err(section.incomplete("no pattern in [angles]", "horizontal = \"h_{angle}.txt\""));
    }
    add_axis(folder, &section, &mut pieces)?;
    Ok(pieces)
}

/// The files that the pattern of an orbit fits, with their angles; the path of each is relative to the speaker
/// folder.
pub(super) fn matching(
    folder: &Folder,
    section: &Section,
    (orbit, pattern): (Orbit, &Spot<String>),
    notes: &mut Vec<String>,
) -> Result<Vec<(f64, String)>> {
    let wrong = |expected: &str| section.wrong(pattern.at, shown(&pattern.value), expected);
    let (below, file_pattern) = match pattern.value.rsplit_once('/') {
        Some((below, file)) => (below, file),
        None => ("", pattern.value.as_str()),
    };
    let (before, after) = file_pattern
        .split_once(PLACEHOLDER)
        .filter(|(_, after)| !after.contains(PLACEHOLDER) && !below.contains(PLACEHOLDER))
        .ok_or_else(|| wrong("a file name with {angle} in it once"))?;
    if pattern.value.starts_with('/') {
        return Err(wrong("a path inside the speaker folder"));
    }
    if !below.is_empty() {
        let spot = Spot {
            value: below.to_string(),
            at: pattern.at,
        };
        folder.resolve(section, &spot, Leads::ToFolder)?;
    }
    let mut found = Vec::new();
    for name in folder.file_names(below)? {
        let Some(middle) = name
            .strip_prefix(before)
            .and_then(|rest| rest.strip_suffix(after))
        else {
            continue;
        };
        let Some(angle_deg) = angle::in_pattern(middle, orbit) else {
            notes.push(format!(
                "{} was left out: {} is no angle",
                shown(&name),
                shown(middle)
            ));
            continue;
        };
        if found.len() == orbits::MOST_ANGLES {
            return Err(wrong(&format!(
                "a pattern that fits at most {} files",
                orbits::MOST_ANGLES
            )));
        }
        let relative = if below.is_empty() {
            name.clone()
        } else {
            format!("{below}/{name}")
        };
        found.push((angle_deg, relative));
    }
    if found.is_empty() {
        return Err(wrong("a pattern that fits files of the speaker folder"));
    }
    Ok(found)
}

/// Names the table of the axis when all levels are relative to it.
const RELATIVE_TO: &str = "relative_to";

/// Adds the levels of the axis to levels that were told relative to it.
fn add_axis(folder: &mut Folder, section: &Section, pieces: &mut [Piece]) -> Result<()> {
    let Some(path) = section.text(RELATIVE_TO)? else {
        return Ok(());
    };
    let table = folder.table(section, &path, &ONE_ANGLE)?;
    let axis = orbits::single(table, Direction::new(Orbit::Horizontal, 0.0))?;
    for piece in pieces {
        let axis_db: Option<Vec<f64>> =
            resample_db(&axis.grid, &axis.members[0].levels_db, &piece.grid)
                .into_iter()
                .collect();
        let axis_db = axis_db.ok_or_else(|| {
            Error::in_file(
                &axis.file,
                format!(
                    "frequencies from {} to {} Hz",
                    in_hz(axis.grid.first_hz()),
                    in_hz(axis.grid.last_hz())
                ),
                format!("all that {} covers", piece.file.display()),
            )
        })?;
        for member in &mut piece.members {
            for (level, axis) in member.levels_db.iter_mut().zip(&axis_db) {
                *level += axis;
            }
        }
    }
    Ok(())
}

/// Column names of averaged curves. Source: DESIGN, section 7.
const CURVE_NAMES: [&str; 7] = [
    "on_axis",
    "listening_window",
    "early_reflections",
    "sound_power",
    "early_reflections_di",
    "sound_power_di",
    "in_room",
];

const CURVES: Shape = Shape {
    columns: &[LEVEL],
    width: (2, CURVE_NAMES.len() + 1),
    named: true,
    keys: 1,
};

fn averaged_curves(folder: &mut Folder, root: &Section) -> Result<AveragedCurves> {
    let Some(section) = root.section("curves")? else {
        return Err(root.incomplete("no [curves]", "[curves]"));
    };
    section.only(&["table"])?;
    let path = section.needed_text("table", "table = \"curves.csv\"")?;
    let table = folder.table(&section, &path, &CURVES)?;
    let mut curves: [Option<Vec<f64>>; 7] = Default::default();
    let names = table
        .header
        .as_ref()
        .map_or(&[][..], |header| &header.names[1..]);
    for (i, name) in names.iter().enumerate() {
        let Some(at) = CURVE_NAMES.iter().position(|known| *known == name.text) else {
            let expected = format!("one of {}", CURVE_NAMES.join(", "));
            let error = table.wrong_name(name, shown(&name.text), &expected);
            return Err(match nearest(&name.text, &CURVE_NAMES) {
                Some(nearest) => error.with_hint(format!("the nearest known name is {nearest}")),
                None => error,
            });
        };
        if curves[at].is_some() {
            let found = format!("{} a second time", shown(&name.text));
            return Err(table.wrong_name(name, found, "every curve once"));
        }
        curves[at] = Some(table.columns[i].clone());
    }
    if curves[0].is_none() && curves[1].is_none() {
        return Err(table.wrong_header(
            "neither on_axis nor listening_window",
            "at least one of the two",
        ));
    }
    let grid = Grid::new(table.freqs_hz.clone()).ok_or_else(|| {
        Error::in_file(
            &table.source.file,
            "frequencies that make no axis",
            "ascending frequencies",
        )
    })?;
    Ok(AveragedCurves::from_table(grid, curves))
}
