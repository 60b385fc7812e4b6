//! SOFA files (AES69): directivity of a loudspeaker in an open format.
//!
//! Read are the conventions FreeFieldDirectivityTF, GeneralTF and GeneralFIR: a source with
//! receivers round it, a listener that moves, or a source that turns. The direction of each
//! receiver is computed in the source's own frame (View and Up). From the directions the two
//! orbits are taken.

mod container;
mod data;
mod directions;
mod picked;
mod space;
mod sphere;

use super::orbits::Piece;
use super::repeats::{self, REPEATS_DB, apart_db};
use super::table::LEAST_ROWS;
use super::understood::Note;
use crate::error::Result;
use crate::response::{Direction, Member, Orbit};
use crate::units::{db_to_power, power_to_db};
use container::Container;
use data::{Data, Row, Rows};
use directions::Spot;
use picked::{From, Picked};
use std::collections::BTreeMap;
use std::path::Path;

/// What a SOFA file held.
pub(super) struct Found {
    /// Its convention.
    pub convention: &'static str,
    /// The orbits.
    pub pieces: Vec<Piece>,
    /// Directions that were not measured but stand between measured ones.
    pub between: Vec<Direction>,
    /// Distance of the microphones, m.
    pub distance_m: f64,
    /// Lowest trusted frequency, Hz, where a gate sets it.
    pub trusted_from_hz: Option<f64>,
}

/// Conventions that are read, with their DataType. Source: AES69-2022, annex of conventions
/// (project's standards sheet, section 13).
const CONVENTIONS: [(&str, &str); 3] = [
    ("FreeFieldDirectivityTF", "TF"),
    ("GeneralTF", "TF"),
    ("GeneralFIR", "FIR"),
];

/// The largest file that is read, bytes: a sphere in steps of 5 degrees with 4096 values each,
/// not compressed.
pub(super) const MOST_BYTES: u64 = 128 << 20;

/// Distances that differ by more than this share are no sphere: 5 % move a level by 0.4 dB.
const ROUND_WITHIN: f64 = 0.05;

/// Fewer frequencies than this get a note: no table would be read with so few.
const FEW_FREQUENCIES: usize = LEAST_ROWS;

/// Reads the two orbits out of a SOFA file; what was done is added to `notes`.
pub(super) fn read(file: &Path, bytes: Vec<u8>, notes: &mut Vec<Note>) -> Result<Found> {
    let container = Container::open(file, bytes)?;
    let (convention, is_spectra) = convention(&container)?;
    let data = Data::read(&container, is_spectra, notes)?;
    let (measurements, receivers) = data.sizes();
    let spots = directions::directions(&container, measurements, receivers, notes)?;
    let orbits: Vec<(Orbit, Vec<Picked>)> = [Orbit::Horizontal, Orbit::Vertical]
        .into_iter()
        .map(|orbit| (orbit, picked::orbit(orbit, &spots)))
        .filter(|(_, picked)| !picked.is_empty())
        .collect();
    if orbits.is_empty() {
        return Err(container
            .wrong(
                format!("{} directions, none on an orbit off the axis", spots.len()),
                "directions round the speaker on its horizontal or vertical orbit",
            )
            .with_hint("check SourceView, SourceUp and the unit of the positions"));
    }
    let used = used_spots(&orbits, &spots);
    let distance_m = distance_m(&container, &spots, &used)?;
    let levels = Levels::read(&container, &data, &spots, used, notes)?;
    if levels.rows.grid.len() < FEW_FREQUENCIES {
        let count = levels.rows.grid.len();
        notes.push(Note::FewFrequencies { count });
    }
    let (mut pieces, mut between) = (Vec::new(), Vec::new());
    for (orbit, picked) in orbits {
        between.extend(
            picked
                .iter()
                .filter(|one| matches!(one.from, From::Between(_)))
                .map(|one| Direction::new(orbit, one.angle_deg)),
        );
        note_interpolation(orbit, &picked, &spots, &levels, notes);
        pieces.push(Piece {
            file: file.to_path_buf(),
            grid: levels.rows.grid.clone(),
            members: picked
                .into_iter()
                .map(|picked| levels.member(orbit, picked))
                .collect(),
        });
    }
    Ok(Found {
        convention,
        pieces,
        between,
        distance_m,
        trusted_from_hz: levels.rows.trusted_from_hz,
    })
}

/// The file's convention, and whether it holds spectra.
fn convention(container: &Container) -> Result<(&'static str, bool)> {
    let names = CONVENTIONS.map(|(name, _)| name);
    let expected = format!("one of {}", names.join(", "));
    let Some(found) = container.text("SOFAConventions") else {
        return Err(container.wrong(
            "no attribute SOFAConventions",
            format!("a SOFA file (AES69) of {expected}"),
        ));
    };
    let Some((name, data_type)) = CONVENTIONS.iter().find(|(name, _)| *name == found) else {
        return Err(container
            .wrong(format!("the SOFA convention {found:?}"), expected)
            .with_hint("those are the conventions in which the directivity of a source is told"));
    };
    if let Some(stated) = container.text("DataType")
        && stated != *data_type
    {
        return Err(container.wrong(
            format!("the DataType {stated:?} in a file of {found}"),
            format!("the DataType {data_type}"),
        ));
    }
    Ok((name, *data_type == "TF"))
}

/// The spots that the orbits need, ascending, with those that check an interpolation.
fn used_spots(orbits: &[(Orbit, Vec<Picked>)], spots: &[Spot]) -> Vec<usize> {
    let mut used: Vec<usize> = Vec::new();
    for (orbit, picked) in orbits {
        for one in picked {
            match &one.from {
                From::Measured(i) => used.push(*i),
                From::Between(weights) => {
                    used.extend(weights.iter().map(|(i, _)| *i));
                    if let Some((i, weights)) = left_out(*orbit, one.angle_deg, spots) {
                        used.push(i);
                        used.extend(weights.iter().map(|(i, _)| *i));
                    }
                }
            }
        }
    }
    used.sort_unstable();
    used.dedup();
    used
}

/// The measured spot nearest to a direction, and the weights by which its neighbours would tell
/// it, were it not there.
fn left_out(orbit: Orbit, angle_deg: f64, spots: &[Spot]) -> Option<(usize, Vec<(usize, f64)>)> {
    let target = picked::towards(orbit, angle_deg);
    let points: Vec<space::Vector> = spots.iter().map(|spot| spot.towards).collect();
    let i = (0..points.len()).min_by(|a, b| {
        let distance = |i: &usize| space::between_deg(target, points[*i]);
        distance(a).total_cmp(&distance(b))
    })?;
    // With the spot itself gone its neighbours stand up to twice as far away.
    let weights = sphere::weights(
        points[i],
        &points,
        Some(i),
        2.0 * sphere::NEAREST_AT_MOST_DEG,
    )?;
    Some((i, weights))
}

/// The distance all used microphones share, m.
fn distance_m(container: &Container, spots: &[Spot], used: &[usize]) -> Result<f64> {
    let distances = || used.iter().map(|i| spots[*i].distance_m);
    let (least, most) = (
        distances().fold(f64::INFINITY, f64::min),
        distances().fold(0.0, f64::max),
    );
    if most > least * (1.0 + ROUND_WITHIN) {
        return Err(container.wrong(
            format!("microphones {least:.3} to {most:.3} m from the source"),
            "one distance for all, within 5 %",
        ));
    }
    Ok(0.5 * (least + most))
}

/// The levels of the spots that are needed, repeats put together.
struct Levels {
    rows: Rows,
    /// Which row belongs to which spot.
    row_of: BTreeMap<usize, usize>,
}

impl Levels {
    fn read(
        container: &Container,
        data: &Data,
        spots: &[Spot],
        used: Vec<usize>,
        notes: &mut Vec<Note>,
    ) -> Result<Levels> {
        let wanted: Vec<(usize, usize)> = used
            .iter()
            .flat_map(|i| spots[*i].repeats.iter().copied())
            .collect();
        let mut rows = data.rows(container, &wanted, notes)?;
        let mut all = std::mem::take(&mut rows.rows).into_iter();
        let mut row_of = BTreeMap::new();
        let mut repeated = 0;
        for i in used {
            let own: Vec<Row> = all.by_ref().take(spots[i].repeats.len()).collect();
            let mut own = own.into_iter();
            let Some(first) = own.next() else {
                continue;
            };
            let mut mean = member(Direction::new(Orbit::Horizontal, 0.0), first);
            for (count, (row, place)) in own.zip(&spots[i].repeats[1..]).enumerate() {
                let apart_db = apart_db(&mean.levels_db, &row.levels_db);
                if apart_db > REPEATS_DB {
                    let (m, r) = spots[i].repeats[0];
                    return Err(container.wrong(
                        format!(
                            "one direction twice, {apart_db:.1} dB rms apart: measurement {}, receiver {} and measurement {}, receiver {}",
                            m + 1,
                            r + 1,
                            place.0 + 1,
                            place.1 + 1
                        ),
                        format!("repeats of one direction within {REPEATS_DB} dB rms"),
                    ));
                }
                let more = member(mean.direction, row);
                repeats::add(&mut mean, &more, (count + 1) as f64);
                repeated += 1;
            }
            row_of.insert(i, rows.rows.len());
            rows.rows.push(Row {
                levels_db: mean.levels_db,
                phase_deg: mean.phase_deg,
            });
        }
        if repeated > 0 {
            notes.push(Note::RepeatsAveraged {
                count: repeated,
                within_db: REPEATS_DB,
            });
        }
        Ok(Levels { rows, row_of })
    }

    fn row(&self, spot: usize) -> Option<&Row> {
        self.rows.rows.get(*self.row_of.get(&spot)?)
    }

    /// Levels between spots: their powers with their weights, never below a tenth of the least
    /// of them, since a polynomial may fall through zero beside a null.
    fn between(&self, weights: &[(usize, f64)]) -> Vec<f64> {
        (0..self.rows.grid.len())
            .map(|n| {
                let powers = weights.iter().filter_map(|(i, weight)| {
                    Some((*weight, db_to_power(self.row(*i)?.levels_db[n])))
                });
                let (sum, least) = powers.fold((0.0, f64::INFINITY), |(sum, least), (w, p)| {
                    (sum + w * p, least.min(p))
                });
                power_to_db(sum.max(0.1 * least))
            })
            .collect()
    }

    fn member(&self, orbit: Orbit, picked: Picked) -> Member {
        let direction = Direction::new(orbit, picked.angle_deg);
        let row = match &picked.from {
            From::Measured(i) => self.row(*i).cloned(),
            From::Between(weights) => Some(Row {
                levels_db: self.between(weights),
                phase_deg: None,
            }),
        };
        // Every spot that was picked was read.
        member(
            direction,
            row.unwrap_or(Row {
                levels_db: Vec::new(),
                phase_deg: None,
            }),
        )
    }
}

fn member(direction: Direction, row: Row) -> Member {
    Member {
        direction,
        levels_db: row.levels_db,
        phase_deg: row.phase_deg,
        mirrored: false,
    }
}

/// Notes how many directions were found between others and how well that works: the measured
/// direction nearest to each is told by its neighbours alone, which lie farther away than those
/// of the direction itself.
fn note_interpolation(
    orbit: Orbit,
    picked: &[Picked],
    spots: &[Spot],
    levels: &Levels,
    notes: &mut Vec<Note>,
) {
    let between: Vec<&Picked> = picked
        .iter()
        .filter(|p| matches!(p.from, From::Between(_)))
        .collect();
    if between.is_empty() {
        return;
    }
    let mut errors_db = Vec::new();
    for one in &between {
        if let Some((i, weights)) = left_out(orbit, one.angle_deg, spots)
            && let Some(row) = levels.row(i)
        {
            errors_db.push(apart_db(&levels.between(&weights), &row.levels_db));
        }
    }
    let mean_square = errors_db.iter().map(|e| e * e).sum::<f64>() / errors_db.len() as f64;
    notes.push(Note::OnSphere {
        orbit,
        count: between.len(),
        error_db: (!errors_db.is_empty()).then(|| mean_square.sqrt()),
    });
}
