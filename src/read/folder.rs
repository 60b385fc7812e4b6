//! The speaker folder: `speaker.toml` and the tables it names, or tables that name themselves.

use super::by_name;
use super::conditions::{self, Conditions};
use super::disk::DiskFolder;
use super::document::{Document, Section};
use super::evidence;
use super::forms::{self, Form};
use super::found::Found;
use super::input::{Input, Kind};
use super::low_end;
use super::opened::Folder;
use super::source::Source;
use super::understood::orbits_found;
use crate::error::{Error, Result};
use std::path::{Path, PathBuf};

pub use super::evidence::{Compression, Distortion, Evidence, Impedance, SecondSource};
pub use super::found::Measured;
pub use super::opened::InputFile;
pub use super::understood::{LowEndMethod, Note, OrbitFound, ReadAs, Understood};

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
    /// The folder of the other unit of the pair, where `[evidence]` names one.
    pub fn second_unit(&self) -> Option<PathBuf> {
        let name = self.evidence.second_unit.as_ref()?;
        Some(self.folder.join(name))
    }

    /// Reads the other unit of the pair from the disk, where `[evidence]` names one.
    ///
    /// # Errors
    /// As [`read_speaker`].
    pub fn read_second_unit(&self) -> Result<Option<SpeakerFolder>> {
        self.read_second_unit_from(&DiskFolder::new(&self.folder))
    }

    /// Reads the other unit of the pair from `input`, the folder that this speaker was read from.
    ///
    /// # Errors
    /// As [`read_speaker`].
    pub fn read_second_unit_from(&self, input: &dyn Input) -> Result<Option<SpeakerFolder>> {
        let name = self.evidence.second_unit.as_deref();
        name.map(|name| read_speaker_from(input, name)).transpose()
    }
}

/// What describes a speaker folder.
const DESCRIPTION: &str = "speaker.toml";

/// Reads a speaker from the disk: a folder with `speaker.toml`, that file itself, a folder of
/// tables whose names say their angles, or a SOFA file.
///
/// # Errors
/// When anything cannot be read or understood; the message names file, line and column.
pub fn read_speaker(path: &Path) -> Result<SpeakerFolder> {
    read_speaker_from(&DiskFolder::here(), path)
}

/// [`read_speaker`] from `input`, where the speaker stands under `name` (empty: `input` itself).
///
/// # Errors
/// As [`read_speaker`].
pub fn read_speaker_from(input: &dyn Input, name: &Path) -> Result<SpeakerFolder> {
    let shown = input.shown(name);
    let entry = input
        .look(name)
        .map_err(|source| Error::file(&shown, "read", source))?;
    let ending = name.extension().unwrap_or_default();
    let (folder, file) = match (name.parent(), name.file_name()) {
        _ if entry.kind == Kind::Folder => {
            let folder = Folder::new(input.folder(name));
            return if folder.input.holds(DESCRIPTION.as_ref()) {
                read_described(folder, DESCRIPTION.as_ref())
            } else {
                read_undescribed(folder)
            };
        }
        (Some(parent), Some(file)) => (Folder::new(input.folder(parent)), Path::new(file)),
        _ => (Folder::new(input.folder("".as_ref())), name),
    };
    if ending == "toml" {
        read_described(folder, file)
    } else if ending.eq_ignore_ascii_case("sofa") {
        read_sofa(folder, file)
    } else {
        Err(Error::in_file(
            &shown,
            "a file",
            "a speaker folder, its speaker.toml or a .sofa file",
        ))
    }
}

fn read_undescribed(mut folder: Folder) -> Result<SpeakerFolder> {
    let found = by_name::read(&mut folder)?;
    let name = folder.input.own_name();
    let name = name.unwrap_or_else(|| "speaker".to_string());
    Ok(assemble_alone(name, folder, found))
}

/// A SOFA file in place of a speaker folder; the speaker is named after it.
fn read_sofa(mut folder: Folder, file: &Path) -> Result<SpeakerFolder> {
    let found = forms::from_sofa(&mut folder, file)?;
    let name = file
        .file_stem()
        .map_or_else(|| "speaker".into(), |stem| stem.to_string_lossy())
        .into_owned();
    Ok(assemble_alone(name, folder, found))
}

fn read_described(mut folder: Folder, file: &Path) -> Result<SpeakerFolder> {
    folder.below(file)?;
    let source = Source::read_description(&*folder.input, file)?;
    folder.note_input(file, &source)?;
    let document = Document::parse(&source)?;
    let root = document.root();
    let name = speaker_name(&root)?;
    let stated = conditions::read(root.section("measured")?)?;
    let mut found = forms::measured(&mut folder, &root)?;
    let mut conditions = stated.joined_with(&root, &found, &mut folder.notes)?;
    if let Some(section) = root.section("low_end")? {
        let Measured::Angles(response) = &found.measured else {
            return Err(section.incomplete("[low_end] beside [curves]", "a measurement by angles"));
        };
        let trusted_from_hz = conditions.trusted_from_hz;
        let (joined, from_hz) = low_end::join(&mut folder, &section, response, trusted_from_hz)?;
        found.measured = Measured::Angles(joined);
        conditions.trusted_from_hz = Some(from_hz);
    }
    let evidence = evidence::read(&mut folder, root.section("evidence")?)?;
    Ok(assemble(name, folder, found, conditions, evidence))
}

/// Refuses unknown sections; the name of the speaker.
fn speaker_name(root: &Section) -> Result<String> {
    let known: Vec<&str> = ["speaker", "measured"]
        .into_iter()
        .chain(Form::ALL.map(Form::key))
        .chain(["low_end", "evidence"])
        .collect();
    root.only(&known)?;
    let speaker = root
        .section("speaker")?
        .ok_or_else(|| root.incomplete("no section [speaker]", "[speaker] with a name"))?;
    speaker.only(&["name"])?;
    Ok(speaker.needed_text("name", "name = \"...\"")?.value)
}

/// A speaker of which nothing is known but the measurement.
fn assemble_alone(name: String, folder: Folder, found: Found) -> SpeakerFolder {
    let conditions = Conditions::of(&found);
    assemble(name, folder, found, conditions, Evidence::default())
}

fn assemble(
    name: String,
    folder: Folder,
    found: Found,
    conditions: Conditions,
    evidence: Evidence,
) -> SpeakerFolder {
    let measured = found.measured;
    let mut understood = Understood {
        form: found.form,
        orbits: Vec::new(),
        curves: Vec::new(),
        phase: false,
        grid: measured.grid().clone(),
        trusted_hz: (conditions.trusted_from_hz, conditions.trusted_to_hz),
        notes: folder.notes,
    };
    match &measured {
        Measured::Angles(response) => {
            understood.orbits = orbits_found(response, &found.between);
            understood.phase = response.members().iter().all(|m| m.phase_deg.is_some());
        }
        Measured::Curves(curves) => {
            let named = curves.named().into_iter();
            understood.curves = named.filter_map(|(name, c)| c.map(|_| name)).collect();
        }
    }
    SpeakerFolder {
        name,
        folder: folder.input.root().to_path_buf(),
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
