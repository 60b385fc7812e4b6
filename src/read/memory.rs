//! Files in memory, for callers that have no file system: a page in a browser, a test.

use super::input::{Entry, Input, Kind, Listed, Listing, Opened, checked, plain};
use super::text::shown;
use crate::error::{Error, Result};
use std::borrow::Cow;
use std::collections::BTreeMap;
use std::io;
use std::path::{Path, PathBuf};

/// Files in memory, in a folder that has a name and may have sub-folders.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct MemoryFiles<'a> {
    root: PathBuf,
    /// By their names without `.` parts; what lies in a folder comes right after its name.
    files: BTreeMap<PathBuf, Cow<'a, [u8]>>,
}

impl<'a> MemoryFiles<'a> {
    /// A folder without files, called `root`; a speaker without a description is named after the
    /// last part of it.
    pub fn new(root: impl Into<PathBuf>) -> MemoryFiles<'a> {
        MemoryFiles {
            root: root.into(),
            files: BTreeMap::new(),
        }
    }

    /// Adds a file; `/` stands between folders in its name.
    ///
    /// # Errors
    /// When the name is empty, absolute or leads upward, holds a backslash, a colon or a zero
    /// byte, or is there already.
    pub fn insert(&mut self, name: &str, content: impl Into<Cow<'a, [u8]>>) -> Result<()> {
        let wrong = |expected: &str| {
            Error::in_file(
                &self.root,
                format!("a file named {}", shown(name)),
                expected,
            )
        };
        let path = checked(name)
            .and_then(|path| plain(&path))
            .ok_or_else(|| wrong("a path inside the folder"))?;
        if self.files.contains_key(&path) {
            return Err(wrong("every name once"));
        }
        self.files.insert(path, content.into());
        Ok(())
    }

    /// The files in the folder `name`, by their names in it.
    fn below<'s>(
        &'s self,
        name: &Path,
    ) -> impl Iterator<Item = (&'s Path, &'s [u8])> + use<'s, 'a> {
        let folder = plain(name);
        let from = folder.clone().unwrap_or_default();
        let own = self.files.range(from..).map_while(move |(path, content)| {
            let own = path.strip_prefix(folder.as_ref()?).ok()?;
            Some((own, content.as_ref()))
        });
        own.filter(|(own, _)| !own.as_os_str().is_empty())
    }

    fn content(&self, name: &Path) -> Option<&[u8]> {
        self.files.get(&plain(name)?).map(Cow::as_ref)
    }
}

fn not_there() -> io::Error {
    io::ErrorKind::NotFound.into()
}

impl Input for MemoryFiles<'_> {
    fn root(&self) -> &Path {
        &self.root
    }

    fn own_name(&self) -> Option<String> {
        Some(self.root.file_name()?.to_string_lossy().into_owned())
    }

    fn look(&self, name: &Path) -> io::Result<Entry> {
        let kind = if self.content(name).is_some() {
            Kind::File
        } else if name.as_os_str().is_empty() || self.below(name).next().is_some() {
            Kind::Folder
        } else {
            return Err(not_there());
        };
        Ok(Entry { kind, inside: true })
    }

    fn list<'a>(&'a self, name: &Path) -> io::Result<Listing<'a>> {
        if self.look(name)?.kind != Kind::Folder {
            return Err(io::ErrorKind::NotADirectory.into());
        }
        let mut last = None;
        let listed = self.below(name).filter_map(move |(own, _)| {
            let mut parts = own.components();
            let name = PathBuf::from(parts.next()?.as_os_str());
            let is_file = parts.next().is_none();
            // What lies in one sub-folder stands together.
            (last.replace(name.clone()).as_ref() != Some(&name)).then_some(Listed { name, is_file })
        });
        Ok(Box::new(listed.map(Ok)))
    }

    fn open<'a>(&'a self, name: &Path) -> io::Result<Opened<'a>> {
        match self.content(name) {
            Some(content) => Ok(Opened::File {
                bytes: content.len() as u64,
                reader: Box::new(content),
            }),
            None => self.look(name).map(|_| Opened::Folder),
        }
    }

    fn folder<'a>(&'a self, name: &Path) -> Box<dyn Input + 'a> {
        let files = self.below(name);
        Box::new(MemoryFiles {
            root: self.shown(name),
            files: files
                .map(|(own, content)| (own.to_path_buf(), Cow::Borrowed(content)))
                .collect(),
        })
    }
}
