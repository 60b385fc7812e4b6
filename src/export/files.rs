//! Putting output on the disk, each file whole or not at all.

use super::exchange::Staged;
use super::temporary;
use crate::error::{Error, Result};
use std::fs::File;
use std::io::{ErrorKind, Write};
use std::path::{Component, Path, PathBuf};
use tempfile::NamedTempFile;

/// A file that is being written beside its later place, which it takes only in [`place`]; it
/// vanishes when dropped before.
#[derive(Debug)]
pub struct Pending {
    path: PathBuf,
    temporary: NamedTempFile,
}

impl Pending {
    /// An empty file for `path`, whose folder must exist.
    ///
    /// # Errors
    /// When `path` names no file, something that is no ordinary file stands in its place, or the
    /// system refuses.
    pub fn beside(path: &Path) -> Result<Pending> {
        let (Some(dir), Some(_)) = (path.parent(), path.file_name()) else {
            return Err(Error::call(format!(
                "\"{}\" is no name of a file",
                path.display()
            )));
        };
        free_for_a_file(path)?;
        let temporary =
            temporary::file(dir).map_err(|source| Error::file(path, "write", source))?;
        Ok(Pending {
            path: path.to_path_buf(),
            temporary,
        })
    }

    /// The file to write to.
    pub fn file(&mut self) -> &mut File {
        self.temporary.as_file_mut()
    }
}

/// Brings files that were written in full to their places, once all of them are on the disk.
///
/// # Errors
/// When the system refuses, or something that is no ordinary file has come into a place.
pub fn place(files: Vec<Pending>) -> Result<()> {
    for Pending { path, temporary } in &files {
        let on_disk = temporary.as_file().sync_all();
        on_disk.map_err(|source| Error::file(path, "write", source))?;
        free_for_a_file(path)?;
    }
    for Pending { path, temporary } in files {
        if let Err(error) = temporary.persist(&path) {
            return Err(Error::file(&path, "write", error.error));
        }
    }
    Ok(())
}

/// Writes every `(name, content)` into `dir`, which is made where it is missing; the paths
/// written, in the order of `files`.
///
/// The files appear all at once where the system can do that (see `exchange`), and else one after
/// the other once all of them are on the disk; so a full disk leaves earlier output as it was, and
/// so does being killed. No temporary file and no new folder stays behind a failure.
///
/// # Errors
/// When a name is not that of a plain file, a folder stands in its place, or the system refuses.
pub fn write_all(dir: &Path, files: &[(&str, &[u8])]) -> Result<Vec<PathBuf>> {
    if let Some((name, _)) = files.iter().find(|(name, _)| !is_plain_name(name)) {
        return Err(Error::call(format!("\"{name}\" is no name of a file")));
    }
    let paths: Vec<PathBuf> = files.iter().map(|(name, _)| dir.join(name)).collect();
    let names: Vec<&str> = files.iter().map(|(name, _)| *name).collect();
    if dir.is_dir() {
        for path in &paths {
            free_for_a_file(path)?;
        }
        // A folder that is not to be written to must not be exchanged for one that is.
        temporary::file(dir).map_err(|source| Error::file(dir, "write into", source))?;
        // A single file changes in one step as it is.
        let staged = match files.len() {
            0 | 1 => None,
            _ => Staged::write(dir, files)?,
        };
        if !staged.is_some_and(|staged| staged.exchange(&names)) {
            one_by_one(&paths, files)?;
        }
        return Ok(paths);
    }
    let made = match dir.parent() {
        Some(parent) if !parent.as_os_str().is_empty() => make_folder(parent, dir)?,
        _ => Vec::new(),
    };
    let written = Staged::write(dir, files).and_then(|staged| {
        if staged.is_some_and(Staged::place) {
            return Ok(());
        }
        let made = make_folder(dir, dir)?;
        let written = one_by_one(&paths, files);
        if written.is_err() {
            remove_empty(&made);
        }
        written
    });
    if written.is_err() {
        remove_empty(&made);
    }
    written.map(|()| paths)
}

fn is_plain_name(name: &str) -> bool {
    let mut parts = Path::new(name).components();
    matches!(
        (parts.next(), parts.next()),
        (Some(Component::Normal(part)), None) if part == name
    )
}

/// Makes `dir` for the sake of `wanted`, which is named when that fails; the folders that this
/// made, the innermost first.
fn make_folder(dir: &Path, wanted: &Path) -> Result<Vec<PathBuf>> {
    let made: Vec<PathBuf> = dir
        .ancestors()
        .take_while(|folder| !folder.as_os_str().is_empty() && !folder.exists())
        .map(Path::to_path_buf)
        .collect();
    std::fs::create_dir_all(dir).map_err(|source| {
        remove_empty(&made);
        Error::file(wanted, "make this folder", source)
    })?;
    Ok(made)
}

/// Takes back folders just made, the innermost first. One that something else has filled
/// meanwhile, or that was never made, refuses, which is as it should be.
fn remove_empty(folders: &[PathBuf]) {
    for folder in folders {
        let _ = std::fs::remove_dir(folder);
    }
}

/// Writes files beside their places and then brings them there.
fn one_by_one(paths: &[PathBuf], files: &[(&str, &[u8])]) -> Result<()> {
    let mut waiting = Vec::with_capacity(files.len());
    for (path, (_, content)) in paths.iter().zip(files) {
        let mut pending = Pending::beside(path)?;
        let written = pending.file().write_all(content);
        written.map_err(|source| Error::file(path, "write", source))?;
        waiting.push(pending);
    }
    place(waiting)
}

/// Refuses a place where a rename would fail, before the first file has been replaced.
fn free_for_a_file(path: &Path) -> Result<()> {
    match std::fs::symlink_metadata(path) {
        Ok(found) if found.is_dir() => {
            let source = std::io::Error::from(ErrorKind::IsADirectory);
            Err(Error::file(path, "write", source))
        }
        // A rename would put an ordinary file where a device or a pipe was.
        Ok(found) if !found.is_file() && !found.is_symlink() => {
            let source = std::io::Error::new(ErrorKind::InvalidInput, "it is no ordinary file");
            Err(Error::file(path, "write", source))
        }
        Ok(_) => Ok(()),
        Err(error) if error.kind() == ErrorKind::NotFound => Ok(()),
        Err(error) => Err(Error::file(path, "write", error)),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn names(dir: &Path) -> Vec<String> {
        let mut names: Vec<String> = std::fs::read_dir(dir)
            .unwrap()
            .map(|entry| entry.unwrap().file_name().into_string().unwrap())
            .collect();
        names.sort();
        names
    }

    #[test]
    fn files_are_written_into_a_new_folder_and_replace_older_ones() {
        let root = tempfile::tempdir().unwrap();
        let dir = root.path().join("a/b");
        write_all(&dir, &[("x.txt", b"old"), ("y.txt", b"old")]).unwrap();
        let written = write_all(&dir, &[("x.txt", b"new")]).unwrap();
        assert_eq!(written, [dir.join("x.txt")]);
        assert_eq!(names(&dir), ["x.txt", "y.txt"]);
        assert_eq!(std::fs::read(dir.join("x.txt")).unwrap(), b"new");
        assert_eq!(std::fs::read(dir.join("y.txt")).unwrap(), b"old");
    }

    #[test]
    fn when_one_file_cannot_be_written_the_old_output_stays_and_nothing_is_left_behind() {
        let root = tempfile::tempdir().unwrap();
        let dir = root.path();
        write_all(dir, &[("x.txt", b"old")]).unwrap();
        std::fs::create_dir(dir.join("y.txt")).unwrap();
        let too_long = "z".repeat(300);
        for name in ["y.txt", too_long.as_str()] {
            let message = write_all(dir, &[("x.txt", b"new"), (name, b"new")])
                .unwrap_err()
                .to_string();
            assert!(
                message.contains(&format!("{name}: cannot write: ")),
                "{message}"
            );
            assert_eq!(names(dir), ["x.txt", "y.txt"]);
            assert_eq!(std::fs::read(dir.join("x.txt")).unwrap(), b"old");
        }
        write_all(&dir.join("new/folder"), &[(&too_long, b"new")]).unwrap_err();
        assert_eq!(
            names(dir),
            ["x.txt", "y.txt"],
            "no empty folder stays behind"
        );
    }

    #[test]
    fn a_folder_that_cannot_be_made_is_named() {
        let root = tempfile::tempdir().unwrap();
        write_all(root.path(), &[("x.txt", b"")]).unwrap();
        let dir = root.path().join("x.txt/plan");
        let message = write_all(&dir, &[("y.txt", b"")]).unwrap_err().to_string();
        assert!(
            message.contains("x.txt/plan: cannot make this folder: "),
            "{message}"
        );
    }

    #[test]
    fn names_that_lead_elsewhere_are_refused() {
        let root = tempfile::tempdir().unwrap();
        for name in ["", ".", "..", "../x.txt", "a/x.txt", "/x.txt", "x.txt/"] {
            assert!(write_all(root.path(), &[(name, b"")]).is_err(), "{name}");
        }
        assert!(names(root.path()).is_empty());
    }

    #[cfg(unix)]
    #[test]
    fn output_is_readable_as_any_new_file_is() {
        use std::os::unix::fs::PermissionsExt;
        let root = tempfile::tempdir().unwrap();
        let plain = root.path().join("plain.txt");
        std::fs::write(&plain, "").unwrap();
        let written = write_all(root.path(), &[("x.txt", b"")]).unwrap();
        let mode = |path: &Path| std::fs::metadata(path).unwrap().permissions().mode();
        assert_eq!(mode(&written[0]), mode(&plain));
    }
}
