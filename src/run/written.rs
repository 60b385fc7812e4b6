//! The files of a plan on the disk, and the demo speakers.

use super::demo::demo_files;
use super::files::{PictureFormat, SUBWOOFER_LIST, UNIT_LISTS, plan_files};
use super::speaker::Speaker;
use crate::error::{Error, Result};
use crate::export;
use crate::predict::Plan;
use crate::read::folder::InputFile;
use std::path::{Path, PathBuf};

/// Where a plan is written unless told otherwise: `plan` inside the speaker folder.
///
/// # Errors
/// When a link stands there: a folder from somebody else must not choose where files are written.
pub fn default_out(speaker: &Path) -> Result<PathBuf> {
    let folder = if speaker.is_dir() {
        speaker
    } else {
        speaker.parent().unwrap_or(Path::new("."))
    };
    let out = folder.join("plan");
    match out.symlink_metadata() {
        Ok(found) if found.is_symlink() => {
            Err(Error::in_file(&out, "a link", "a folder, or nothing yet")
                .with_hint("name the folder for the plan with --out"))
        }
        _ => Ok(out),
    }
}

/// Writes `filters.txt`, `plan.json`, `curves.csv` and `report.html` of a plan into `out`,
/// `filters_unit_1.txt` and `filters_unit_2.txt` where each unit of a pair has a plan of its own, and
/// its pictures where a format is named, each whole or not at all; the paths written. `command`
/// is what the user typed, for the report.
///
/// # Errors
/// When the device's numbers cannot be listed or the system refuses.
pub fn write_plan(
    plan: &Plan,
    speaker: &Speaker,
    command: &str,
    pictures: Option<PictureFormat>,
    out: &Path,
) -> Result<Vec<PathBuf>> {
    let files = plan_files(plan, speaker, command, pictures)?;
    for (name, _) in &files {
        spare_input(&out.join(name), speaker)?;
    }
    let files: Vec<(&str, &[u8])> = files
        .iter()
        .map(|(name, content)| (name.as_str(), content.as_slice()))
        .collect();
    let written = export::files::write_all(out, &files)?;
    clear_older_lists(out, &written)?;
    Ok(written)
}

/// Filter lists that only some plans have.
const LISTS_OF_SOME: [&str; 3] = [SUBWOOFER_LIST, UNIT_LISTS[0], UNIT_LISTS[1]];

/// Takes away lists that an earlier plan left in `out` and this one, which has `written`, does not
/// have: beside new filters they would be loaded as if they belonged to them. A file of such a name
/// that is no filter list is somebody else's and stays.
fn clear_older_lists(out: &Path, written: &[PathBuf]) -> Result<()> {
    for place in LISTS_OF_SOME.map(|name| out.join(name)) {
        if !written.contains(&place) && crate::read::filter_list::read(&place).is_ok() {
            std::fs::remove_file(&place)
                .map_err(|source| Error::file(&place, "take away", source))?;
        }
    }
    Ok(())
}

/// Refuses a place where a file of the measurement stands, under whatever name.
fn spare_input(place: &Path, speaker: &Speaker) -> Result<()> {
    let Ok(standing) = place.canonicalize() else {
        return Ok(());
    };
    let is_input = |input: &InputFile| {
        let own = speaker.folder.folder.join(&input.path);
        own.canonicalize().is_ok_and(|own| own == standing)
    };
    let is_spared = |own: &PathBuf| own.canonicalize().is_ok_and(|own| own == standing);
    if speaker.folder.inputs.iter().any(is_input) || speaker.spared.iter().any(is_spared) {
        return Err(
            Error::in_file(place, "a file of the measurement", "a place for the plan")
                .with_hint("choose another folder with --out"),
        );
    }
    Ok(())
}

/// Writes the demo speakers as folders into `dir`; the folders written.
///
/// # Errors
/// When the system refuses.
pub fn write_demo(dir: &Path) -> Result<Vec<PathBuf>> {
    let mut folders = Vec::new();
    for (folder, files) in demo_files()? {
        let files: Vec<(&str, &[u8])> = files
            .iter()
            .map(|(name, text)| (name.as_str(), text.as_bytes()))
            .collect();
        let folder = dir.join(folder);
        export::files::write_all(&folder, &files)?;
        folders.push(folder);
    }
    Ok(folders)
}
