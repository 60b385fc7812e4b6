//! The speaker folder: `speaker.toml` and the tables it names, or tables that name themselves.

use super::angle;
use super::by_name;
use super::document::{Document, Section, Spot};
use super::evidence;
use super::inside::{self, Leads};
use super::orbits::{self, ONE_ANGLE, Piece, WIDE_LEVELS, WIDE_PHASES};
use super::table::{LEVEL, Shape, Table};
use super::text::{Source, nearest, shown};
use super::understood::orbits_found;
use crate::average::AveragedCurves;
use crate::curve::Grid;
use crate::error::{Error, Result};
use crate::response::{Direction, Orbit, Response};
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

/// The folder while it is read: where paths are resolved and files counted.
pub(super) struct Folder {
    root: PathBuf,
    inputs: Vec<InputFile>,
    /// How many numbers the tables held so far.
    numbers: usize,
}

impl Folder {
    fn new(root: &Path) -> Folder {
        Folder {
            root: root.to_path_buf(),
            inputs: Vec::new(),
            numbers: 0,
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
        self.read_table(&full, shape)
    }

    fn read_table(&mut self, full: &Path, shape: &Shape) -> Result<Table> {
        let source = Source::read(full)?;
        self.note_input(&source);
        let table = Table::parse(source, shape)?;
        self.numbers += table.freqs_hz.len() * (1 + table.columns.len());
        if self.numbers > MOST_NUMBERS {
            return Err(Error::in_file(
                full,
                "more than 20 million numbers in all tables up to this one",
                "the measurement of one speaker",
            ));
        }
        Ok(table)
    }

    fn note_input(&mut self, source: &Source) {
        let path = source.file.strip_prefix(&self.root).unwrap_or(&source.file);
        self.inputs.push(InputFile {
            path: path.to_path_buf(),
            bytes: source.bytes,
            crc32: source.crc32,
        });
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

/// Reads a speaker: a folder with `speaker.toml`, that file itself, or a folder of tables whose
/// names say their angles.
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
        let folder = path
            .parent()
            .filter(|parent| !parent.as_os_str().is_empty())
            .unwrap_or(Path::new("."));
        read_described(folder, path)
    } else {
        Err(Error::in_file(
            path,
            "a file",
            "a speaker folder or its speaker.toml",
        ))
    }
}

fn read_undescribed(path: &Path) -> Result<SpeakerFolder> {
    let mut folder = Folder::new(path);
    let mut notes = vec!["there is no speaker.toml; angles were taken from names".to_string()];
    let found = by_name::read(&mut folder, &mut notes)?;
    let response = orbits::join(found.pieces, &mut notes)?;
    let name = path
        .canonicalize()
        .ok()
        .and_then(|full| Some(full.file_name()?.to_string_lossy().into_owned()))
        .unwrap_or_else(|| "speaker".to_string());
    Ok(assemble(
        name,
        folder,
        found.form,
        Measured::Angles(response),
        Conditions::default(),
        Evidence::default(),
        notes,
    ))
}

/// What `[measured]` says.
#[derive(Default)]
struct Conditions {
    distance_m: Option<f64>,
    drive_v: Option<f64>,
    trusted_from_hz: Option<f64>,
    trusted_to_hz: Option<f64>,
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
    let source = Source::read(description)?;
    folder.note_input(&source);
    let document = Document::parse(&source)?;
    let root = document.root();
    root.only(&[
        "speaker", "measured", "orbits", "angles", "curves", "evidence",
    ])?;
    let speaker = root
        .section("speaker")?
        .ok_or_else(|| root.incomplete("no section [speaker]", "[speaker] with a name"))?;
    speaker.only(&["name"])?;
    let name = speaker.needed_text("name", "name = \"...\"")?.value;
    let conditions = conditions(root.section("measured")?)?;
    let mut notes = Vec::new();
    let (form, measured) = measured(&mut folder, &root, &mut notes)?;
    let evidence = evidence::read(&mut folder, root.section("evidence")?)?;
    Ok(assemble(
        name, folder, form, measured, conditions, evidence, notes,
    ))
}

fn conditions(section: Option<Section>) -> Result<Conditions> {
    let Some(section) = section else {
        return Ok(Conditions::default());
    };
    section.only(&["distance_m", "drive_v", "trusted_from_hz", "trusted_to_hz"])?;
    let value = |spot: Option<Spot<f64>>| spot.map(|spot| spot.value);
    let distance_m = value(section.positive("distance_m", "m")?);
    let drive_v = value(section.positive("drive_v", "V")?);
    let from = section.positive("trusted_from_hz", "Hz")?;
    let to = section.positive("trusted_to_hz", "Hz")?;
    if let (Some(from), Some(to)) = (&from, &to)
        && from.value >= to.value
    {
        return Err(section.wrong(
            to.at,
            to.value.to_string(),
            &format!("a trusted_to_hz above trusted_from_hz, {}", from.value),
        ));
    }
    Ok(Conditions {
        distance_m,
        drive_v,
        trusted_from_hz: value(from),
        trusted_to_hz: value(to),
    })
}

fn measured(
    folder: &mut Folder,
    root: &Section,
    notes: &mut Vec<String>,
) -> Result<(&'static str, Measured)> {
    const FORMS: [&str; 3] = ["orbits", "angles", "curves"];
    let mut given = FORMS.iter().filter(|form| root.get(form).is_some());
    match (given.next(), given.next()) {
        (Some(first), Some(second)) => {
            let at = root.get(second).map_or(0, |value| value.at());
            Err(root.wrong(
                at,
                format!("[{second}] beside [{first}]"),
                "one of [orbits], [angles] and [curves]",
            ))
        }
        (None, _) => {
            Err(root.incomplete("no measurement", "a section [orbits], [angles] or [curves]"))
        }
        (Some(&"orbits"), None) => {
            let pieces = wide_tables(folder, root)?;
            let response = orbits::join(pieces, notes)?;
            Ok(("wide orbit tables", Measured::Angles(response)))
        }
        (Some(&"angles"), None) => {
            let pieces = angle_files(folder, root, notes)?;
            let response = orbits::join(pieces, notes)?;
            Ok(("one file per angle", Measured::Angles(response)))
        }
        (Some(_), None) => {
            let curves = averaged_curves(folder, root)?;
            Ok(("averaged curves only", Measured::Curves(Box::new(curves))))
        }
    }
}

const BOTH_ORBITS: [(Orbit, &str, &str); 2] = [
    (Orbit::Horizontal, "horizontal", "horizontal_phase"),
    (Orbit::Vertical, "vertical", "vertical_phase"),
];

fn wide_tables(folder: &mut Folder, root: &Section) -> Result<Vec<Piece>> {
    let Some(section) = root.section("orbits")? else {
        return Ok(Vec::new());
    };
    section.only(&[
        "horizontal",
        "vertical",
        "horizontal_phase",
        "vertical_phase",
    ])?;
    let mut pieces = Vec::new();
    for (orbit, levels_key, phase_key) in BOTH_ORBITS {
        let (levels, phase) = (section.text(levels_key)?, section.text(phase_key)?);
        match (levels, phase) {
            (None, None) => {}
            (None, Some(phase)) => {
                return Err(section.wrong(
                    phase.at,
                    format!("{phase_key} without {levels_key}"),
                    "a table of levels for every table of phases",
                ));
            }
            (Some(levels), phase) => {
                let table = folder.table(&section, &levels, &WIDE_LEVELS)?;
                let phase = match phase {
                    Some(phase) => Some(folder.table(&section, &phase, &WIDE_PHASES)?),
                    None => None,
                };
                pieces.push(orbits::wide(table, phase, orbit)?);
            }
        }
    }
    if pieces.is_empty() {
        return Err(section.incomplete("no table in [orbits]", "horizontal = \"...\""));
    }
    Ok(pieces)
}

/// What stands for the angle in a pattern.
const PLACEHOLDER: &str = "{angle}";

fn angle_files(folder: &mut Folder, root: &Section, notes: &mut Vec<String>) -> Result<Vec<Piece>> {
    let Some(section) = root.section("angles")? else {
        return Ok(Vec::new());
    };
    section.only(&["horizontal", "vertical"])?;
    let mut pieces = Vec::new();
    for (orbit, key, _) in BOTH_ORBITS {
        let Some(pattern) = section.text(key)? else {
            continue;
        };
        let wrong = |expected: &str| section.wrong(pattern.at, shown(&pattern.value), expected);
        let (below, file_pattern) = match pattern.value.rsplit_once('/') {
            Some((below, file)) => (below, file),
            None => ("", pattern.value.as_str()),
        };
        let (before, after) = file_pattern
            .split_once(PLACEHOLDER)
            .filter(|(_, after)| !after.contains(PLACEHOLDER) && !below.contains(PLACEHOLDER))
            .ok_or_else(|| wrong("a file name with {angle} in it once"))?;
        if !below.is_empty() {
            let spot = Spot {
                value: below.to_string(),
                at: pattern.at,
            };
            folder.resolve(&section, &spot, Leads::ToFolder)?;
        }
        let mut count = 0;
        for name in folder.file_names(below)? {
            let Some(middle) = name
                .strip_prefix(before)
                .and_then(|rest| rest.strip_suffix(after))
            else {
                continue;
            };
            let Some(angle_deg) = angle::plain(middle) else {
                notes.push(format!(
                    "{} was left out: {} is no angle",
                    shown(&name),
                    shown(middle)
                ));
                continue;
            };
            count += 1;
            if count > orbits::MOST_ANGLES {
                return Err(wrong(&format!(
                    "a pattern that fits at most {} files",
                    orbits::MOST_ANGLES
                )));
            }
            let relative = if below.is_empty() {
                name.clone()
            } else {
                format!("{below}/{name}")
            };
            let table = folder.table_below(&relative, &ONE_ANGLE)?;
            let piece = orbits::single(table, Direction::new(orbit, angle_deg))?;
            if !is_second_back(&pieces, &piece, angle_deg) {
                pieces.push(piece);
            }
        }
        if count == 0 {
            return Err(wrong("a pattern that fits files of the speaker folder"));
        }
    }
    if pieces.is_empty() {
        return Err(section.incomplete("no pattern in [angles]", "horizontal = \"h_{angle}.txt\""));
    }
    Ok(pieces)
}

/// Whether `piece` is the file of -180 degrees beside an equal one of 180, or the reverse.
fn is_second_back(pieces: &[Piece], piece: &Piece, angle_deg: f64) -> bool {
    angle_deg.abs() == 180.0
        && pieces
            .iter()
            .any(|other| other.grid == piece.grid && other.members == piece.members)
}

/// Column names of averaged curves. Source: DESIGN, section 7.
const CURVE_NAMES: [&str; 7] = [
    "on_axis",
    "listening_window",
    "early_reflections",
    "sound_power",
    "early_reflections_di",
    "sound_power_di",
    "in_room",
];

const CURVES: Shape = Shape {
    columns: &[LEVEL],
    width: (2, CURVE_NAMES.len() + 1),
    named: true,
    keys: 1,
};

fn averaged_curves(folder: &mut Folder, root: &Section) -> Result<AveragedCurves> {
    let Some(section) = root.section("curves")? else {
        return Err(root.incomplete("no [curves]", "[curves]"));
    };
    section.only(&["table"])?;
    let path = section.needed_text("table", "table = \"curves.csv\"")?;
    let table = folder.table(&section, &path, &CURVES)?;
    let mut curves: [Option<Vec<f64>>; 7] = Default::default();
    let names = table
        .header
        .as_ref()
        .map_or(&[][..], |header| &header.names[1..]);
    for (i, name) in names.iter().enumerate() {
        let Some(at) = CURVE_NAMES.iter().position(|known| *known == name.text) else {
            let expected = format!("one of {}", CURVE_NAMES.join(", "));
            let error = table.wrong_name(name, shown(&name.text), &expected);
            return Err(match nearest(&name.text, &CURVE_NAMES) {
                Some(nearest) => error.with_hint(format!("the nearest known name is {nearest}")),
                None => error,
            });
        };
        if curves[at].is_some() {
            let found = format!("{} a second time", shown(&name.text));
            return Err(table.wrong_name(name, found, "every curve once"));
        }
        curves[at] = Some(table.columns[i].clone());
    }
    if curves[0].is_none() && curves[1].is_none() {
        return Err(table.wrong_header(
            "neither on_axis nor listening_window",
            "at least one of the two",
        ));
    }
    let grid = Grid::new(table.freqs_hz.clone()).ok_or_else(|| {
        Error::in_file(
            &table.source.file,
            "frequencies that make no axis",
            "ascending frequencies",
        )
    })?;
    Ok(AveragedCurves::from_table(grid, curves))
}

fn assemble(
    name: String,
    folder: Folder,
    form: &'static str,
    measured: Measured,
    conditions: Conditions,
    evidence: Evidence,
    notes: Vec<String>,
) -> SpeakerFolder {
    let understood = match &measured {
        Measured::Angles(response) => Understood {
            form,
            orbits: orbits_found(response),
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
