//! The speaker folder: `speaker.toml` and the tables it names, or tables that name themselves.

use super::by_name;
use super::conditions::{self, Conditions};
use super::document::{Document, Section, Spot};
use super::evidence;
use super::forms::{self, FORMS};
use super::inside::{self, Leads};
use super::low_end;
use super::table::{Shape, Table};
use super::text::{Source, read_bytes_of};
use super::understood::orbits_found;
use crate::average::AveragedCurves;
use crate::error::{Error, Result};
use crate::response::Response;
use std::path::{Path, PathBuf};

pub use super::evidence::{Compression, Distortion, Evidence, Impedance, SecondSource};
pub use super::understood::{OrbitFound, Understood};

/// What was measured.
#[derive(Debug, Clone, PartialEq)]
pub enum Measured {
    /// Levels by direction.
    Angles(Response),
    /// Averaged curves only.
    Curves(Box<AveragedCurves>),
}

/// A file that was read.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct InputFile {
    /// Path relative to the speaker folder.
    pub path: PathBuf,
    /// Size in bytes.
    pub bytes: u64,
    /// CRC-32 (IEEE 802.3) over its bytes.
    pub crc32: u32,
}

/// A speaker as it was read.
#[derive(Debug, Clone, PartialEq)]
pub struct SpeakerFolder {
    /// Its name.
    pub name: String,
    /// The folder.
    pub folder: PathBuf,
    /// The measurement.
    pub measured: Measured,
    /// Distance of the measurement in m, above 0.
    pub distance_m: Option<f64>,
    /// Drive in V, above 0.
    pub drive_v: Option<f64>,
    /// Lowest frequency that is trusted, Hz.
    pub trusted_from_hz: Option<f64>,
    /// Highest frequency that is trusted, Hz; above the lowest.
    pub trusted_to_hz: Option<f64>,
    /// Evidence beside the responses.
    pub evidence: Evidence,
    /// What was understood.
    pub understood: Understood,
    /// The files that were read, in the order of reading.
    pub inputs: Vec<InputFile>,
}

impl SpeakerFolder {
    /// Reads the other unit of the pair, where `[evidence]` names one.
    ///
    /// # Errors
    /// As [`read_speaker`].
    pub fn read_second_unit(&self) -> Result<Option<SpeakerFolder>> {
        self.evidence
            .second_unit
            .as_deref()
            .map(read_speaker)
            .transpose()
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

/// The folder while it is read: where paths are resolved and files counted.
pub(super) struct Folder {
    root: PathBuf,
    inputs: Vec<InputFile>,
    /// How many numbers the tables held so far.
    numbers: usize,
    /// How many bytes the files held so far.
    bytes: u64,
}

impl Folder {
    fn new(root: &Path) -> Folder {
        Folder {
            root: root.to_path_buf(),
            inputs: Vec::new(),
            numbers: 0,
            bytes: 0,
        }
    }

    pub fn root(&self) -> &Path {
        &self.root
    }

    /// See [`inside::resolve`].
    pub fn resolve(&self, section: &Section, path: &Spot<String>, leads: Leads) -> Result<PathBuf> {
        inside::resolve(&self.root, section, path, leads)
    }

    /// Reads the table at a path that `section` names.
    pub fn table(
        &mut self,
        section: &Section,
        path: &Spot<String>,
        shape: &Shape,
    ) -> Result<Table> {
        let full = self.resolve(section, path, Leads::ToFile)?;
        self.read_table(&full, shape)
    }

    /// Reads the table of a file that was found by listing.
    pub fn table_below(&mut self, relative: &str, shape: &Shape) -> Result<Table> {
        let full = self.below(relative)?;
        self.read_table(&full, shape)
    }

    /// The path of a file that was found by listing; links out of the folder are refused.
    pub fn below(&self, relative: &str) -> Result<PathBuf> {
        let full = self.root.join(relative);
        let real = full
            .canonicalize()
            .map_err(|source| Error::file(&full, "read", source))?;
        if !inside::is_below(&self.root, &real)? {
            return Err(Error::in_file(
                &full,
                "a link out of the folder",
                "a file inside the speaker folder",
            ));
        }
        Ok(full)
    }

    fn read_table(&mut self, full: &Path, shape: &Shape) -> Result<Table> {
        let source = Source::read(full)?;
        self.note_input(&source)?;
        let table = Table::parse(source, shape)?;
        self.count(full, table.freqs_hz.len() * (1 + table.columns.len()))?;
        Ok(table)
    }

    /// Counts numbers that were read from a file and are kept; refused when they are too many.
    pub fn count(&mut self, full: &Path, numbers: usize) -> Result<()> {
        self.numbers += numbers;
        if self.numbers > MOST_NUMBERS {
            return Err(Error::in_file(
                full,
                "more than 20 million numbers in all files up to this one",
                "the measurement of one speaker",
            ));
        }
        Ok(())
    }

    /// Reads a file that is no text and should be `what`, `most` bytes at most.
    pub fn bytes(&mut self, full: &Path, most: u64, what: &str) -> Result<Vec<u8>> {
        let bytes = read_bytes_of(full, most, what)?;
        self.note(full, bytes.len() as u64, crc32fast::hash(&bytes))?;
        Ok(bytes)
    }

    fn note_input(&mut self, source: &Source) -> Result<()> {
        self.note(&source.file, source.bytes, source.crc32)
    }

    fn note(&mut self, full: &Path, bytes: u64, crc32: u32) -> Result<()> {
        self.bytes += bytes;
        if self.bytes > MOST_BYTES {
            return Err(Error::in_file(
                full,
                "more than 256 MiB in all files up to this one",
                "the measurement of one speaker",
            ));
        }
        let path = full.strip_prefix(&self.root).unwrap_or(full).to_path_buf();
        self.inputs.push(InputFile { path, bytes, crc32 });
        Ok(())
    }

    /// Names of the files in a sub-folder (empty for the folder itself), sorted. Names that are
    /// no UTF-8 are passed over.
    pub fn file_names(&self, below: &str) -> Result<Vec<String>> {
        let folder = self.root.join(below);
        let failed = |source| Error::file(&folder, "read", source);
        let mut names = Vec::new();
        for entry in std::fs::read_dir(&folder).map_err(failed)? {
            let entry = entry.map_err(failed)?;
            if names.len() == MOST_FILES {
                return Err(Error::in_file(
                    &folder,
                    format!("more than {MOST_FILES} files"),
                    "the files of one speaker",
                ));
            }
            // Links are followed; where they lead is checked when they are read.
            if entry.path().is_file()
                && let Ok(name) = entry.file_name().into_string()
            {
                names.push(name);
            }
        }
        names.sort();
        Ok(names)
    }
}

/// Reads a speaker: a folder with `speaker.toml`, that file itself, a folder of tables whose
/// names say their angles, or a SOFA file.
///
/// # Errors
/// When anything cannot be read or understood; the message names file, line and column.
pub fn read_speaker(path: &Path) -> Result<SpeakerFolder> {
    let metadata = std::fs::metadata(path).map_err(|source| Error::file(path, "read", source))?;
    if metadata.is_dir() {
        let description = path.join("speaker.toml");
        if description.symlink_metadata().is_ok() {
            read_described(path, &description)
        } else {
            read_undescribed(path)
        }
    } else if path.extension().is_some_and(|ending| ending == "toml") {
        read_described(parent(path), path)
    } else if path
        .extension()
        .is_some_and(|ending| ending.eq_ignore_ascii_case("sofa"))
    {
        read_sofa(path)
    } else {
        Err(Error::in_file(
            path,
            "a file",
            "a speaker folder, its speaker.toml or a .sofa file",
        ))
    }
}

fn read_undescribed(path: &Path) -> Result<SpeakerFolder> {
    let mut folder = Folder::new(path);
    let mut notes = Vec::new();
    let found = by_name::read(&mut folder, &mut notes)?;
    let name = path
        .canonicalize()
        .ok()
        .and_then(|full| Some(full.file_name()?.to_string_lossy().into_owned()))
        .unwrap_or_else(|| "speaker".to_string());
    let conditions = Conditions::of(&found);
    let evidence = Evidence::default();
    Ok(assemble(name, folder, found, conditions, evidence, notes))
}

/// A SOFA file in place of a speaker folder; the speaker is named after it.
fn read_sofa(path: &Path) -> Result<SpeakerFolder> {
    let mut folder = Folder::new(parent(path));
    let mut notes = Vec::new();
    let found = forms::from_sofa(&mut folder, path, &mut notes)?;
    let name = path
        .file_stem()
        .map_or_else(|| "speaker".into(), |stem| stem.to_string_lossy())
        .into_owned();
    let conditions = Conditions::of(&found);
    let evidence = Evidence::default();
    Ok(assemble(name, folder, found, conditions, evidence, notes))
}

/// The folder a file lies in.
fn parent(path: &Path) -> &Path {
    path.parent()
        .filter(|parent| !parent.as_os_str().is_empty())
        .unwrap_or(Path::new("."))
}

fn read_described(root: &Path, description: &Path) -> Result<SpeakerFolder> {
    let mut folder = Folder::new(root);
    let real = description
        .canonicalize()
        .map_err(|source| Error::file(description, "read", source))?;
    if !inside::is_below(root, &real)? {
        return Err(Error::in_file(
            description,
            "a link out of the folder",
            "a file inside the speaker folder",
        ));
    }
    let source = Source::read_description(description)?;
    folder.note_input(&source)?;
    let document = Document::parse(&source)?;
    let root = document.root();
    let known: Vec<&str> = ["speaker", "measured"]
        .into_iter()
        .chain(FORMS)
        .chain(["low_end", "evidence"])
        .collect();
    root.only(&known)?;
    let speaker = root
        .section("speaker")?
        .ok_or_else(|| root.incomplete("no section [speaker]", "[speaker] with a name"))?;
    speaker.only(&["name"])?;
    let name = speaker.needed_text("name", "name = \"...\"")?.value;
    let stated = conditions::read(root.section("measured")?)?;
    let mut notes = Vec::new();
    let mut found = forms::measured(&mut folder, &root, &mut notes)?;
    let mut conditions = stated.joined_with(&root, &found, &mut notes)?;
    if let Some(section) = root.section("low_end")? {
        let Measured::Angles(response) = &found.measured else {
            return Err(section.incomplete("[low_end] beside [curves]", "a measurement by angles"));
        };
        let trusted_from_hz = conditions.trusted_from_hz;
        let (joined, from_hz) =
            low_end::join(&mut folder, &section, response, trusted_from_hz, &mut notes)?;
        found.measured = Measured::Angles(joined);
        conditions.trusted_from_hz = Some(from_hz);
    }
    let evidence = evidence::read(&mut folder, root.section("evidence")?)?;
    Ok(assemble(name, folder, found, conditions, evidence, notes))
}

fn assemble(
    name: String,
    folder: Folder,
    found: forms::Found,
    conditions: Conditions,
    evidence: Evidence,
    notes: Vec<String>,
) -> SpeakerFolder {
    let (form, measured) = (found.form, found.measured);
    let understood = match &measured {
        Measured::Angles(response) => Understood {
            form,
            orbits: orbits_found(response, &found.between),
            curves: Vec::new(),
            phase: response.members().iter().all(|m| m.phase_deg.is_some()),
            grid: response.grid().clone(),
            trusted_hz: (conditions.trusted_from_hz, conditions.trusted_to_hz),
            notes,
        },
        Measured::Curves(curves) => Understood {
            form,
            orbits: Vec::new(),
            curves: curves
                .named()
                .into_iter()
                .filter(|(_, curve)| curve.is_some())
                .map(|(name, _)| name)
                .collect(),
            phase: false,
            grid: curves.grid.clone(),
            trusted_hz: (conditions.trusted_from_hz, conditions.trusted_to_hz),
            notes,
        },
    };
    SpeakerFolder {
        name,
        folder: folder.root,
        measured,
        distance_m: conditions.distance_m,
        drive_v: conditions.drive_v,
        trusted_from_hz: conditions.trusted_from_hz,
        trusted_to_hz: conditions.trusted_to_hz,
        evidence,
        understood,
        inputs: folder.inputs,
    }
}
