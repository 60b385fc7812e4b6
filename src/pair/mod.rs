//! Two units of a pair as one family: what both share may be corrected, what differs is a matter
//! of the units.
//!
//! The audit knows one speaker. It is given the one that both units share: every direction is the
//! mean of both (each relative to its own listening window), and the listening window deviates
//! from its target as far as both deviate in the same sense.

mod candidates;
mod decided;
mod matched;

pub use decided::{Decided, Deviation};
pub use matched::{Matched, OctaveBand};

use crate::audit::{Audit, Wish, median_level_db};
use crate::average::{AveragedCurves, RearWall};
use crate::curve::{Band, Grid, Smoother, resample_db};
use crate::error::{Error, Result};
use crate::filter::Bank;
use crate::response::{Member, Response};
use crate::target::Target;

/// One unit of a pair.
#[derive(Debug, Clone, Copy)]
pub struct Unit<'a> {
    /// All angles; `None` when only averaged curves are at hand.
    pub response: Option<&'a Response>,
    /// Its averaged curves.
    pub curves: &'a AveragedCurves,
}

/// What two units share, as a speaker of its own, and how well they match.
#[derive(Debug, Clone, PartialEq)]
pub struct Shared {
    /// All angles, where both units have them.
    pub response: Option<Response>,
    /// The averaged curves.
    pub curves: AveragedCurves,
    /// How well the units match.
    pub matched: Matched,
    /// What of them was compared.
    pub common: Common,
}

/// What both units show.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Common {
    /// Frequencies that both cover.
    pub band: Band,
    /// Whether the first unit covers more than that.
    pub is_shorter: bool,
    /// Directions of the first unit that the second one lacks.
    pub lacking: usize,
    /// Whether only one of the two was measured by angles.
    pub angles_of_one: bool,
    /// Whether both hold the same numbers.
    pub same_numbers: bool,
}

/// Differences are smoothed so widely before they count, octaves: takes out measuring noise.
const SEARCH_OCT: f64 = 1.0 / 12.0;

/// Both units on one grid, and their listening windows with the level over the target taken out.
struct Both {
    grid: Grid,
    windows_db: [Vec<f64>; 2],
    levels_db: [f64; 2],
}

/// What two units share under `target`.
///
/// # Errors
/// When a unit has no listening window or both have less than an octave in common.
pub fn shared(first: Unit, second: Unit, target: &Target) -> Result<Shared> {
    let (own, other) = (&first.curves.grid, &second.curves.grid);
    let apart = || {
        Error::call("the two units of the pair have less than an octave in common")
            .with_hint("measure both over the same range")
    };
    let band = own
        .band()
        .shared(other.band())
        .filter(|band| band.to_hz >= 2.0 * band.from_hz)
        .ok_or_else(apart)?;
    let range = own.range(band.from_hz * (1.0 - 1e-9), band.to_hz * (1.0 + 1e-9));
    let grid = Grid::new(own.freqs_hz()[range].to_vec()).ok_or_else(apart)?;
    let both = Both::new(first, second, target, grid)?;
    let shared_db = both.shared_db(target);
    let same_numbers = both.windows_db[0]
        .iter()
        .zip(&both.windows_db[1])
        .all(|(a, b)| a == b);
    let matched = both.matched(target);
    let (response, lacking) = match (first.response, second.response) {
        (Some(a), Some(b)) => {
            let (response, lacking) = both.response(a, b, &shared_db)?;
            (Some(response), lacking)
        }
        _ => (None, 0),
    };
    let common = Common {
        is_shorter: band != own.band(),
        band,
        lacking,
        angles_of_one: first.response.is_some() != second.response.is_some(),
        same_numbers,
    };
    let rear_wall: RearWall = first.curves.rear_wall;
    let curves = match &response {
        Some(response) => AveragedCurves::from_response(response, rear_wall),
        None => both.curves(first.curves, second.curves, &shared_db),
    };
    Ok(Shared {
        response,
        curves,
        matched,
        common,
    })
}

impl Both {
    fn new(first: Unit, second: Unit, target: &Target, grid: Grid) -> Result<Both> {
        let target = target.curve(&grid);
        let window = |unit: Unit, name: &str| -> Result<(Vec<f64>, f64)> {
            let curve = unit.curves.listening_window.as_ref().ok_or_else(|| {
                Error::call(format!(
                    "the {name} unit of the pair has no listening window"
                ))
            })?;
            let levels = on(&unit.curves.grid, &curve.levels_db, &grid);
            let above: Vec<f64> = levels
                .iter()
                .zip(target.values_db())
                .map(|(l, t)| l - t)
                .collect();
            let level_db = median_level_db(&grid, &above);
            Ok((levels.iter().map(|l| l - level_db).collect(), level_db))
        };
        let (a, level_a) = window(first, "first")?;
        let (b, level_b) = window(second, "second")?;
        Ok(Both {
            grid,
            windows_db: [a, b],
            levels_db: [level_a, level_b],
        })
    }

    /// The listening window that both share, dB: it deviates from the target as far as both do in
    /// the same sense.
    fn shared_db(&self, target: &Target) -> Vec<f64> {
        let target = target.curve(&self.grid);
        let half: Vec<f64> = self.windows_db[0]
            .iter()
            .zip(&self.windows_db[1])
            .map(|(a, b)| 0.5 * (b - a))
            .collect();
        // Noise makes no unit differ from the other.
        let half = Smoother::new(&self.grid, SEARCH_OCT).apply(&half);
        (0..self.grid.len())
            .map(|i| {
                let mean =
                    0.5 * (self.windows_db[0][i] + self.windows_db[1][i]) - target.values_db()[i];
                target.values_db()[i] + mean.signum() * (mean.abs() - half[i].abs()).max(0.0)
            })
            .collect()
    }

    fn matched(&self, target: &Target) -> Matched {
        let target = target.curve(&self.grid);
        let raw: Vec<f64> = self.windows_db[0]
            .iter()
            .zip(&self.windows_db[1])
            .map(|(a, b)| b - a)
            .collect();
        let difference_db = Smoother::new(&self.grid, SEARCH_OCT).apply(&raw);
        let deviations_db = self.windows_db.each_ref().map(|window| {
            let pairs = window.iter().zip(target.values_db());
            pairs.map(|(level, target)| level - target).collect()
        });
        Matched::new(
            self.grid.clone(),
            deviations_db,
            difference_db,
            self.levels_db[1] - self.levels_db[0],
        )
    }

    /// Every direction of the first unit, and how many the second lacks.
    fn response(&self, a: &Response, b: &Response, shared_db: &[f64]) -> Result<(Response, usize)> {
        let apart = || Error::call("the angles of the pair do not cover what their curves do");
        let (a, b) = (
            a.resampled(&self.grid).ok_or_else(apart)?,
            b.resampled(&self.grid).ok_or_else(apart)?,
        );
        let mut lacking = 0;
        let members = a
            .members()
            .iter()
            .map(|member| {
                let direction = member.direction;
                let other = b.at(direction.orbit(), direction.angle_deg());
                lacking += usize::from(other.is_none());
                let over = |levels: &[f64], unit: usize, i: usize| {
                    levels[i] - self.levels_db[unit] - self.windows_db[unit][i]
                };
                let levels_db = (0..self.grid.len())
                    .map(|i| {
                        let own = over(&member.levels_db, 0, i);
                        let mean = match other {
                            Some(other) => 0.5 * (own + over(&other.levels_db, 1, i)),
                            None => own,
                        };
                        shared_db[i] + self.levels_db[0] + mean
                    })
                    .collect();
                Member {
                    direction,
                    levels_db,
                    // Phases of two boxes have no mean.
                    phase_deg: None,
                    mirrored: member.mirrored,
                }
            })
            .collect();
        let response = Response::new(self.grid.clone(), members).ok_or_else(apart)?;
        Ok((response, lacking))
    }

    fn curves(&self, a: &AveragedCurves, b: &AveragedCurves, shared_db: &[f64]) -> AveragedCurves {
        let (a_named, b_named) = (a.named(), b.named());
        let named = std::array::from_fn(|k| {
            let (name, a_curve) = a_named[k];
            let own = on(&a.grid, &a_curve?.levels_db, &self.grid);
            let other = on(&b.grid, &b_named[k].1?.levels_db, &self.grid);
            let is_index = name.ends_with("_di");
            let levels = (0..self.grid.len()).map(|i| {
                if is_index {
                    return 0.5 * (own[i] + other[i]);
                }
                let over = |levels: &[f64], unit: usize| {
                    levels[i] - self.levels_db[unit] - self.windows_db[unit][i]
                };
                shared_db[i] + self.levels_db[0] + 0.5 * (over(&own, 0) + over(&other, 1))
            });
            Some(levels.collect())
        });
        AveragedCurves::from_table(self.grid.clone(), named)
    }
}

/// `levels` on `grid`, which lies within `from`.
fn on(from: &Grid, levels: &[f64], grid: &Grid) -> Vec<f64> {
    let found = resample_db(from, levels, grid);
    found.into_iter().map(|l| l.unwrap_or(0.0)).collect()
}

/// `wish`, that for what both units share, with what differs between them among its candidates; `own`
/// are the filters of each unit where it gets a list of its own.
pub fn with_differences(
    audit: &Audit,
    wish: &Wish,
    matched: &Matched,
    own: Option<[&Bank; 2]>,
) -> Wish {
    let differences = candidates::of(matched, audit.judged, own);
    let all = wish.candidates.iter().cloned().chain(differences).collect();
    Wish::new(wish.eq.clone(), all)
}
