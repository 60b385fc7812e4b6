//! A folder without speaker.toml whose files make their angles plain by name.
//!
//! Looked at are files ending in `.txt`, `.csv`, `.tsv` or `.dat`, hidden ones left
//! out. In this order, the first that applies:
//! 1. names that hold an orbit and an angle (see `angle`): one file per angle;
//! 2. names that hold an orbit word and no angle (`horizontal.csv`): wide tables, and beside them
//!    those that also say phase (`horizontal_phase.csv`);
//! 3. a single file whose header names angles with their orbits (`H-30`, `V10`): a wide table of
//!    both orbits;
//! 4. names that are nothing but an angle (`-30.txt`): one file per angle, horizontal.
//!
//! Where no such file says an angle or an orbit, `.wav` files that do (by rule 1, else by rule 4)
//! are read as impulse responses. Where there is no such file at all but one `.sofa` file, that is
//! read.
//!
//! Files whose names say nothing of the kind are left out, and a note says so.

use super::angle;
use super::forms;
use super::found::Found;
use super::impulses;
use super::opened::Folder;
use super::orbits::{self, MOST_ANGLES, ONE_ANGLE, Piece, WIDE_LEVELS, WIDE_PHASES};
use super::understood::{Note, ReadAs};
use crate::error::{Error, Result};
use crate::response::{Direction, Orbit};

/// Endings of tables.
const TABLES: [&str; 4] = ["txt", "csv", "tsv", "dat"];

/// Endings of sound files.
const SOUNDS: [&str; 1] = ["wav"];

struct Candidate {
    name: String,
    stem: String,
}

impl Candidate {
    /// The files of the folder with one of `endings`, hidden ones left out.
    fn all(folder: &Folder, endings: &[&str]) -> Result<Vec<Candidate>> {
        let found = folder.file_names("")?.into_iter().filter_map(|name| {
            let (stem, ending) = name.rsplit_once('.')?;
            let known = endings.contains(&ending.to_lowercase().as_str());
            (known && !name.starts_with('.')).then(|| Candidate {
                stem: stem.to_string(),
                name: name.clone(),
            })
        });
        Ok(found.collect())
    }

    /// The direction of a name that is nothing but an angle.
    fn bare(&self) -> Option<Direction> {
        angle::plain(&self.stem).map(|angle_deg| Direction::new(Orbit::Horizontal, angle_deg))
    }

    /// The orbit that a name says.
    fn orbit(&self) -> Option<Orbit> {
        angle::orbit_named(&self.stem)
    }
}

/// Refuses more files of one direction each than two orbits can have.
fn not_too_many(folder: &Folder, directions: &[Option<Direction>]) -> Result<()> {
    let count = directions.iter().flatten().count();
    if count > 2 * MOST_ANGLES {
        return Err(Error::in_file(
            folder.input.root(),
            format!("{count} files whose names say an angle"),
            format!("at most {} files, one for each angle", 2 * MOST_ANGLES),
        ));
    }
    Ok(())
}

/// The directions that names say with their orbits, one for each candidate.
fn named(candidates: &[Candidate]) -> Vec<Option<Direction>> {
    let stems: Vec<&str> = candidates.iter().map(|c| c.stem.as_str()).collect();
    angle::named_among(&stems)
        .into_iter()
        .map(|named| named.map(|named| Direction::new(named.orbit, named.angle_deg)))
        .collect()
}

pub(super) fn read(folder: &mut Folder) -> Result<Found> {
    let tables = Candidate::all(folder, &TABLES)?;
    let sounds = Candidate::all(folder, &SOUNDS)?;
    if tables.is_empty()
        && sounds.is_empty()
        && let Some(file) = only_sofa(folder)?
    {
        folder
            .notes
            .push(Note::SofaFileAlone { file: file.clone() });
        folder.below(file.as_ref())?;
        return forms::from_sofa(folder, file.as_ref());
    }
    folder.notes.push(Note::AnglesFromNames);
    let directions = named(&tables);
    let says_nothing = |c: &Candidate| c.orbit().is_none() && c.bare().is_none();
    if directions.iter().all(Option::is_none)
        && tables.iter().all(says_nothing)
        && let Some(found) = impulses_named(folder, &sounds, &tables)?
    {
        return Ok(found);
    }
    let read = tables_named(folder, &tables, &directions)?;
    if read.pieces.is_empty() {
        return Err(Error::in_file(
            folder.input.root(),
            "no speaker.toml and no file whose name says an angle",
            "speaker.toml, or files named like h_30.txt, v_-10.csv, 30L.txt, horizontal.csv, h_30.wav",
        ));
    }
    note_left_out(folder, read.left_out);
    if !sounds.is_empty() {
        folder.notes.push(Note::SoundsNotRead);
    }
    Found::joined(read.form, read.pieces, &mut folder.notes)
}

/// Tables that were read, and the names of those that say nothing.
struct TablesRead {
    form: ReadAs,
    pieces: Vec<Piece>,
    left_out: Vec<String>,
}

/// The tables by the first rule that applies; `directions` are what their names say with orbits.
fn tables_named(
    folder: &mut Folder,
    tables: &[Candidate],
    directions: &[Option<Direction>],
) -> Result<TablesRead> {
    if directions.iter().any(Option::is_some) {
        return one_each(folder, tables, directions);
    }
    if tables.iter().any(|table| table.orbit().is_some()) {
        return one_for_each_orbit(folder, tables);
    }
    if let [only] = tables
        && only.bare().is_none()
        && let Ok(table) = folder.table_below(&only.name, &WIDE_LEVELS)
        && let Some(pieces) = orbits::wide_by_header(table, &mut folder.notes)?
    {
        return Ok(TablesRead {
            form: ReadAs::WideTableByHeader,
            pieces,
            left_out: Vec::new(),
        });
    }
    let bare: Vec<Option<Direction>> = tables.iter().map(Candidate::bare).collect();
    let read = one_each(folder, tables, &bare)?;
    folder.notes.push(Note::NamesWithoutOrbit);
    Ok(read)
}

/// Tables of one direction each.
fn one_each(
    folder: &mut Folder,
    tables: &[Candidate],
    directions: &[Option<Direction>],
) -> Result<TablesRead> {
    not_too_many(folder, directions)?;
    let (mut pieces, mut left_out) = (Vec::new(), Vec::new());
    for (candidate, direction) in tables.iter().zip(directions) {
        match direction {
            Some(direction) => {
                let table = folder.table_below(&candidate.name, &ONE_ANGLE)?;
                pieces.push(orbits::single(table, *direction)?);
            }
            None => left_out.push(candidate.name.clone()),
        }
    }
    Ok(TablesRead {
        form: ReadAs::AngleFilesByName,
        pieces,
        left_out,
    })
}

/// Wide tables, each with its table of phases where there is one.
fn one_for_each_orbit(folder: &mut Folder, tables: &[Candidate]) -> Result<TablesRead> {
    let (mut pieces, mut left_out) = (Vec::new(), Vec::new());
    let (phases, levels): (Vec<&Candidate>, Vec<&Candidate>) = tables
        .iter()
        .partition(|candidate| angle::says_phase(&candidate.stem));
    for candidate in levels {
        let Some(orbit) = candidate.orbit() else {
            left_out.push(candidate.name.clone());
            continue;
        };
        let table = folder.table_below(&candidate.name, &WIDE_LEVELS)?;
        let phase = phases
            .iter()
            .find(|phase| phase.orbit() == Some(orbit))
            .map(|phase| folder.table_below(&phase.name, &WIDE_PHASES))
            .transpose()?;
        pieces.push(orbits::wide(table, phase, orbit, &mut folder.notes)?);
    }
    Ok(TablesRead {
        form: ReadAs::WideTablesByName,
        pieces,
        left_out,
    })
}

fn note_left_out(folder: &mut Folder, files: Vec<String>) {
    if !files.is_empty() {
        folder.notes.push(Note::LeftOut { files });
    }
}

/// Impulse responses in `sounds` whose names say their angles; `None` where none does. `tables`
/// are noted as left out.
fn impulses_named(
    folder: &mut Folder,
    sounds: &[Candidate],
    tables: &[Candidate],
) -> Result<Option<Found>> {
    let mut directions = named(sounds);
    if directions.iter().all(Option::is_none) {
        directions = sounds.iter().map(Candidate::bare).collect();
        if directions.iter().any(Option::is_some) {
            folder.notes.push(Note::NamesWithoutOrbit);
        }
    }
    let mut left_out: Vec<String> = tables.iter().map(|c| c.name.clone()).collect();
    let mut files = Vec::new();
    for (sound, direction) in sounds.iter().zip(&directions) {
        match direction {
            Some(direction) => files.push((*direction, sound.name.clone())),
            None => left_out.push(sound.name.clone()),
        }
    }
    if files.is_empty() {
        return Ok(None);
    }
    not_too_many(folder, &directions)?;
    note_left_out(folder, left_out);
    impulses::by_name(folder, &files).map(Some)
}

/// The name of the one SOFA file of the folder, if there is just one.
fn only_sofa(folder: &Folder) -> Result<Option<String>> {
    let mut names = folder
        .file_names("")?
        .into_iter()
        .filter(|name| name.to_lowercase().ends_with(".sofa") && !name.starts_with('.'));
    Ok(names.next().filter(|_| names.next().is_none()))
}
