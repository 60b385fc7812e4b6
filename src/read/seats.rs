//! Levels at the seats of a room: one table with a column for each seat, or a folder with a table
//! for each.
//!
//! Levels may stand at any reference, each seat at its own. A header names the seats; without one
//! they are numbered. In a folder the files (`.txt`, `.csv`, `.tsv`, `.dat`) name them, each holds
//! frequency, level and perhaps phase, and their grids may differ.

use super::disk::DiskFolder;
use super::input::{Input, is_folder};
use super::named::stem;
use super::opened::InputFile;
use super::orbits::ONE_ANGLE;
use super::shape::{Column, LEVEL, Shape};
use super::source::Source;
use super::table::Table;
use super::text::shown;
use crate::curve::{Grid, resample_db};
use crate::error::{Error, Result};
use crate::seats::{Seat, SeatLevels};
use std::path::{Path, PathBuf};

/// More seats than this are no seats of one listener's room.
pub const MOST_SEATS: usize = 64;

const COLUMNS: &[Column] = &[LEVEL];

const NAMED: Shape = Shape {
    columns: COLUMNS,
    width: (2, MOST_SEATS + 1),
    named: true,
    keys: 1,
};

const UNNAMED: Shape = Shape {
    named: false,
    ..NAMED
};

/// Endings of the files in a folder of seats.
const ENDINGS: [&str; 4] = ["txt", "csv", "tsv", "dat"];

/// Density of the grid on which the seats of a folder meet, as the room is judged.
const POINTS_PER_OCTAVE: f64 = 96.0;

/// Seats as read.
#[derive(Debug, Clone, PartialEq)]
pub struct SeatsRead {
    /// The levels.
    pub levels: SeatLevels,
    /// The files that were read, by their names alone.
    pub inputs: Vec<InputFile>,
    /// Where they stand.
    pub places: Vec<PathBuf>,
}

/// Reads a table of seats from the disk, or a folder with one table for each.
///
/// # Errors
/// When nothing can be read, a table is none, two seats have one name, a column holds phase, or
/// the seats of a folder have no octave in common.
pub fn read(path: &Path) -> Result<SeatsRead> {
    read_from(&DiskFolder::here(), path)
}

/// [`read`] from the file or folder `name` of `input`.
///
/// # Errors
/// As [`read`].
pub fn read_from(input: &dyn Input, name: &Path) -> Result<SeatsRead> {
    if is_folder(input, name) {
        read_folder(input, name)
    } else {
        read_table(input, name)
    }
}

fn input_of(source: &Source) -> InputFile {
    let name = source.file.file_name().map(PathBuf::from);
    InputFile::new(name.unwrap_or_else(|| source.file.clone()), source)
}

fn read_table(input: &dyn Input, name: &Path) -> Result<SeatsRead> {
    let source = Source::read(input, name)?;
    let file = source.file.clone();
    let read = input_of(&source);
    let table = match Table::parse(source.clone(), &NAMED) {
        Ok(table) => table,
        // Without a header seats are numbered; with one, its own fault is told.
        Err(named) => match Table::parse(source, &UNNAMED) {
            Ok(table) if table.header.is_none() => table,
            _ => return Err(named),
        },
    };
    let names = names_of(&table)?;
    let grid = table.grid()?;
    let seats = names
        .into_iter()
        .zip(table.columns)
        .map(|(name, levels_db)| Seat { name, levels_db })
        .collect();
    finished(&file, grid, seats, vec![read], vec![file.clone()])
}

fn names_of(table: &Table) -> Result<Vec<String>> {
    let Some(header) = &table.header else {
        return Ok((1..=table.columns.len())
            .map(|n| format!("seat {n}"))
            .collect());
    };
    let mut names: Vec<String> = Vec::new();
    for (number, name) in (1..).zip(&header.names[1..]) {
        let text = match name.text.trim() {
            "" => format!("seat {number}"),
            text => text.to_string(),
        };
        if ["phase", "deg"]
            .iter()
            .any(|w| text.to_lowercase().contains(w))
        {
            return Err(table.wrong_name(
                name,
                format!("the column {}", shown(&text)),
                "levels in dB only, one column for each seat",
            ));
        }
        if names.contains(&text) {
            return Err(table.wrong_name(
                name,
                format!("a second seat named {}", shown(&text)),
                "every seat once",
            ));
        }
        names.push(text);
    }
    Ok(names)
}

fn finished(
    path: &Path,
    grid: Grid,
    seats: Vec<Seat>,
    inputs: Vec<InputFile>,
    places: Vec<PathBuf>,
) -> Result<SeatsRead> {
    let levels = SeatLevels::new(grid, seats)
        .ok_or_else(|| Error::in_file(path, "no seats", "a column of levels for each seat"))?;
    Ok(SeatsRead {
        levels,
        inputs,
        places,
    })
}

/// The tables in a folder, by their names in `input`.
fn tables_in(input: &dyn Input, folder: &Path) -> Result<Vec<PathBuf>> {
    let shown = input.shown(folder);
    let failed = |source| Error::file(&shown, "read", source);
    let mut files: Vec<PathBuf> = Vec::new();
    for listed in input.list(folder).map_err(failed)? {
        let listed = listed.map_err(failed)?;
        let ending = listed.name.extension();
        let known =
            ending.is_some_and(|e| ENDINGS.contains(&e.to_string_lossy().to_lowercase().as_str()));
        let hidden = listed.name.to_string_lossy().starts_with('.');
        if known && !hidden && listed.is_file {
            files.push(folder.join(listed.name));
        }
        if files.len() > MOST_SEATS {
            return Err(Error::in_file(
                &shown,
                format!("more than {MOST_SEATS} tables"),
                "one table for each seat of a room",
            ));
        }
    }
    if files.is_empty() {
        return Err(Error::in_file(
            &shown,
            "no table",
            "one table for each seat, ending in .txt, .csv, .tsv or .dat",
        ));
    }
    files.sort();
    Ok(files)
}

fn read_folder(input: &dyn Input, folder: &Path) -> Result<SeatsRead> {
    let (mut inputs, mut places) = (Vec::new(), Vec::new());
    let mut read: Vec<(String, Grid, Vec<f64>)> = Vec::new();
    for file in tables_in(input, folder)? {
        let source = Source::read(input, &file)?;
        inputs.push(input_of(&source));
        places.push(source.file.clone());
        let table = Table::parse(source, &ONE_ANGLE)?;
        let grid = table.grid()?;
        let levels_db = table.columns.into_iter().next().unwrap_or_default();
        read.push((stem(&file, "seat"), grid, levels_db));
    }
    let shown = &input.shown(folder);
    let first_hz = read.iter().map(|r| r.1.first_hz()).fold(0.0, f64::max);
    let last_hz = read
        .iter()
        .map(|r| r.1.last_hz())
        .fold(f64::INFINITY, f64::min);
    if last_hz < 2.0 * first_hz {
        return Err(Error::in_file(
            shown,
            "seats that have less than an octave in common",
            "all seats measured over the same range",
        ));
    }
    let same = read.windows(2).all(|pair| pair[0].1 == pair[1].1);
    let grid = if same {
        read[0].1.clone()
    } else {
        let densest = read.iter().map(|r| r.1.points_per_octave());
        let per_octave = densest.fold(1.0, f64::max).min(POINTS_PER_OCTAVE);
        Grid::logarithmic(first_hz, last_hz, per_octave)
    };
    let seats = read
        .into_iter()
        .map(|(name, own, levels_db)| Seat {
            name,
            levels_db: resample_db(&own, &levels_db, &grid)
                .into_iter()
                .map(|level| level.unwrap_or(f64::NAN))
                .collect(),
        })
        .collect();
    finished(shown, grid, seats, inputs, places)
}
