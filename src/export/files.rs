//! Files written whole or not at all.

use crate::error::{Error, Result};
use std::io::Write;
use std::path::{Path, PathBuf};
use tempfile::NamedTempFile;

/// Writes `data` to `path`: afterwards the file holds all of it, or what it held before.
///
/// # Errors
/// When the system refuses.
pub fn write_atomic(path: &Path, data: &[u8]) -> Result<()> {
    prepared(path, data)?
        .persist(path)
        .map_err(|error| Error::file(path, "write", error.error))?;
    Ok(())
}

/// Writes files into `folder`, which is made if it is missing, and returns their paths.
///
/// All files are first written in full beside their places and then put there one after the
/// other, so that a full disk or a refusal leaves all of the old files; each file is whole at
/// any moment.
///
/// # Errors
/// When the system refuses; a folder that was made for nothing is taken away again.
pub fn write_set(folder: &Path, files: &[(&str, Vec<u8>)]) -> Result<Vec<PathBuf>> {
    let made = make_folder(folder)?;
    let written = write_all(folder, files);
    if written.is_err() {
        for path in made.iter().rev() {
            // Only an empty folder goes; the first error is the one to tell.
            let _ = std::fs::remove_dir(path);
        }
    }
    written
}

fn write_all(folder: &Path, files: &[(&str, Vec<u8>)]) -> Result<Vec<PathBuf>> {
    let mut ready = Vec::new();
    for (name, data) in files {
        let path = folder.join(name);
        if path.is_dir() {
            return Err(Error::in_file(&path, "a folder", "a file or nothing"));
        }
        let file = prepared(&path, data)?;
        ready.push((file, path));
    }
    let mut paths = Vec::new();
    for (file, path) in ready {
        file.persist(&path)
            .map_err(|error| Error::file(&path, "write", error.error))?;
        paths.push(path);
    }
    Ok(paths)
}

/// Makes a folder and those above it; returns those that were not there before, outermost
/// first.
fn make_folder(folder: &Path) -> Result<Vec<PathBuf>> {
    let mut missing: Vec<PathBuf> = folder
        .ancestors()
        .take_while(|path| !path.as_os_str().is_empty() && !path.exists())
        .map(Path::to_path_buf)
        .collect();
    missing.reverse();
    std::fs::create_dir_all(folder).map_err(|source| Error::file(folder, "make", source))?;
    Ok(missing)
}

/// The data in a temporary file in the folder of `path`; it vanishes unless it is put there.
fn prepared(path: &Path, data: &[u8]) -> Result<NamedTempFile> {
    let failed = |source| Error::file(path, "write", source);
    let folder = path
        .parent()
        .filter(|parent| !parent.as_os_str().is_empty())
        .unwrap_or(Path::new("."));
    let mut builder = tempfile::Builder::new();
    #[cfg(unix)]
    {
        use std::os::unix::fs::PermissionsExt;
        // As any new file: the user's mask takes away what it takes away.
        builder.permissions(std::fs::Permissions::from_mode(0o666));
    }
    let mut file = builder
        .prefix(".planish-")
        .tempfile_in(folder)
        .map_err(failed)?;
    file.write_all(data).map_err(failed)?;
    file.as_file().sync_all().map_err(failed)?;
    Ok(file)
}
