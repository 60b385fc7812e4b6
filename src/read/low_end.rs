//! `[low_end]`: a second table for the frequencies that a gate cuts off, joined to all angles.
//!
//! Well below the joint a loudspeaker radiates alike in all directions, so one table serves all
//! angles. It is shifted to meet the axis over the octave above the joint, and over that octave
//! every angle passes from the table to its own levels.

use super::common_grid::sparsest_everywhere;
use super::document::Section;
use super::opened::Folder;
use super::orbits::{self, ONE_ANGLE};
use super::repeats::apart_db;
use super::text::in_hz;
use super::understood::{LowEndMethod, Note};
use crate::curve::{Grid, resample_db};
use crate::error::{Error, Result};
use crate::response::{Direction, Member, Orbit, Response};
use std::f64::consts::PI;

/// Over this many octaves above the joint the table gives way to each angle's own levels.
const PASSAGE_OCT: f64 = 1.0;

/// The table is kept as fine as the audit looks, points per octave.
const POINTS_PER_OCTAVE: f64 = 48.0;

/// A joint whose two sides differ by more than this over the passage, dB rms, is called
/// doubtful. Our own judgement: it would show as a step of its own.
const DOUBTFUL_DB: f64 = 1.0;

/// `response` with the table of `section` below its joint, and the lowest frequency of the table,
/// Hz. `trusted_from_hz` is how far down the angles are trusted by themselves.
pub(super) fn join(
    folder: &mut Folder,
    section: &Section,
    response: &Response,
    trusted_from_hz: Option<f64>,
) -> Result<(Response, f64)> {
    section.only(&["table", "at_hz", "method"])?;
    let path = section.needed_text("table", "table = \"near_field.csv\"")?;
    let at = section.needed_number("at_hz", "at_hz = 300")?;
    let method = method(section)?;
    let own = response.grid();
    let lowest_hz = own.first_hz().max(trusted_from_hz.unwrap_or(0.0));
    if at.value < lowest_hz || 2.0 * at.value > own.last_hz() {
        return Err(section.wrong(
            at.at,
            format!("a joint at {} Hz", at.value),
            &format!(
                "one between {} Hz, from where the angles are trusted, and {} Hz, an octave below their end",
                in_hz(lowest_hz),
                in_hz(0.5 * own.last_hz())
            ),
        ));
    }
    let table = folder.table(section, &path, &ONE_ANGLE)?;
    let file = table.source.file.clone();
    let mut low = orbits::single(table, Direction::new(Orbit::Horizontal, 0.0))?;
    let ends_hz = at.value * PASSAGE_OCT.exp2();
    if low.grid.first_hz() >= at.value || low.grid.last_hz() < ends_hz {
        return Err(Error::in_file(
            &file,
            format!(
                "frequencies from {} to {} Hz",
                in_hz(low.grid.first_hz()),
                in_hz(low.grid.last_hz())
            ),
            format!(
                "some below the joint at {} Hz and all up to {}, an octave above it",
                in_hz(at.value),
                in_hz(ends_hz)
            ),
        ));
    }
    let levels_db = low.members.swap_remove(0).levels_db;
    let grid = joined_grid(&low.grid, own, at.value).ok_or_else(|| {
        Error::in_file(
            &file,
            "frequencies that make no axis",
            "ascending frequencies",
        )
    })?;
    // Inside the table's range everywhere below the end of the passage.
    let table_db: Vec<Option<f64>> = resample_db(&low.grid, &levels_db, &grid);
    let axis = response
        .at(Orbit::Horizontal, 0.0)
        .unwrap_or(&response.members()[0]);
    let (offset_db, apart_db) = match_levels(&grid, &table_db, own, axis, (at.value, ends_hz));
    let members = response
        .members()
        .iter()
        .map(|member| joined(member, own, &grid, &table_db, offset_db, at.value))
        .collect();
    let joined = Response::new(grid, members)
        .ok_or_else(|| Error::in_file(&file, "levels that make no response", "finite levels"))?;
    folder.notes.push(Note::LowEnd {
        at_hz: at.value,
        table: path.value,
        method,
        offset_db,
        apart_db,
        doubtful: apart_db > DOUBTFUL_DB,
    });
    if method != Some(LowEndMethod::GroundPlane) {
        folder.notes.push(Note::NoBaffleStep);
    }
    if response.members().iter().any(|m| m.phase_deg.is_some()) {
        folder.notes.push(Note::LowEndPhase { at_hz: at.value });
    }
    Ok((joined, low.grid.first_hz()))
}

fn method(section: &Section) -> Result<Option<LowEndMethod>> {
    let Some(method) = section.text("method")? else {
        return Ok(None);
    };
    match method.value.as_str() {
        "near-field" => Ok(Some(LowEndMethod::NearField)),
        "ground-plane" => Ok(Some(LowEndMethod::GroundPlane)),
        other => Err(section.wrong(
            method.at,
            format!("{other:?}"),
            "\"near-field\" or \"ground-plane\"",
        )),
    }
}

/// The table's frequencies below the joint, no denser than the audit looks, and the angles' own
/// from it on.
fn joined_grid(low: &Grid, own: &Grid, at_hz: f64) -> Option<Grid> {
    let wanted = Grid::logarithmic(low.first_hz(), low.last_hz(), POINTS_PER_OCTAVE);
    let thin = sparsest_everywhere(&[low, &wanted])?;
    let below = thin.freqs_hz().iter().filter(|f| **f < at_hz);
    let above = own.freqs_hz().iter().filter(|f| **f >= at_hz);
    Grid::new(below.chain(above).copied().collect())
}

/// By how much the table must be moved to meet the axis between two frequencies, and how far
/// apart they then lie, dB and dB rms.
fn match_levels(
    grid: &Grid,
    table_db: &[Option<f64>],
    own: &Grid,
    axis: &Member,
    (from_hz, to_hz): (f64, f64),
) -> (f64, f64) {
    let axis_db = resample_db(own, &axis.levels_db, grid);
    let (table, axis): (Vec<f64>, Vec<f64>) = grid
        .range(from_hz, to_hz)
        .filter_map(|i| Some((table_db[i]?, axis_db[i]?)))
        .unzip();
    let mean = |values: &[f64]| values.iter().sum::<f64>() / values.len().max(1) as f64;
    let offset_db = mean(&axis) - mean(&table);
    let moved: Vec<f64> = table.iter().map(|level| level + offset_db).collect();
    (offset_db, apart_db(&moved, &axis))
}

fn joined(
    member: &Member,
    own: &Grid,
    grid: &Grid,
    table_db: &[Option<f64>],
    offset_db: f64,
    at_hz: f64,
) -> Member {
    let own_db = resample_db(own, &member.levels_db, grid);
    let levels_db = grid
        .freqs_hz()
        .iter()
        .enumerate()
        .map(|(i, f_hz)| {
            let passed = ((f_hz / at_hz).log2() / PASSAGE_OCT).clamp(0.0, 1.0);
            let share = 0.5 - 0.5 * (PI * passed).cos();
            match (table_db[i].map(|level| level + offset_db), own_db[i]) {
                (Some(table), Some(own)) => table + share * (own - table),
                (table, own) => own.or(table).unwrap_or(f64::NAN),
            }
        })
        .collect();
    let reaches = own.first_hz() <= grid.first_hz();
    Member {
        levels_db,
        phase_deg: member
            .phase_deg
            .as_ref()
            .filter(|_| reaches)
            .map(|phase_deg| straight(own, phase_deg, grid)),
        ..member.clone()
    }
}

/// Values on `from` joined by straight lines over log frequency.
fn straight(from: &Grid, values: &[f64], to: &Grid) -> Vec<f64> {
    let x = from.freqs_hz();
    to.freqs_hz()
        .iter()
        .map(|f| {
            let i = x.partition_point(|v| v <= f).clamp(1, x.len() - 1);
            let share = ((f / x[i - 1]).log2() / (x[i] / x[i - 1]).log2()).clamp(0.0, 1.0);
            values[i - 1] + share * (values[i] - values[i - 1])
        })
        .collect()
}
