//! A folder on the disk: the one place of `read` that knows a file system.

use super::input::{Entry, Input, Kind, Listed, Listing, Opened};
use std::fs::{File, FileType};
use std::io;
use std::path::{Path, PathBuf};

/// A folder on the disk.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct DiskFolder {
    root: PathBuf,
}

impl DiskFolder {
    /// The folder at `root`.
    pub fn new(root: impl Into<PathBuf>) -> DiskFolder {
        DiskFolder { root: root.into() }
    }

    /// The working folder, where names are paths as the user types them; they may also be absolute.
    pub fn here() -> DiskFolder {
        DiskFolder::new(PathBuf::new())
    }

    /// Where `name` stands.
    fn place(&self, name: &Path) -> PathBuf {
        let place = self.shown(name);
        if place.as_os_str().is_empty() {
            PathBuf::from(".")
        } else {
            place
        }
    }

    /// Whether `place` lies in the folder, links followed.
    fn is_inside(&self, place: &Path) -> bool {
        let root = self.place(Path::new("")).canonicalize();
        let real = place.canonicalize();
        root.is_ok_and(|root| real.is_ok_and(|real| real.starts_with(root)))
    }
}

fn kind_of(found: FileType) -> Kind {
    if found.is_file() {
        Kind::File
    } else if found.is_dir() {
        Kind::Folder
    } else {
        Kind::Other
    }
}

impl Input for DiskFolder {
    fn root(&self) -> &Path {
        &self.root
    }

    fn own_name(&self) -> Option<String> {
        let real = self.place(Path::new("")).canonicalize().ok()?;
        Some(real.file_name()?.to_string_lossy().into_owned())
    }

    fn look(&self, name: &Path) -> io::Result<Entry> {
        let place = self.place(name);
        Ok(Entry {
            kind: kind_of(std::fs::metadata(&place)?.file_type()),
            inside: self.is_inside(&place),
        })
    }

    fn holds(&self, name: &Path) -> bool {
        self.place(name).symlink_metadata().is_ok()
    }

    fn list<'a>(&'a self, name: &Path) -> io::Result<Listing<'a>> {
        let listed = |entry: io::Result<std::fs::DirEntry>| {
            let entry = entry?;
            Ok(Listed {
                name: entry.file_name().into(),
                is_file: entry.path().is_file(),
            })
        };
        Ok(Box::new(std::fs::read_dir(self.place(name))?.map(listed)))
    }

    fn open<'a>(&'a self, name: &Path) -> io::Result<Opened<'a>> {
        let place = self.place(name);
        // Asked before opening: opening a pipe would wait for ever.
        let found = std::fs::metadata(&place)?;
        Ok(match kind_of(found.file_type()) {
            Kind::File => Opened::File {
                bytes: found.len(),
                reader: Box::new(File::open(&place)?),
            },
            Kind::Folder => Opened::Folder,
            Kind::Other => Opened::Other,
        })
    }

    fn folder<'a>(&'a self, name: &Path) -> Box<dyn Input + 'a> {
        Box::new(DiskFolder::new(self.shown(name)))
    }
}
