//! Where bytes come from: the one way by which everything here opens files.

use crate::error::{Error, Result};
use std::io::{self, Read};
use std::path::{Component, Path, PathBuf};

/// Files under names: a folder on a disk ([`DiskFolder`](super::disk::DiskFolder)) or files in
/// memory ([`MemoryFiles`](super::memory::MemoryFiles)).
///
/// A name is a path relative to the folder; the empty name is the folder itself. Whether a name
/// that stands in a file may be followed is decided by the readers, from [`Input::look`].
pub trait Input {
    /// The folder as messages show it; empty where names stand for themselves.
    fn root(&self) -> &Path;

    /// What the folder itself is called; `None` where it has no name.
    fn own_name(&self) -> Option<String>;

    /// What stands under `name`, links followed.
    ///
    /// # Errors
    /// When nothing stands there, a link leads nowhere, or the system refuses.
    fn look(&self, name: &Path) -> io::Result<Entry>;

    /// Whether anything stands under `name`, be it a link that leads nowhere.
    fn holds(&self, name: &Path) -> bool {
        self.look(name).is_ok()
    }

    /// What lies in the folder `name`, in any order, one by one: a folder may hold millions.
    ///
    /// # Errors
    /// When there is no such folder or the system refuses.
    fn list<'a>(&'a self, name: &Path) -> io::Result<Listing<'a>>;

    /// Opens what stands under `name`, links followed, without waiting for what is no file.
    ///
    /// # Errors
    /// As [`Input::look`].
    fn open<'a>(&'a self, name: &Path) -> io::Result<Opened<'a>>;

    /// The folder `name` as an input of its own, with nothing above it.
    fn folder<'a>(&'a self, name: &Path) -> Box<dyn Input + 'a>;

    /// `name` as messages show it.
    fn shown(&self, name: &Path) -> PathBuf {
        if name.as_os_str().is_empty() {
            self.root().to_path_buf()
        } else {
            self.root().join(name)
        }
    }
}

/// What stands under a name.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Entry {
    /// What it is.
    pub kind: Kind,
    /// Whether it lies in the folder of the input, and no link leads out of it.
    pub inside: bool,
}

/// Kinds of things that have a name.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Kind {
    /// A regular file.
    File,
    /// A folder.
    Folder,
    /// A pipe, a device or the like.
    Other,
}

/// One of the things in a folder.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Listed {
    /// Its name in that folder.
    pub name: PathBuf,
    /// Whether it is a regular file, links followed.
    pub is_file: bool,
}

/// The things in a folder.
pub type Listing<'a> = Box<dyn Iterator<Item = io::Result<Listed>> + 'a>;

/// What was opened.
pub enum Opened<'a> {
    /// A regular file.
    File {
        /// Its size, a claim: it may grow or shrink while it is read.
        bytes: u64,
        /// Its content.
        reader: Box<dyn Read + 'a>,
    },
    /// A folder.
    Folder,
    /// A pipe, a device or the like, not touched.
    Other,
}

/// Whether a regular file stands under `name`.
pub(super) fn is_file(input: &dyn Input, name: &Path) -> bool {
    input.look(name).is_ok_and(|entry| entry.kind == Kind::File)
}

/// Whether a folder stands under `name`.
pub(super) fn is_folder(input: &dyn Input, name: &Path) -> bool {
    input
        .look(name)
        .is_ok_and(|entry| entry.kind == Kind::Folder)
}

/// The size and the content of a regular file that should be `what`.
pub(super) fn opened<'a>(
    input: &'a dyn Input,
    name: &Path,
    what: &str,
) -> Result<(u64, Box<dyn Read + 'a>)> {
    let shown = input.shown(name);
    let found = match input.open(name) {
        Ok(Opened::File { bytes, reader }) => return Ok((bytes, reader)),
        Ok(Opened::Folder) => "a folder",
        Ok(Opened::Other) => "something that is no file",
        Err(source) => return Err(Error::file(&shown, "read", source)),
    };
    Err(Error::in_file(&shown, found, what))
}

/// The bytes of a regular file that should be `what`, `most` at most (whole mebibytes); no more
/// memory is taken than that.
pub(super) fn bytes_of(input: &dyn Input, name: &Path, most: u64, what: &str) -> Result<Vec<u8>> {
    let (size, reader) = opened(input, name, what)?;
    let room = if size > most { 0 } else { size };
    let mut bytes = Vec::with_capacity(usize::try_from(room).unwrap_or(0));
    if size <= most {
        reader
            .take(most + 1)
            .read_to_end(&mut bytes)
            .map_err(|source| Error::file(&input.shown(name), "read", source))?;
    }
    if size > most || bytes.len() as u64 > most {
        return Err(Error::in_file(
            &input.shown(name),
            format!("more than {} MiB", most >> 20),
            format!("{what} of at most {} MiB", most >> 20),
        ));
    }
    Ok(bytes)
}

/// A relative path without steps upward, the same on every system; `None` for any other.
pub(super) fn checked(relative: &str) -> Option<PathBuf> {
    if relative.contains(['\\', '\0', ':']) {
        return None;
    }
    let path = Path::new(relative);
    let plain = plain(path)?;
    (!plain.as_os_str().is_empty()).then(|| path.to_path_buf())
}

/// `name` without its `.` parts; `None` where it leads upward or does not begin here.
pub(super) fn plain(name: &Path) -> Option<PathBuf> {
    name.components()
        .filter(|part| *part != Component::CurDir)
        .map(|part| match part {
            Component::Normal(part) => Some(part),
            _ => None,
        })
        .collect()
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
