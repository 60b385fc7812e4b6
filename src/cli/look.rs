//! `planish look`: what was understood of a measurement and what is missing, before anything is
//! planned from it.

use crate::average::LEAST_COMPLETENESS;
use crate::error::Result;
use crate::read::folder::OrbitFound;
use crate::read::missing::missing;
use crate::report::picture::without_controls;
use crate::run::Speaker;
use clap::Args;
use serde::Serialize;
use std::path::PathBuf;

/// What to look at.
#[derive(Debug, Args)]
pub(super) struct LookArguments {
    /// Folder with speaker.toml, folder of tables named by angle, or SOFA file
    pub speaker: PathBuf,
    /// Rear wall of the early reflections
    #[arg(long, value_enum, default_value_t = super::args::RearWallChoice::Three)]
    pub rear_wall: super::args::RearWallChoice,
    /// Print what was understood as JSON
    #[arg(long)]
    pub json: bool,
}

/// What was understood, for standard output.
pub(super) fn run(arguments: LookArguments) -> Result<String> {
    let speaker = Speaker::read(&arguments.speaker, arguments.rear_wall.into())?;
    if arguments.json {
        Ok(json(&speaker))
    } else {
        Ok(without_controls(&text(&speaker)))
    }
}

fn text(speaker: &Speaker) -> String {
    let folder = &speaker.folder;
    let mut out = format!("{}\n{}", folder.name, folder.understood);
    let mut line = |text: String| {
        out.push_str(&text);
        out.push('\n');
    };
    if let Some(distance_m) = folder.distance_m {
        line(format!("distance: {distance_m} m"));
    }
    if let Some(drive_v) = folder.drive_v {
        line(format!("drive: {drive_v} V"));
    }
    line("\ncurves, and how many of the directions each needs are there:".to_string());
    for (name, curve) in speaker.curves.named() {
        line(match curve {
            Some(curve) => format!("  {name}: {:.0} %", 100.0 * curve.completeness),
            None => format!(
                "  {name}: cannot be had (fewer than {:.0} %)",
                100.0 * LEAST_COMPLETENESS
            ),
        });
    }
    let gaps = missing(folder);
    if !gaps.is_empty() {
        line("\nmissing:".to_string());
        for gap in gaps {
            line(format!("  {gap}"));
        }
    }
    line("\nfiles read:".to_string());
    for input in &folder.inputs {
        line(format!(
            "  {} ({} bytes, sha256 {})",
            input.path.display(),
            input.bytes,
            input.sha256
        ));
    }
    out
}

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

fn json(speaker: &Speaker) -> String {
    let (folder, understood) = (&speaker.folder, &speaker.folder.understood);
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
        curves: speaker
            .curves
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
    crate::export::json::to_text(&document)
}
