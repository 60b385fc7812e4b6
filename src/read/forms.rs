//! The forms in which a speaker folder may hold its measurement, one section of speaker.toml
//! each.

use super::document::Section;
use super::found::Found;
use super::impulses;
use super::opened::{Folder, Leads};
use super::orbits::{self, ONE_ANGLE, Piece, WIDE_LEVELS, WIDE_PHASES};
use super::patterns;
use super::shape::{LEVEL, Shape};
#[cfg(feature = "sofa")]
use super::sofa;
use super::text::{in_hz, nearest, shown};
use super::understood::ReadAs;
use crate::average::AveragedCurves;
use crate::curve::resample_db;
use crate::error::{Error, Result};
use crate::response::{Direction, Orbit};
use std::path::Path;

/// A section that may hold a measurement.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Form {
    Orbits,
    Angles,
    Impulses,
    Sofa,
    Curves,
}

/// The sections as messages list them.
const ONE_OF: &str = "one of [orbits], [angles], [impulses], [sofa] and [curves]";

impl Form {
    pub const ALL: [Form; 5] = [
        Form::Orbits,
        Form::Angles,
        Form::Impulses,
        Form::Sofa,
        Form::Curves,
    ];

    /// The name of the section.
    pub const fn key(self) -> &'static str {
        match self {
            Form::Orbits => "orbits",
            Form::Angles => "angles",
            Form::Impulses => "impulses",
            Form::Sofa => "sofa",
            Form::Curves => "curves",
        }
    }

    fn read(self, folder: &mut Folder, section: &Section) -> Result<Found> {
        match self {
            Form::Orbits => {
                let pieces = wide_tables(folder, section)?;
                Found::joined(ReadAs::WideTables, pieces, &mut folder.notes)
            }
            Form::Angles => {
                let pieces = angle_files(folder, section)?;
                Found::joined(ReadAs::AngleFiles, pieces, &mut folder.notes)
            }
            Form::Impulses => impulses::read(folder, section),
            Form::Sofa => sofa_file(folder, section),
            Form::Curves => averaged_curves(folder, section).map(Found::curves),
        }
    }
}

/// Reads the one measurement that the document `root` names.
pub(super) fn measured(folder: &mut Folder, root: &Section) -> Result<Found> {
    let given: Vec<_> = Form::ALL
        .into_iter()
        .filter_map(|form| Some((form, root.get(form.key())?)))
        .collect();
    match given[..] {
        [] => Err(root.incomplete("no measurement", ONE_OF)),
        [(form, value)] => form.read(folder, &value.section(form.key())?),
        [(first, _), (second, value), ..] => Err(root.wrong(
            value.at(),
            format!("[{}] beside [{}]", second.key(), first.key()),
            ONE_OF,
        )),
    }
}

fn sofa_file(folder: &mut Folder, section: &Section) -> Result<Found> {
    section.only(&["file"])?;
    let path = section.needed_text("file", "file = \"speaker.sofa\"")?;
    let name = folder.resolve(section, &path, Leads::ToFile)?;
    from_sofa(folder, &name)
}

/// The measurement in the SOFA file `name`, which may be read.
#[cfg(feature = "sofa")]
pub(super) fn from_sofa(folder: &mut Folder, name: &Path) -> Result<Found> {
    let bytes = folder.bytes(name, sofa::MOST_BYTES, "a SOFA file")?;
    let found = sofa::read(&folder.input.shown(name), bytes, &mut folder.notes)?;
    let form = ReadAs::Sofa(found.convention);
    let mut joined = Found::joined(form, found.pieces, &mut folder.notes)?;
    joined.between.extend(found.between);
    joined.distance_m = Some(found.distance_m);
    joined.trusted_from_hz = found.trusted_from_hz;
    Ok(joined)
}

/// A build without the feature `sofa` refuses such files.
#[cfg(not(feature = "sofa"))]
pub(super) fn from_sofa(folder: &mut Folder, name: &Path) -> Result<Found> {
    let file = folder.input.shown(name);
    let expected = "tables or impulse responses: this build reads no SOFA files";
    Err(Error::in_file(&file, "a SOFA file", expected))
}

fn wide_tables(folder: &mut Folder, section: &Section) -> Result<Vec<Piece>> {
    section.only(&[
        "horizontal",
        "vertical",
        "horizontal_phase",
        "vertical_phase",
        RELATIVE_TO,
    ])?;
    let mut pieces = Vec::new();
    for orbit in [Orbit::Horizontal, Orbit::Vertical] {
        let (levels_key, phase_key) = (orbit.name(), format!("{}_phase", orbit.name()));
        let (levels, phase) = (section.text(levels_key)?, section.text(&phase_key)?);
        let Some(levels) = levels else {
            match phase {
                None => continue,
                Some(phase) => {
                    return Err(section.wrong(
                        phase.at,
                        format!("{phase_key} without {levels_key}"),
                        "a table of levels for every table of phases",
                    ));
                }
            }
        };
        let table = folder.table(section, &levels, &WIDE_LEVELS)?;
        let phase = match phase {
            Some(phase) => Some(folder.table(section, &phase, &WIDE_PHASES)?),
            None => None,
        };
        pieces.push(orbits::wide(table, phase, orbit, &mut folder.notes)?);
    }
    if pieces.is_empty() {
        return Err(section.incomplete("no table in [orbits]", "horizontal = \"...\""));
    }
    add_axis(folder, section, &mut pieces)?;
    Ok(pieces)
}

fn angle_files(folder: &mut Folder, section: &Section) -> Result<Vec<Piece>> {
    section.only(&["horizontal", "vertical", RELATIVE_TO])?;
    let mut pieces = Vec::new();
    for orbit in [Orbit::Horizontal, Orbit::Vertical] {
        for (direction, file) in patterns::files(folder, section, orbit)? {
            let table = folder.table_below(&file, &ONE_ANGLE)?;
            pieces.push(orbits::single(table, direction)?);
        }
    }
    if pieces.is_empty() {
        return Err(section.incomplete("no pattern in [angles]", "horizontal = \"h_{angle}.txt\""));
    }
    add_axis(folder, section, &mut pieces)?;
    Ok(pieces)
}

/// Names the table of the axis when all levels are relative to it.
const RELATIVE_TO: &str = "relative_to";

/// Adds the levels of the axis to levels that are relative to it.
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

fn averaged_curves(folder: &mut Folder, section: &Section) -> Result<AveragedCurves> {
    section.only(&["table"])?;
    let path = section.needed_text("table", "table = \"curves.csv\"")?;
    let mut table = folder.table(section, &path, &CURVES)?;
    let mut curves: [Option<Vec<f64>>; 7] = Default::default();
    let columns = std::mem::take(&mut table.columns);
    for (name, column) in table.names().iter().zip(columns) {
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
        curves[at] = Some(column);
    }
    if curves[0].is_none() && curves[1].is_none() {
        return Err(table.wrong_header(
            "neither on_axis nor listening_window",
            "at least one of the two",
        ));
    }
    Ok(AveragedCurves::from_table(table.grid()?, curves))
}
