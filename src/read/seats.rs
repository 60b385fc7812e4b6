//! Levels at the seats of a room: one table with a column for each seat, or a folder with a table
//! for each.
//!
//! Levels may stand at any reference, each seat at its own. A header names the seats; without one
//! they are numbered. In a folder the files (`.txt`, `.csv`, `.tsv`, `.dat`) name them, each holds
//! frequency, level and perhaps phase, and their grids may differ.

use super::folder::InputFile;
use super::table::{Column, LEVEL, PHASE, Shape, Table};
use super::text::{Source, shown};
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

const ONE_SEAT: Shape = Shape {
    columns: &[LEVEL, PHASE],
    width: (2, 3),
    named: false,
    keys: 1,
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

/// Reads a table of seats, or a folder with one table for each.
///
/// # Errors
/// When nothing can be read, a table is none, two seats have one name, a column holds phase, or
/// the seats of a folder have no octave in common.
pub fn read(path: &Path) -> Result<SeatsRead> {
    if path.is_dir() {
        read_folder(path)
    } else {
        read_table(path)
    }
}

fn input_of(source: &Source) -> InputFile {
    let name = source.file.file_name().map(PathBuf::from);
    InputFile {
        path: name.unwrap_or_else(|| source.file.clone()),
        bytes: source.bytes,
        sha256: source.sha256.clone(),
    }
}

fn read_table(file: &Path) -> Result<SeatsRead> {
    let source = Source::read(file)?;
    let input = input_of(&source);
    let table = match Table::parse(source.clone(), &NAMED) {
        Ok(table) => table,
        // Without a header seats are numbered; with one, its own fault is told.
        Err(named) => match Table::parse(source, &UNNAMED) {
            Ok(table) if table.header.is_none() => table,
            _ => return Err(named),
        },
    };
    let names = names_of(&table)?;
    let grid = grid_of(&table)?;
    let seats = names
        .into_iter()
        .zip(table.columns)
        .map(|(name, levels_db)| Seat { name, levels_db })
        .collect();
    finished(file, grid, seats, vec![input], vec![file.to_path_buf()])
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

fn grid_of(table: &Table) -> Result<Grid> {
    Grid::new(table.freqs_hz.clone())
        .ok_or_else(|| table.wrong_end("frequencies that make no axis", "ascending frequencies"))
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

fn read_folder(folder: &Path) -> Result<SeatsRead> {
    let failed = |source| Error::file(folder, "read", source);
    let mut files: Vec<PathBuf> = Vec::new();
    for entry in std::fs::read_dir(folder).map_err(failed)? {
        let path = entry.map_err(failed)?.path();
        let ending = path.extension().map(|e| e.to_string_lossy().to_lowercase());
        let known = ending.is_some_and(|e| ENDINGS.contains(&e.as_str()));
        let hidden = path
            .file_name()
            .is_some_and(|name| name.to_string_lossy().starts_with('.'));
        if known && !hidden && path.is_file() {
            files.push(path);
        }
        if files.len() > MOST_SEATS {
            return Err(Error::in_file(
                folder,
                format!("more than {MOST_SEATS} tables"),
                "one table for each seat of a room",
            ));
        }
    }
    files.sort();
    if files.is_empty() {
        return Err(Error::in_file(
            folder,
            "no table",
            "one table for each seat, ending in .txt, .csv, .tsv or .dat",
        ));
    }
    let mut inputs = Vec::new();
    let mut read: Vec<(String, Grid, Vec<f64>)> = Vec::new();
    for file in &files {
        let source = Source::read(file)?;
        inputs.push(input_of(&source));
        let table = Table::parse(source, &ONE_SEAT)?;
        let grid = grid_of(&table)?;
        let name = file
            .file_stem()
            .map_or_else(|| "seat".into(), |stem| stem.to_string_lossy())
            .into_owned();
        let levels_db = table.columns.into_iter().next().unwrap_or_default();
        read.push((name, grid, levels_db));
    }
    let first_hz = read.iter().map(|r| r.1.first_hz()).fold(0.0, f64::max);
    let last_hz = read
        .iter()
        .map(|r| r.1.last_hz())
        .fold(f64::INFINITY, f64::min);
    if last_hz < 2.0 * first_hz {
        return Err(Error::in_file(
            folder,
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
    finished(folder, grid, seats, inputs, files)
}
