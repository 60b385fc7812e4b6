//! A speaker folder with wide orbit tables, as `read` takes it.

use super::curves::level;
use super::files::write_set;
use crate::error::{Error, Result};
use crate::response::{Member, Orbit, Response};
use std::path::{Path, PathBuf};

/// What a speaker folder says beside its name and tables.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Conditions {
    /// Distance of the measurement in m.
    pub distance_m: Option<f64>,
    /// Drive in V.
    pub drive_v: Option<f64>,
    /// Lowest frequency that is trusted, Hz.
    pub trusted_from_hz: Option<f64>,
    /// Highest frequency that is trusted, Hz.
    pub trusted_to_hz: Option<f64>,
}

/// Writes `response` as a speaker folder into `folder`: `speaker.toml`, one table of levels per
/// orbit and, where every member of the orbit has it, one of phases. Mirrored members are left
/// out; the reader mirrors them again. Levels are rounded to 0.0001 dB, phases to 0.01 degrees
/// and written as they are, wrapped or not. Returns the paths written.
///
/// # Errors
/// When an orbit has only mirrored members, or the system refuses.
pub fn write(
    folder: &Path,
    name: &str,
    response: &Response,
    conditions: &Conditions,
) -> Result<Vec<PathBuf>> {
    write_set(folder, &files(name, response, conditions)?)
}

/// The files of [`write`], by name.
///
/// # Errors
/// When there is no measured member.
pub fn files(
    name: &str,
    response: &Response,
    conditions: &Conditions,
) -> Result<Vec<(&'static str, Vec<u8>)>> {
    let mut toml = format!("[speaker]\nname = {}\n", toml::Value::from(name));
    let stated: Vec<String> = [
        ("distance_m", conditions.distance_m),
        ("drive_v", conditions.drive_v),
        ("trusted_from_hz", conditions.trusted_from_hz),
        ("trusted_to_hz", conditions.trusted_to_hz),
    ]
    .into_iter()
    .filter_map(|(key, value)| Some(format!("{key} = {}\n", value?)))
    .collect();
    if !stated.is_empty() {
        toml.push_str("[measured]\n");
        toml.push_str(&stated.concat());
    }
    toml.push_str("[orbits]\n");
    let mut tables = Vec::new();
    for (orbit, levels_name, phases_name) in [
        (Orbit::Horizontal, "horizontal.csv", "horizontal_phase.csv"),
        (Orbit::Vertical, "vertical.csv", "vertical_phase.csv"),
    ] {
        let members: Vec<&Member> = response
            .members()
            .iter()
            .filter(|m| m.direction.orbit() == orbit && !m.mirrored)
            .collect();
        if members.is_empty() {
            continue;
        }
        toml.push_str(&format!("{} = \"{levels_name}\"\n", orbit.name()));
        let levels: Vec<&[f64]> = members.iter().map(|m| m.levels_db.as_slice()).collect();
        tables.push((levels_name, table(response, &members, &levels, level)));
        let phases: Option<Vec<&[f64]>> = members.iter().map(|m| m.phase_deg.as_deref()).collect();
        if let Some(phases) = phases {
            toml.push_str(&format!("{}_phase = \"{phases_name}\"\n", orbit.name()));
            let phase = |value: f64| format!("{value:.2}");
            tables.push((phases_name, table(response, &members, &phases, phase)));
        }
    }
    if tables.is_empty() {
        return Err(Error::call("there is no measured direction to write"));
    }
    let mut files = vec![("speaker.toml", toml.into_bytes())];
    files.extend(tables);
    Ok(files)
}

fn table(
    response: &Response,
    members: &[&Member],
    columns: &[&[f64]],
    number: impl Fn(f64) -> String,
) -> Vec<u8> {
    let mut out = String::from("freq_hz");
    for member in members {
        out.push_str(&format!(",{}", member.direction.angle_deg()));
    }
    out.push('\n');
    for (i, f_hz) in response.grid().freqs_hz().iter().enumerate() {
        out.push_str(&f_hz.to_string());
        for column in columns {
            out.push(',');
            out.push_str(&number(column[i]));
        }
        out.push('\n');
    }
    out.into_bytes()
}
