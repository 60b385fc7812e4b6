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
use super::folder::Folder;
use super::forms::{self, Found};
use super::impulses;
use super::orbits::{self, ONE_ANGLE, WIDE_LEVELS, WIDE_PHASES};
use super::text::shown;
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
}

/// Refuses more files of one direction each than two orbits can have.
fn not_too_many(folder: &Folder, count: usize) -> Result<()> {
    if count > 2 * orbits::MOST_ANGLES {
        return Err(Error::in_file(
            folder.root(),
            format!("{count} files whose names say an angle"),
            format!(
                "at most {} files, one for each angle",
                2 * orbits::MOST_ANGLES
            ),
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

const NO_ORBIT: &str = "the names say no orbit; all angles are taken as horizontal";

pub(super) fn read(folder: &mut Folder, notes: &mut Vec<String>) -> Result<Found> {
    let candidates = Candidate::all(folder, &TABLES)?;
    let sounds = Candidate::all(folder, &SOUNDS)?;
    if candidates.is_empty()
        && sounds.is_empty()
        && let Some(name) = only_sofa(folder)?
    {
        notes.push(format!(
            "there is no speaker.toml; {} is read",
            shown(&name)
        ));
        let file = folder.below(&name)?;
        return forms::from_sofa(folder, &file, notes);
    }
    notes.push("there is no speaker.toml; angles were taken from names".to_string());
    let named = named(&candidates);
    let by_orbit = |candidate: &Candidate| angle::orbit_named(&candidate.stem);
    let is_table = |c: &Candidate| by_orbit(c).is_some() || c.bare().is_some();
    if named.iter().all(Option::is_none)
        && !candidates.iter().any(is_table)
        && let Some(found) = impulses_named(folder, &sounds, &candidates, notes)?
    {
        return Ok(found);
    }
    let mut pieces = Vec::new();
    let mut left_out = Vec::new();
    not_too_many(folder, named.iter().flatten().count())?;
    let form = if named.iter().any(Option::is_some) {
        for (candidate, named) in candidates.iter().zip(&named) {
            match named {
                Some(direction) => {
                    let table = folder.table_below(&candidate.name, &ONE_ANGLE)?;
                    pieces.push(orbits::single(table, *direction)?);
                }
                None => left_out.push(shown(&candidate.name)),
            }
        }
        "one file per angle, by their names"
    } else if candidates.iter().any(|c| by_orbit(c).is_some()) {
        let is_phase = |c: &&Candidate| angle::says_phase(&c.stem);
        for candidate in candidates.iter().filter(|c| !is_phase(c)) {
            match by_orbit(candidate) {
                Some(orbit) => {
                    let table = folder.table_below(&candidate.name, &WIDE_LEVELS)?;
                    let phase = candidates
                        .iter()
                        .filter(is_phase)
                        .find(|phase| by_orbit(phase) == Some(orbit))
                        .map(|phase| folder.table_below(&phase.name, &WIDE_PHASES))
                        .transpose()?;
                    pieces.push(orbits::wide(table, phase, orbit, notes)?);
                }
                None => left_out.push(shown(&candidate.name)),
            }
        }
        "wide orbit tables, by their names"
    } else if let [only] = &candidates[..]
        && only.bare().is_none()
        && let Ok(table) = folder.table_below(&only.name, &WIDE_LEVELS)
        && let Some(found) = orbits::wide_by_header(table, notes)?
    {
        pieces = found;
        "one wide table, by its header"
    } else {
        not_too_many(
            folder,
            candidates.iter().filter_map(Candidate::bare).count(),
        )?;
        for candidate in &candidates {
            match candidate.bare() {
                Some(direction) => {
                    let table = folder.table_below(&candidate.name, &ONE_ANGLE)?;
                    pieces.push(orbits::single(table, direction)?);
                }
                None => left_out.push(shown(&candidate.name)),
            }
        }
        notes.push(NO_ORBIT.to_string());
        "one file per angle, by their names"
    };
    if pieces.is_empty() {
        return Err(Error::in_file(
            folder.root(),
            "no speaker.toml and no file whose name says an angle",
            "speaker.toml, or files named like h_30.txt, v_-10.csv, 30L.txt, horizontal.csv, h_30.wav",
        ));
    }
    note_left_out(&left_out, notes);
    if !sounds.is_empty() {
        notes.push("tables were read, the sound files beside them were not".to_string());
    }
    Found::joined(form, pieces, notes)
}

/// So many files are told by name when they are left out.
const MOST_TOLD: usize = 20;

fn note_left_out(left_out: &[String], notes: &mut Vec<String>) {
    if !left_out.is_empty() {
        let told = &left_out[..left_out.len().min(MOST_TOLD)];
        let more = match left_out.len() - told.len() {
            0 => String::new(),
            more => format!(" and {more} more"),
        };
        notes.push(format!(
            "left out, since the names say no angle: {}{more}",
            told.join(", ")
        ));
    }
}

/// Impulse responses in `sounds` whose names say their angles; `None` where none does. `tables`
/// are told as left out.
fn impulses_named(
    folder: &mut Folder,
    sounds: &[Candidate],
    tables: &[Candidate],
    notes: &mut Vec<String>,
) -> Result<Option<Found>> {
    let mut directions = named(sounds);
    if directions.iter().all(Option::is_none) {
        directions = sounds.iter().map(Candidate::bare).collect();
        if directions.iter().any(Option::is_some) {
            notes.push(NO_ORBIT.to_string());
        }
    }
    let mut left_out: Vec<String> = tables.iter().map(|c| shown(&c.name)).collect();
    let mut files = Vec::new();
    for (sound, direction) in sounds.iter().zip(directions) {
        match direction {
            Some(direction) => files.push((direction, sound.name.clone())),
            None => left_out.push(shown(&sound.name)),
        }
    }
    if files.is_empty() {
        return Ok(None);
    }
    not_too_many(folder, files.len())?;
    note_left_out(&left_out, notes);
    impulses::by_name(folder, &files, notes).map(Some)
}

/// The name of the one SOFA file of the folder, if there is just one.
fn only_sofa(folder: &Folder) -> Result<Option<String>> {
    let mut names = folder
        .file_names("")?
        .into_iter()
        .filter(|name| name.to_lowercase().ends_with(".sofa") && !name.starts_with('.'));
    Ok(names.next().filter(|_| names.next().is_none()))
}
