//! How far up and down a listener may sit, and how wide a speaker beams to the sides.

use crate::curve::{Band, Grid, Smoother};
use crate::response::{Orbit, Response};

/// A plan holds in a direction while its response stays within this of the listening window's,
/// dB, in either direction.
pub const HOLDS_WITHIN_DB: f64 = 1.5;

/// Smoothing before the two are compared, octaves: narrower differences are ripples that a
/// listener's own movement averages out. Our own judgement.
const SMOOTHING_OCT: f64 = 0.5;

/// Compared up to here, Hz: above, every tweeter falls off fast with the angle. Our own judgement.
const COMPARED_TO_HZ: f64 = 10_000.0;

/// Farther from the axis nobody sits, degrees.
const LOOKED_AT_DEG: f64 = 45.0;

/// The beam ends where the level has fallen so far below the axis, dB (common practice, as for the
/// coverage of sound systems).
pub const BEAM_EDGE_DB: f64 = -6.0;

/// Width of the bands in which a beam is told, octaves.
const BEAM_SMOOTHING_OCT: f64 = 1.0 / 3.0;

/// Centres of these bands, Hz: octaves (IEC 61260-1, nominal).
const BEAM_HZ: [f64; 5] = [1000.0, 2000.0, 4000.0, 8000.0, 16_000.0];

/// How far to one side a plan holds.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Hold {
    /// Degrees from the axis, 0 or above.
    pub deg: f64,
    /// What ends it: frequency in Hz and difference from the window in dB at the first direction
    /// beyond; `None` when it still holds in the last one looked at.
    pub ends: Option<(f64, f64)>,
}

/// How far up and down a plan holds.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct VerticalHold {
    /// Upward.
    pub up: Hold,
    /// Downward.
    pub down: Hold,
}

/// How wide the speaker beams in one band.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Beam {
    /// Centre of the band, Hz.
    pub f_hz: f64,
    /// Degrees to the negative side at which the level is 6 dB below the axis; `None` when it is
    /// not within the directions measured in front.
    pub left_deg: Option<f64>,
    /// The same to the positive side.
    pub right_deg: Option<f64>,
}

/// How far up and down `response` stays within [`HOLDS_WITHIN_DB`] of `window_db`, the listening
/// window on the same grid, within `band`. `None` without vertical angles.
pub fn vertical_hold(response: &Response, window_db: &[f64], band: Band) -> Option<VerticalHold> {
    if !response.has_orbit(Orbit::Vertical) {
        return None;
    }
    let grid = response.grid();
    let band = grid.range(band.from_hz, band.to_hz.min(COMPARED_TO_HZ));
    let smoother = Smoother::new(grid, SMOOTHING_OCT);
    let farthest = |levels_db: &[f64]| -> Option<(f64, f64)> {
        let apart: Vec<f64> = levels_db
            .iter()
            .zip(window_db)
            .map(|(l, w)| l - w)
            .collect();
        let smooth = smoother.apply(&apart);
        let at = band
            .clone()
            .max_by(|a, b| smooth[*a].abs().total_cmp(&smooth[*b].abs()))?;
        Some((grid.freqs_hz()[at], smooth[at]))
    };
    let axis = farthest(&response.at(Orbit::Vertical, 0.0)?.levels_db)?;
    let side = |sign: f64| {
        let mut angles: Vec<(f64, (f64, f64))> = response
            .members()
            .iter()
            .filter(|m| m.direction.orbit() == Orbit::Vertical)
            .map(|m| (sign * m.direction.angle_deg(), m))
            .filter(|(angle_deg, _)| *angle_deg > 0.0 && *angle_deg <= LOOKED_AT_DEG)
            .filter_map(|(angle_deg, m)| Some((angle_deg, farthest(&m.levels_db)?)))
            .collect();
        angles.sort_by(|a, b| a.0.total_cmp(&b.0));
        hold(axis, &angles)
    };
    Some(VerticalHold {
        up: side(1.0),
        down: side(-1.0),
    })
}

/// Along ascending angles with the largest difference at each.
fn hold(axis: (f64, f64), angles: &[(f64, (f64, f64))]) -> Hold {
    let (mut last_deg, mut last_db) = (0.0, axis.1.abs());
    if last_db > HOLDS_WITHIN_DB {
        return Hold {
            deg: 0.0,
            ends: Some(axis),
        };
    }
    for (angle_deg, far) in angles {
        let here_db = far.1.abs();
        if here_db > HOLDS_WITHIN_DB {
            let share = (HOLDS_WITHIN_DB - last_db) / (here_db - last_db);
            return Hold {
                deg: last_deg + share * (angle_deg - last_deg),
                ends: Some(*far),
            };
        }
        (last_deg, last_db) = (*angle_deg, here_db);
    }
    Hold {
        deg: last_deg,
        ends: None,
    }
}

/// The beam in each octave that the data reach. Empty without horizontal angles.
pub fn beams(response: &Response) -> Vec<Beam> {
    let Some(axis) = response.at(Orbit::Horizontal, 0.0) else {
        return Vec::new();
    };
    if !response.has_orbit(Orbit::Horizontal) {
        return Vec::new();
    }
    let grid = response.grid();
    let smoother = Smoother::new(grid, BEAM_SMOOTHING_OCT);
    let mut below_db: Vec<(f64, Vec<f64>)> = response
        .members()
        .iter()
        .filter(|m| m.direction.orbit() == Orbit::Horizontal && m.direction.off_axis_deg() <= 90.0)
        .map(|m| {
            let apart: Vec<f64> = m
                .levels_db
                .iter()
                .zip(&axis.levels_db)
                .map(|(l, a)| l - a)
                .collect();
            (m.direction.angle_deg(), smoother.apply(&apart))
        })
        .collect();
    below_db.sort_by(|a, b| a.0.total_cmp(&b.0));
    BEAM_HZ
        .into_iter()
        .filter(|f_hz| within(grid, *f_hz))
        .map(|f_hz| {
            let at = grid.nearest(f_hz);
            let edge = |sign: f64| {
                let mut steps: Vec<(f64, f64)> = below_db
                    .iter()
                    .map(|(angle_deg, below)| (sign * angle_deg, below[at]))
                    .filter(|(angle_deg, _)| *angle_deg >= 0.0)
                    .collect();
                steps.sort_by(|a, b| a.0.total_cmp(&b.0));
                steps.windows(2).find_map(|pair| {
                    let ((near_deg, near), (far_deg, far)) = (pair[0], pair[1]);
                    (far <= BEAM_EDGE_DB && near > BEAM_EDGE_DB).then(|| {
                        near_deg + (BEAM_EDGE_DB - near) / (far - near) * (far_deg - near_deg)
                    })
                })
            };
            Beam {
                f_hz,
                left_deg: edge(-1.0),
                right_deg: edge(1.0),
            }
        })
        .collect()
}

fn within(grid: &Grid, f_hz: f64) -> bool {
    grid.first_hz() <= f_hz && f_hz <= grid.last_hz() * 1.001
}
