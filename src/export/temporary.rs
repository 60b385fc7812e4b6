//! Files and folders that are being written, under names that no reader takes for output.
//!
//! Each is locked while its process lives. What a killed process left behind is free of its lock
//! and is cleared away by the next one that writes there.

use super::system;
use std::fs::File;
use std::io;
use std::path::Path;
use tempfile::{Builder, NamedTempFile, TempDir};

/// How the names begin.
const PREFIX: &str = ".planish-";

/// How often a name is tried anew when another process cleared it away before it was locked.
const ATTEMPTS: usize = 8;

/// A folder being filled; it vanishes when dropped.
#[derive(Debug)]
pub(super) struct TemporaryFolder {
    pub folder: TempDir,
    _lock: Option<File>,
}

/// An empty temporary file in `dir`.
pub(super) fn file(dir: &Path) -> io::Result<NamedTempFile> {
    let dir = or_here(dir);
    clear(dir);
    for _ in 0..ATTEMPTS {
        let file = builder(0o666).tempfile_in(dir)?;
        // Not locked where the system has no locks; there nothing is cleared away either.
        system::lock(file.as_file());
        if file.path().exists() {
            return Ok(file);
        }
    }
    Err(io::ErrorKind::NotFound.into())
}

/// An empty temporary folder in `dir`.
pub(super) fn folder(dir: &Path) -> io::Result<TemporaryFolder> {
    let dir = or_here(dir);
    clear(dir);
    for _ in 0..ATTEMPTS {
        let folder = builder(0o777).tempdir_in(dir)?;
        let lock = held(folder.path());
        if folder.path().exists() {
            let _lock = lock;
            return Ok(TemporaryFolder { folder, _lock });
        }
    }
    Err(io::ErrorKind::NotFound.into())
}

/// The lock on a file or folder, where it is free.
pub(super) fn held(path: &Path) -> Option<File> {
    File::open(path).ok().filter(system::lock)
}

/// Clears away what killed processes left in `dir`. What cannot be cleared stays: it harms nobody.
fn clear(dir: &Path) {
    for entry in std::fs::read_dir(dir).into_iter().flatten().flatten() {
        let ours = entry.file_name().to_string_lossy().starts_with(PREFIX);
        let Some(kind) = entry.file_type().ok().filter(|_| ours) else {
            continue;
        };
        // A pipe would be waited for, and a link leads elsewhere.
        if !(kind.is_file() || kind.is_dir()) {
            continue;
        }
        let path = entry.path();
        if let Some(_lock) = held(&path) {
            let _ = if kind.is_dir() {
                std::fs::remove_dir_all(&path)
            } else {
                std::fs::remove_file(&path)
            };
        }
    }
}

fn or_here(dir: &Path) -> &Path {
    if dir.as_os_str().is_empty() {
        Path::new(".")
    } else {
        dir
    }
}

/// Names as above, permissions as any new file or folder gets them; the user's mask still applies.
fn builder(mode: u32) -> Builder<'static, 'static> {
    let mut builder = Builder::new();
    builder.prefix(PREFIX);
    #[cfg(unix)]
    {
        use std::os::unix::fs::PermissionsExt;
        builder.permissions(std::fs::Permissions::from_mode(mode));
    }
    #[cfg(not(unix))]
    let _ = mode;
    builder
}

#[cfg(all(test, target_os = "linux"))]
mod tests {
    use super::*;

    #[test]
    fn what_a_killed_process_left_is_cleared_away_and_what_a_living_one_holds_is_not() {
        let root = tempfile::tempdir().unwrap();
        let dir = root.path();
        std::fs::write(dir.join(".planish-left"), "x").unwrap();
        std::fs::create_dir(dir.join(".planish-folder")).unwrap();
        std::fs::write(dir.join(".planish-folder/x"), "x").unwrap();
        std::fs::write(dir.join("kept"), "x").unwrap();
        let outside = tempfile::tempdir().unwrap();
        std::os::unix::fs::symlink(outside.path(), dir.join(".planish-link")).unwrap();
        let first = file(dir).unwrap();
        let second = folder(dir).unwrap();
        let third = file(dir).unwrap();
        let mut names: Vec<_> = std::fs::read_dir(dir)
            .unwrap()
            .map(|entry| entry.unwrap().path())
            .collect();
        names.sort();
        let mut expected = vec![
            dir.join(".planish-link"),
            dir.join("kept"),
            first.path().to_path_buf(),
            second.folder.path().to_path_buf(),
            third.path().to_path_buf(),
        ];
        expected.sort();
        assert_eq!(names, expected);
        assert!(outside.path().exists());
    }
}
