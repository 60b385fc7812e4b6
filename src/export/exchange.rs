//! A folder of output that changes as one: all files at once or none, whenever the process is
//! killed.
//!
//! The new files are written into a folder beside the old one, which then takes its place in one
//! step. Files of others in the old folder are linked into the new one before. Where that cannot
//! be done, or would be too much for a few files (the folder is none of earlier output, holds
//! folders or many files of others, is the one the process works in, belongs to somebody else, the
//! system has no such step), the files take their places one by one, each whole.

use super::system;
use super::temporary::{self, TemporaryFolder};
use crate::error::{Error, Result};
use std::ffi::OsString;
use std::fs::File;
use std::io::{self, Write};
use std::path::{Path, PathBuf};

/// A folder with more files of others than this is not exchanged for the sake of ours.
const MOST_OTHERS: usize = 64;

/// A folder in full beside the place that it is to take.
pub(super) struct Staged {
    place: PathBuf,
    temporary: TemporaryFolder,
}

impl Staged {
    /// Writes `files` into a new folder that is to become `dir`; `None` where no folder can be
    /// made beside `dir`.
    ///
    /// # Errors
    /// When the system refuses to write a file.
    pub fn write(dir: &Path, files: &[(&str, &[u8])]) -> Result<Option<Staged>> {
        // A link to a folder stays; what it leads to is exchanged.
        let place = dir.canonicalize().unwrap_or_else(|_| dir.to_path_buf());
        let Some(parent) = place.parent() else {
            return Ok(None);
        };
        let Ok(temporary) = temporary::folder(parent) else {
            return Ok(None);
        };
        for (name, content) in files {
            let written = write_one(&temporary.folder.path().join(name), content);
            written.map_err(|source| Error::file(&dir.join(name), "write", source))?;
        }
        Ok(Some(Staged { place, temporary }))
    }

    /// Brings a folder to a place where nothing stands; whether that was possible.
    pub fn place(self) -> bool {
        let Staged { place, temporary } = self;
        if place.symlink_metadata().is_ok() {
            return false;
        }
        let placed = std::fs::rename(temporary.folder.path(), &place).is_ok();
        if placed {
            // The folder is no longer there to be cleared away.
            let _ = temporary.folder.keep();
            settle(&place);
        }
        placed
    }

    /// Puts the folder in the place of the one that stands there; whether that was possible.
    pub fn exchange(self, names: &[&str]) -> bool {
        let new = self.temporary.folder.path();
        if !exchangeable(new, &self.place) {
            return false;
        }
        let Ok(others) = others(&self.place, names) else {
            return false;
        };
        let earlier = names.iter().all(|name| self.place.join(name).exists());
        if others.len() > MOST_OTHERS || !(earlier || others.is_empty()) {
            return false;
        }
        // What was the old folder must not be cleared away before it has been looked through.
        let _lock = temporary::held(&self.place);
        let linked = others
            .iter()
            .all(|name| std::fs::hard_link(self.place.join(name), new.join(name)).is_ok());
        let permissions = std::fs::metadata(&self.place).map(|found| found.permissions());
        let ready = linked
            && permissions.is_ok_and(|own| std::fs::set_permissions(new, own).is_ok())
            && system::exchange(new, &self.place).is_ok();
        if !ready {
            return false;
        }
        // What came into the old folder, or was replaced there, in the meantime goes along.
        for name in self::others(new, names).unwrap_or_default() {
            let (left, there) = (new.join(&name), self.place.join(&name));
            if system::identity(&left) != system::identity(&there) {
                let _ = std::fs::rename(left, there);
            }
        }
        settle(&self.place);
        true
    }
}

fn write_one(path: &Path, content: &[u8]) -> io::Result<()> {
    let mut file = File::create_new(path)?;
    file.write_all(content)?;
    file.sync_all()
}

/// Has the system write down what now stands at `place`. It stands there in any case; a system
/// that cannot do this for folders loses no more than its own latest state.
fn settle(place: &Path) {
    if let Some(Ok(parent)) = place.parent().map(File::open) {
        let _ = parent.sync_all();
    }
}

/// Whether `new` may stand where `old` stood without anybody noticing.
fn exchangeable(new: &Path, old: &Path) -> bool {
    let (Some(a), Some(b)) = (system::identity(new), system::identity(old)) else {
        return false;
    };
    let works_in_it = std::env::current_dir().is_ok_and(|here| here.starts_with(old));
    a.device == b.device && a.owners == b.owners && !works_in_it
}

/// The entries of a folder that are not among `names`, nor being written by anybody.
///
/// # Errors
/// When the folder cannot be read, or holds anything but files and links.
fn others(folder: &Path, names: &[&str]) -> io::Result<Vec<OsString>> {
    let mut others = Vec::new();
    for entry in std::fs::read_dir(folder)? {
        let entry = entry?;
        let kind = entry.file_type()?;
        if !(kind.is_file() || kind.is_symlink()) {
            return Err(io::ErrorKind::InvalidInput.into());
        }
        let name = entry.file_name();
        if !names.iter().any(|own| name == *own) {
            others.push(name);
        }
    }
    Ok(others)
}
