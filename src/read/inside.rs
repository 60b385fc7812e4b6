//! Paths that stay inside the speaker folder.

use super::document::{Section, Spot};
use super::text::{nearest, shown};
use crate::error::{Error, Result};
use std::path::{Component, Path, PathBuf};

/// What a path of speaker.toml must lead to.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Leads {
    ToFile,
    ToFolder,
}

/// The path `relative`, written in `section`, below `folder`.
///
/// Refused, at its place in the file: absolute paths, `..`, what does not exist, what is no
/// regular file (or folder), and links that leave the folder.
pub(super) fn resolve(
    folder: &Path,
    section: &Section,
    relative: &Spot<String>,
    leads: Leads,
) -> Result<PathBuf> {
    let wrong = |found: String, expected: &str| section.wrong(relative.at, found, expected);
    let path = checked(&relative.value)
        .ok_or_else(|| wrong(shown(&relative.value), "a path inside the speaker folder"))?;
    let full = folder.join(&path);
    let wanted = match leads {
        Leads::ToFile => "a file in the speaker folder",
        Leads::ToFolder => "a folder in the speaker folder",
    };
    let Ok(real) = full.canonicalize() else {
        let error = wrong(
            format!("{}, which does not exist", shown(&relative.value)),
            wanted,
        );
        return Err(match similar(folder, &path) {
            Some(name) => error.with_hint(format!("did you mean {}?", shown(&name))),
            None => error,
        });
    };
    if !is_below(folder, &real)? {
        return Err(wrong(
            format!("{}, a link out of the folder", shown(&relative.value)),
            "a path inside the speaker folder",
        ));
    }
    let right = match leads {
        Leads::ToFile => real.is_file(),
        Leads::ToFolder => real.is_dir(),
    };
    if !right {
        return Err(wrong(shown(&relative.value), wanted));
    }
    Ok(full)
}

/// Whether the real path `real` lies below `folder`, links followed.
pub(super) fn is_below(folder: &Path, real: &Path) -> Result<bool> {
    let root = folder
        .canonicalize()
        .map_err(|source| Error::file(folder, "read", source))?;
    Ok(real.starts_with(root))
}

/// A relative path without steps upward, the same on every system; `None` for any other.
pub(super) fn checked(relative: &str) -> Option<PathBuf> {
    let path = Path::new(relative);
    let plain = !relative.is_empty()
        && !relative.contains(['\\', '\0', ':'])
        && path
            .components()
            .all(|part| matches!(part, Component::Normal(_) | Component::CurDir))
        && path
            .components()
            .any(|part| matches!(part, Component::Normal(_)));
    plain.then(|| path.to_path_buf())
}

/// A misspelt file name may differ from the one offered by one stroke, and by one more for every
/// so many characters.
const CHARACTERS_PER_STROKE: usize = 4;

fn similar(folder: &Path, path: &Path) -> Option<String> {
    let wanted = path.file_name()?.to_str()?;
    let parent = folder.join(path.parent()?);
    let mut names: Vec<String> = std::fs::read_dir(parent)
        .ok()?
        .filter_map(|entry| entry.ok()?.file_name().into_string().ok())
        .filter(|name| name != "speaker.toml")
        .collect();
    names.sort();
    let refs: Vec<&str> = names.iter().map(String::as_str).collect();
    nearest(wanted, &refs)
        .filter(|name| {
            let strokes = 1 + wanted.chars().count() / CHARACTERS_PER_STROKE;
            strsim::damerau_levenshtein(wanted, name) <= strokes
        })
        .map(str::to_string)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn paths_that_could_leave_the_folder_are_refused() {
        for path in [
            "",
            "/etc/passwd",
            "../a",
            "a/../../b",
            "c:\\x",
            "a\\b",
            ".",
            "a\0b",
        ] {
            assert!(checked(path).is_none(), "{path:?}");
        }
        for path in ["a.csv", "./a.csv", "sub/a.csv", "..a"] {
            assert!(checked(path).is_some(), "{path:?}");
        }
    }
}
