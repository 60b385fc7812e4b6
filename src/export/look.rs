//! What `look --json` prints: what was understood of a measurement and what is missing.

use super::rows::to_text;
use crate::average::AveragedCurves;
use crate::read::folder::{OrbitFound, SpeakerFolder};
use crate::read::missing::missing;
use serde::Serialize;

#[derive(Serialize)]
struct OrbitRow<'a> {
    orbit: &'static str,
    measured_deg: &'a [f64],
    between_deg: &'a [f64],
    missing_deg: &'a [f64],
    mirrored: bool,
}

impl<'a> From<&'a OrbitFound> for OrbitRow<'a> {
    fn from(found: &'a OrbitFound) -> Self {
        OrbitRow {
            orbit: found.orbit.name(),
            measured_deg: &found.angles_deg,
            between_deg: &found.between_deg,
            missing_deg: &found.missing_deg,
            mirrored: found.mirrored,
        }
    }
}

#[derive(Serialize)]
struct FileRow {
    path: String,
    bytes: u64,
    sha256: String,
}

#[derive(Serialize)]
struct CurveRow {
    curve: &'static str,
    completeness: Option<f64>,
}

#[derive(Serialize)]
struct Document<'a> {
    speaker: &'a str,
    form: String,
    orbits: Vec<OrbitRow<'a>>,
    phase: bool,
    from_hz: f64,
    to_hz: f64,
    frequencies: usize,
    trusted_from_hz: Option<f64>,
    trusted_to_hz: Option<f64>,
    distance_m: Option<f64>,
    drive_v: Option<f64>,
    curves: Vec<CurveRow>,
    notes: Vec<String>,
    missing: Vec<String>,
    files: Vec<FileRow>,
}

/// The document; what is not known is `null`.
pub fn json(folder: &SpeakerFolder, curves: &AveragedCurves) -> String {
    let understood = &folder.understood;
    let document = Document {
        speaker: &folder.name,
        form: understood.form.to_string(),
        orbits: understood.orbits.iter().map(OrbitRow::from).collect(),
        phase: understood.phase,
        from_hz: understood.grid.first_hz(),
        to_hz: understood.grid.last_hz(),
        frequencies: understood.grid.len(),
        trusted_from_hz: folder.trusted_from_hz,
        trusted_to_hz: folder.trusted_to_hz,
        distance_m: folder.distance_m,
        drive_v: folder.drive_v,
        curves: curves
            .named()
            .into_iter()
            .map(|(curve, average)| CurveRow {
                curve,
                completeness: average.map(|average| average.completeness),
            })
            .collect(),
        notes: understood.notes.iter().map(ToString::to_string).collect(),
        missing: missing(folder).iter().map(ToString::to_string).collect(),
        files: folder
            .inputs
            .iter()
            .map(|input| FileRow {
                path: input.path.display().to_string(),
                bytes: input.bytes,
                sha256: input.sha256.clone(),
            })
            .collect(),
    };
    to_text(&document)
}
