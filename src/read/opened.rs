//! A speaker folder while it is read: paths stay inside it, files and numbers are counted, notes
//! collected.

use super::document::{Section, Spot};
use super::input::{Input, Kind, bytes_of, checked, plain};
use super::shape::Shape;
use super::source::{Source, sha256_of};
use super::table::Table;
use super::text::{nearest, shown};
use super::understood::Note;
use crate::error::{Error, Result};
use std::path::{Path, PathBuf};

/// A file that was read.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct InputFile {
    /// Path relative to the speaker folder.
    pub path: PathBuf,
    /// Size in bytes.
    pub bytes: u64,
    /// SHA-256 (FIPS 180-4) of its bytes, 64 hexadecimal digits.
    pub sha256: String,
}

impl InputFile {
    /// The file that `source` came from, called `path`.
    pub(super) fn new(path: PathBuf, source: &Source) -> InputFile {
        InputFile {
            path,
            bytes: source.bytes,
            sha256: source.sha256.clone(),
        }
    }
}

/// The most files of one folder that are looked at.
const MOST_FILES: usize = 10_000;

/// The most numbers that all tables of a speaker may hold together: two orbits of the largest
/// table that is read. Keeps what a hostile folder can ask for below 512 MiB.
const MOST_NUMBERS: usize = 20_000_000;

/// The most bytes that all files of a speaker may hold together; see [`MOST_NUMBERS`]. Keeps the
/// time that a hostile folder can take within seconds.
const MOST_BYTES: u64 = 256 << 20;

/// What a path of speaker.toml must lead to.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Leads {
    ToFile,
    ToFolder,
}

/// The folder while it is read.
pub(super) struct Folder<'a> {
    pub input: Box<dyn Input + 'a>,
    /// The files that were read so far.
    pub inputs: Vec<InputFile>,
    /// What the user should know.
    pub notes: Vec<Note>,
    /// How many numbers the tables held so far.
    numbers: usize,
    /// How many bytes the files held so far.
    bytes: u64,
}

impl<'a> Folder<'a> {
    pub fn new(input: Box<dyn Input + 'a>) -> Folder<'a> {
        Folder {
            input,
            inputs: Vec::new(),
            notes: Vec::new(),
            numbers: 0,
            bytes: 0,
        }
    }

    /// The name in the folder that `path`, written in `section`, stands for.
    ///
    /// Refused, at its place in the file: absolute paths, `..`, what does not exist, what is no
    /// regular file (or folder), and links that leave the folder.
    pub fn resolve(&self, section: &Section, path: &Spot<String>, leads: Leads) -> Result<PathBuf> {
        let own = shown(&path.value);
        let wrong = |found: String, expected: &str| section.wrong(path.at, found, expected);
        let inside = "a path inside the speaker folder";
        let Some(name) = checked(&path.value) else {
            return Err(wrong(own, inside));
        };
        let (kind, wanted) = match leads {
            Leads::ToFile => (Kind::File, "a file in the speaker folder"),
            Leads::ToFolder => (Kind::Folder, "a folder in the speaker folder"),
        };
        match self.input.look(&name) {
            Err(_) => {
                let error = wrong(format!("{own}, which does not exist"), wanted);
                Err(match self.similar(&name) {
                    Some(name) => error.with_hint(format!("did you mean {}?", shown(&name))),
                    None => error,
                })
            }
            Ok(entry) if !entry.inside => {
                Err(wrong(format!("{own}, a link out of the folder"), inside))
            }
            Ok(entry) if entry.kind != kind => Err(wrong(own, wanted)),
            Ok(_) => Ok(name),
        }
    }

    /// The name beside the wrong `name` that was probably meant.
    fn similar(&self, name: &Path) -> Option<String> {
        let wanted = name.file_name()?.to_str()?;
        let mut names: Vec<String> = self
            .input
            .list(name.parent()?)
            .ok()?
            .filter_map(|listed| listed.ok()?.name.into_os_string().into_string().ok())
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

    /// Refuses the file `name`, which was found by listing, where it is a link out of the folder.
    pub fn below(&self, name: &Path) -> Result<()> {
        let shown = self.input.shown(name);
        let entry = self
            .input
            .look(name)
            .map_err(|source| Error::file(&shown, "read", source))?;
        if !entry.inside {
            return Err(Error::in_file(
                &shown,
                "a link out of the folder",
                "a file inside the speaker folder",
            ));
        }
        Ok(())
    }

    /// Reads the table at a path that `section` names.
    pub fn table(
        &mut self,
        section: &Section,
        path: &Spot<String>,
        shape: &Shape,
    ) -> Result<Table> {
        let name = self.resolve(section, path, Leads::ToFile)?;
        self.read_table(&name, shape)
    }

    /// Reads the table of a file that was found by listing.
    pub fn table_below(&mut self, name: &str, shape: &Shape) -> Result<Table> {
        self.below(name.as_ref())?;
        self.read_table(name.as_ref(), shape)
    }

    fn read_table(&mut self, name: &Path, shape: &Shape) -> Result<Table> {
        let source = Source::read(&*self.input, name)?;
        self.note_input(name, &source)?;
        let table = Table::parse(source, shape)?;
        self.count(name, table.freqs_hz.len() * (1 + table.columns.len()))?;
        Ok(table)
    }

    /// Counts numbers that were read from a file and are kept; refused when they are too many.
    pub fn count(&mut self, name: &Path, numbers: usize) -> Result<()> {
        self.numbers += numbers;
        if self.numbers > MOST_NUMBERS {
            return Err(Error::in_file(
                &self.input.shown(name),
                "more than 20 million numbers in all files up to this one",
                "the measurement of one speaker",
            ));
        }
        Ok(())
    }

    /// Reads a file that is no text and should be `what`, `most` bytes at most.
    pub fn bytes(&mut self, name: &Path, most: u64, what: &str) -> Result<Vec<u8>> {
        let bytes = bytes_of(&*self.input, name, most, what)?;
        self.record(InputFile {
            path: name.to_path_buf(),
            bytes: bytes.len() as u64,
            sha256: sha256_of(&bytes),
        })?;
        Ok(bytes)
    }

    /// Records that the text `source` was read from the file `name`.
    pub fn note_input(&mut self, name: &Path, source: &Source) -> Result<()> {
        self.record(InputFile::new(name.to_path_buf(), source))
    }

    fn record(&mut self, mut read: InputFile) -> Result<()> {
        self.bytes += read.bytes;
        if self.bytes > MOST_BYTES {
            return Err(Error::in_file(
                &self.input.shown(&read.path),
                "more than 256 MiB in all files up to this one",
                "the measurement of one speaker",
            ));
        }
        read.path = plain(&read.path).unwrap_or(read.path);
        self.inputs.push(read);
        Ok(())
    }

    /// Names of the files in a sub-folder (empty for the folder itself), sorted; links count as
    /// what they lead to, and where that is is checked when they are read. Names that are no
    /// UTF-8 are passed over.
    pub fn file_names(&self, below: &str) -> Result<Vec<String>> {
        let shown = self.input.shown(below.as_ref());
        let failed = |source| Error::file(&shown, "read", source);
        let mut names = Vec::new();
        for listed in self.input.list(below.as_ref()).map_err(failed)? {
            let listed = listed.map_err(failed)?;
            if names.len() == MOST_FILES {
                return Err(Error::in_file(
                    &shown,
                    format!("more than {MOST_FILES} files"),
                    "the files of one speaker",
                ));
            }
            if listed.is_file
                && let Ok(name) = listed.name.into_os_string().into_string()
            {
                names.push(name);
            }
        }
        names.sort();
        Ok(names)
    }
}

/// A misspelt file name may differ from the one offered by one stroke, and by one more for every
/// so many characters.
const CHARACTERS_PER_STROKE: usize = 4;
