//! File names with a place for the angle, as in `h_{angle}.txt`.

use super::angle;
use super::document::{Section, Spot};
use super::opened::{Folder, Leads};
use super::orbits::MOST_ANGLES;
use super::text::shown;
use super::understood::Note;
use crate::error::Result;
use crate::response::{Direction, Orbit};

/// What stands for the angle in a pattern.
const PLACEHOLDER: &str = "{angle}";

/// The files that the pattern of an orbit in `section` fits, with their directions; none without
/// a pattern. A name where no angle stands for the placeholder is left out, with a note.
pub(super) fn files(
    folder: &mut Folder,
    section: &Section,
    orbit: Orbit,
) -> Result<Vec<(Direction, String)>> {
    match section.text(orbit.name())? {
        Some(pattern) => matching(folder, section, orbit, &pattern),
        None => Ok(Vec::new()),
    }
}

fn matching(
    folder: &mut Folder,
    section: &Section,
    orbit: Orbit,
    pattern: &Spot<String>,
) -> Result<Vec<(Direction, String)>> {
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
    for file in folder.file_names(below)? {
        let Some(middle) = file
            .strip_prefix(before)
            .and_then(|rest| rest.strip_suffix(after))
        else {
            continue;
        };
        let Some(angle_deg) = angle::in_pattern(middle, orbit) else {
            let instead = middle.to_string();
            folder.notes.push(Note::NoAngle { file, instead });
            continue;
        };
        if found.len() == MOST_ANGLES {
            return Err(wrong(&format!(
                "a pattern that fits at most {MOST_ANGLES} files"
            )));
        }
        let relative = if below.is_empty() {
            file
        } else {
            format!("{below}/{file}")
        };
        found.push((Direction::new(orbit, angle_deg), relative));
    }
    if found.is_empty() {
        return Err(wrong("a pattern that fits files of the speaker folder"));
    }
    Ok(found)
}
