//! Directions on the orbits: from wide tables or one file per angle to one response.

use super::angle;
use super::between;
use super::common_grid::sparsest_everywhere;
use super::phase;
use super::repeats::{self, REPEATS_DB, apart_db};
use super::shape::{LEVEL, Name, PHASE, Shape};
use super::table::{LEAST_ROWS, Table};
use super::text::shown;
use super::understood::Note;
use crate::curve::Grid;
use crate::error::{Error, Result};
use crate::response::{Direction, Member, Orbit, Response, SAME_ANGLE_DEG};
use crate::units::wrap_deg;
use std::path::{Path, PathBuf};

/// Directions that were read from one file and share its grid.
#[derive(Debug, Clone)]
pub(super) struct Piece {
    pub file: PathBuf,
    pub grid: Grid,
    pub members: Vec<Member>,
}

/// A wide table of levels: one column per angle.
pub(super) const WIDE_LEVELS: Shape = Shape {
    columns: &[LEVEL],
    width: (2, MOST_ANGLES + 1),
    named: true,
    keys: 1,
};

/// A wide table of phases.
pub(super) const WIDE_PHASES: Shape = Shape {
    columns: &[PHASE],
    ..WIDE_LEVELS
};

/// A table for one angle.
pub(super) const ONE_ANGLE: Shape = Shape {
    columns: &[LEVEL, PHASE],
    width: (2, 3),
    named: false,
    keys: 1,
};

/// The most angles on one orbit: half a degree apart all round, finer than any turntable is
/// used.
pub(super) const MOST_ANGLES: usize = 720;

/// Frequencies of two files that differ by no more than this share are one frequency that was
/// rounded differently; a hundred thousandth moves no level that can be measured.
const SAME_FREQUENCY: f64 = 1e-5;

/// Horizontal 0 and vertical 0 are one direction; shapes that differ by more than this, dB, are
/// worth a note. Our own judgement: repeated measurements of one speaker agree better.
const AXIS_DIFFERENCE_DB: f64 = 0.5;

fn same_angle(a_deg: f64, b_deg: f64) -> bool {
    wrap_deg(a_deg - b_deg).abs() < SAME_ANGLE_DEG
}

/// Directions at which a full turn begins and ends: 180 may also be told as -180, 0 as 360.
fn is_seam(angle_deg: f64) -> bool {
    same_angle(angle_deg, 0.0) || same_angle(angle_deg, 180.0)
}

/// The angles that the header of a wide table names.
fn header_angles(table: &Table, orbit: Orbit) -> Result<Vec<(f64, Name)>> {
    let mut angles: Vec<(f64, Name)> = Vec::new();
    for name in table.names() {
        let angle_deg = angle::of_column(&name.text, orbit).ok_or_else(|| {
            let expected = format!("an angle on the {} orbit in degrees", orbit.name());
            table.wrong_name(name, shown(&name.text), &expected)
        })?;
        angles.push((angle_deg, name.clone()));
    }
    Ok(angles)
}

/// A wide table, with the table of its phases if there is one. Columns for -180 and 180, or 0
/// and 360, that are repeats of each other count once.
pub(super) fn wide(
    mut table: Table,
    phase: Option<Table>,
    orbit: Orbit,
    notes: &mut Vec<Note>,
) -> Result<Piece> {
    let angles = header_angles(&table, orbit)?;
    let grid = table.grid()?;
    let mut members: Vec<Member> = Vec::new();
    for (i, (angle_deg, name)) in angles.iter().enumerate() {
        let member = Member {
            direction: Direction::new(orbit, *angle_deg),
            levels_db: std::mem::take(&mut table.columns[i]),
            phase_deg: None,
            mirrored: false,
        };
        let Some(earlier) = angles[..i]
            .iter()
            .position(|(other, _)| same_angle(*other, *angle_deg))
        else {
            members.push(member);
            continue;
        };
        let two_names = is_seam(*angle_deg) && angles[earlier].0 != *angle_deg;
        let first = members
            .iter_mut()
            .find(|m| same_angle(m.direction.angle_deg(), *angle_deg))
            .filter(|first| two_names && repeated(first, &member, notes));
        if first
            .map(|first| repeats::add(first, &member, 1.0))
            .is_none()
        {
            let found = format!(
                "{}, the direction of {} in column {}",
                shown(&name.text),
                shown(&angles[earlier].1.text),
                angles[earlier].1.column
            );
            return Err(table.wrong_name(name, found, "every direction once"));
        }
    }
    if let Some(phase) = phase {
        add_phase(&table, &phase, orbit, &mut members)?;
    }
    Ok(Piece {
        file: table.source.file,
        grid,
        members,
    })
}

/// A wide table whose header alone says what it holds: angles with their orbits, or plain angles,
/// which are taken as horizontal. `None` where the header says anything else.
pub(super) fn wide_by_header(table: Table, notes: &mut Vec<Note>) -> Result<Option<Vec<Piece>>> {
    let names = table.names();
    if names.iter().all(|name| angle::plain(&name.text).is_some()) {
        notes.push(Note::HeaderWithoutOrbit);
        return wide(table, None, Orbit::Horizontal, notes).map(|piece| Some(vec![piece]));
    }
    let Some(named) = names
        .iter()
        .map(|name| angle::named(&name.text))
        .collect::<Option<Vec<_>>>()
    else {
        return Ok(None);
    };
    let grid = table.grid()?;
    let pieces = named
        .into_iter()
        .zip(table.columns)
        .map(|(named, levels_db)| Piece {
            file: table.source.file.clone(),
            grid: grid.clone(),
            members: vec![Member {
                direction: Direction::new(named.orbit, named.angle_deg),
                levels_db,
                phase_deg: None,
                mirrored: false,
            }],
        })
        .collect();
    Ok(Some(pieces))
}

/// Whether two measurements of one direction are repeats; noted where they are not quite equal.
fn repeated(first: &Member, again: &Member, notes: &mut Vec<Note>) -> bool {
    let apart_db = apart_db(&first.levels_db, &again.levels_db);
    if apart_db > 0.0 && apart_db <= REPEATS_DB {
        notes.push(Note::MeasuredTwice {
            direction: first.direction,
            apart_db,
        });
    }
    apart_db <= REPEATS_DB
}

fn add_phase(levels: &Table, phase: &Table, orbit: Orbit, members: &mut [Member]) -> Result<()> {
    let level_file = levels.source.file.display();
    if let Some(row) = (0..phase.freqs_hz.len().max(levels.freqs_hz.len()))
        .find(|i| phase.freqs_hz.get(*i) != levels.freqs_hz.get(*i))
    {
        let expected = format!("the frequencies of {level_file}");
        return Err(if row < phase.freqs_hz.len() {
            phase.wrong(row, 0, &expected)
        } else {
            phase.wrong_end(format!("{} frequencies", phase.freqs_hz.len()), expected)
        });
    }
    let angles = header_angles(phase, orbit)?;
    for (i, (angle_deg, name)) in angles.iter().enumerate() {
        let member = members
            .iter_mut()
            .find(|m| same_angle(m.direction.angle_deg(), *angle_deg))
            .ok_or_else(|| {
                let expected = format!("the angles of {level_file}");
                phase.wrong_name(name, shown(&name.text), &expected)
            })?;
        let continuous = phase::continuous(&phase.freqs_hz, phase.columns[i].clone());
        member.phase_deg.get_or_insert(continuous);
    }
    match members.iter().find(|m| m.phase_deg.is_none()) {
        Some(member) => Err(phase.wrong_header(
            format!("no column for {} degrees", member.direction.angle_deg()),
            format!("the angles of {level_file}"),
        )),
        None => Ok(()),
    }
}

/// The table of one direction.
pub(super) fn single(table: Table, direction: Direction) -> Result<Piece> {
    let grid = table.grid()?;
    if let Some(phase_first) = table.column_named(&["phase", "phi"])
        && table.columns.len() == 1
        && phase_first == 0
        && let Some(header) = &table.header
    {
        let name = &header.names[1];
        return Err(table.wrong_name(name, shown(&name.text), LEVEL.what));
    }
    let freqs_hz = table.freqs_hz;
    let mut columns = table.columns.into_iter();
    let member = Member {
        direction,
        levels_db: columns.next().unwrap_or_default(),
        phase_deg: columns
            .next()
            .map(|wrapped| phase::continuous(&freqs_hz, wrapped)),
        mirrored: false,
    };
    Ok(Piece {
        file: table.source.file,
        grid,
        members: vec![member],
    })
}

fn same_grid(a: &Grid, b: &Grid) -> bool {
    a.len() == b.len()
        && a.freqs_hz()
            .iter()
            .zip(b.freqs_hz())
            .all(|(x, y)| (x - y).abs() <= SAME_FREQUENCY * x)
}

/// The grid all pieces are brought to: their own where they share one, else one that is nowhere
/// denser than any of theirs, over what all of them cover.
fn common_grid(pieces: &[Piece], notes: &mut Vec<Note>) -> Result<Grid> {
    let first = &pieces[0];
    if pieces
        .iter()
        .all(|piece| same_grid(&first.grid, &piece.grid))
    {
        return Ok(first.grid.clone());
    }
    let grids: Vec<&Grid> = pieces.iter().map(|piece| &piece.grid).collect();
    let grid = sparsest_everywhere(&grids).filter(|grid| grid.len() >= LEAST_ROWS);
    let Some(grid) = grid else {
        let by_hz = |a: &f64, b: &f64| a.total_cmp(b);
        let from = pieces
            .iter()
            .max_by(|a, b| by_hz(&a.grid.first_hz(), &b.grid.first_hz()))
            .unwrap_or(first);
        let to = pieces
            .iter()
            .min_by(|a, b| by_hz(&a.grid.last_hz(), &b.grid.last_hz()))
            .unwrap_or(first);
        return Err(Error::in_file(
            &from.file,
            format!("frequencies from {} Hz", from.grid.first_hz()),
            format!(
                "at least {} frequencies in common with {}, which ends at {} Hz",
                LEAST_ROWS,
                to.file.display(),
                to.grid.last_hz()
            ),
        ));
    };
    notes.push(Note::CommonFrequencies {
        from_hz: grid.first_hz(),
        to_hz: grid.last_hz(),
        per_octave: grid.points_per_octave(),
    });
    Ok(grid)
}

/// The directions of a speaker.
pub(super) struct Joined {
    pub response: Response,
    /// Those that were not measured but stand between measured ones.
    pub between: Vec<Direction>,
}

/// More frequencies than this in an octave are a transform's bins: they are brought to
/// [`KEPT_PER_OCTAVE`] by averaging power over each band.
const DENSE_PER_OCTAVE: usize = 192;

/// Twice what the audit looks at.
const KEPT_PER_OCTAVE: f64 = 96.0;

/// The grid with its dense part thinned; the grid itself where it has none.
fn thinned(grid: Grid, notes: &mut Vec<Note>) -> Grid {
    let freqs_hz = grid.freqs_hz();
    let is_dense = freqs_hz
        .iter()
        .zip(freqs_hz.iter().skip(DENSE_PER_OCTAVE))
        .any(|(from_hz, to_hz)| *to_hz < 2.0 * from_hz);
    if !is_dense {
        return grid;
    }
    // The last band must lie within the data as a whole, or its power could not be averaged.
    let last_hz = grid.last_hz() * (-0.5 / KEPT_PER_OCTAVE).exp2();
    let wanted = Grid::logarithmic(grid.first_hz(), last_hz, KEPT_PER_OCTAVE);
    match sparsest_everywhere(&[&grid, &wanted]) {
        Some(thin) if thin.len() >= LEAST_ROWS => {
            notes.push(Note::Thinned {
                from: grid.len(),
                to: thin.len(),
            });
            thin
        }
        _ => grid,
    }
}

/// All pieces on one grid; what a step of 10 degrees lacks between nearer neighbours filled, one
/// side mirrored where the other is missing. What was done is added to `notes`.
pub(super) fn join(pieces: Vec<Piece>, notes: &mut Vec<Note>) -> Result<Joined> {
    let grid = thinned(common_grid(&pieces, notes)?, notes);
    let mut members: Vec<(PathBuf, Member)> = Vec::new();
    for piece in pieces {
        let own = if same_grid(&piece.grid, &grid) {
            piece.members
        } else {
            let response = Response::new(piece.grid, piece.members)
                .and_then(|response| response.resampled(&grid))
                .ok_or_else(|| unusable(&piece.file))?;
            response.members().to_vec()
        };
        for member in own {
            let direction = member.direction;
            let first = members.iter_mut().find(|(_, m)| {
                m.direction.orbit() == direction.orbit()
                    && same_angle(m.direction.angle_deg(), direction.angle_deg())
            });
            match first {
                None => members.push((piece.file.clone(), member)),
                Some((_, first))
                    if is_seam(direction.angle_deg()) && repeated(first, &member, notes) =>
                {
                    repeats::add(first, &member, 1.0);
                }
                Some((file, _)) => {
                    return Err(Error::in_file(
                        &piece.file,
                        format!("{direction}, the direction of {}", file.display()),
                        "every direction once",
                    ));
                }
            }
        }
    }
    let members: Vec<Member> = members.into_iter().map(|(_, member)| member).collect();
    let mut response =
        Response::new(grid, members).ok_or_else(|| unusable(Path::new("speaker")))?;
    note_axis_difference(&response, notes);
    note_relative_levels(&response, notes);
    let mut between = Vec::new();
    if let Some((found, error_db)) = between::on_orbits(&response) {
        notes.push(Note::Between {
            count: found.len(),
            error_db,
        });
        between = found.iter().map(|member| member.direction).collect();
        let mut members = response.members().to_vec();
        members.extend(found);
        let grid = response.grid().clone();
        response = Response::new(grid, members).ok_or_else(|| unusable(Path::new("speaker")))?;
    }
    let (response, mirrored) = response.mirrored();
    notes.extend(mirrored.into_iter().map(Note::Mirrored));
    Ok(Joined { response, between })
}

fn unusable(file: &Path) -> Error {
    Error::in_file(
        file,
        "directions that make no response",
        "every direction once, with finite levels",
    )
}

/// Notes when all levels seem to be relative to the axis, which then is 0 dB throughout.
fn note_relative_levels(response: &Response, notes: &mut Vec<Note>) {
    let is_zero = |member: &Member| member.levels_db.iter().all(|level| *level == 0.0);
    let axis = response.at(Orbit::Horizontal, 0.0);
    if axis.is_some_and(is_zero) && !response.members().iter().all(is_zero) {
        notes.push(Note::RelativeLevels);
    }
}

fn note_axis_difference(response: &Response, notes: &mut Vec<Note>) {
    let axis = |orbit: Orbit| {
        response
            .members()
            .iter()
            .find(|m| m.direction.orbit() == orbit && m.direction.off_axis_deg() < SAME_ANGLE_DEG)
    };
    let (Some(horizontal), Some(vertical)) = (axis(Orbit::Horizontal), axis(Orbit::Vertical))
    else {
        return;
    };
    let differences: Vec<f64> = horizontal
        .levels_db
        .iter()
        .zip(&vertical.levels_db)
        .map(|(h, v)| v - h)
        .collect();
    let mean_db = differences.iter().sum::<f64>() / differences.len() as f64;
    let worst = differences
        .iter()
        .enumerate()
        .map(|(i, d)| (i, (d - mean_db).abs()))
        .max_by(|a, b| a.1.total_cmp(&b.1));
    if mean_db.abs() > AXIS_DIFFERENCE_DB {
        notes.push(Note::AxisLevel { mean_db });
    }
    if let Some((i, worst_db)) = worst
        && worst_db > AXIS_DIFFERENCE_DB
    {
        notes.push(Note::AxisShape {
            worst_db,
            at_hz: response.grid().freqs_hz()[i],
        });
    }
}
