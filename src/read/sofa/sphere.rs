//! Between measured directions: weights of the neighbours on the sphere.
//!
//! The power near a direction is taken for a polynomial of second order in the plane that touches
//! the sphere there, fitted to the nearest measured directions, nearer ones counting more. The
//! value at the direction is then a weighted sum of the neighbours' powers, with weights that
//! depend on the places only. Source: Lancaster and Salkauskas 1981, Math. Comp. 37, 141-158
//! (moving least squares).

use super::space::{Vector, between_deg, cross, dot, unit};
use crate::algebra::solve_positive_definite;

/// A direction is not guessed where the nearest measured one is farther than this, degrees: the
/// middle of a cell of a sphere measured in steps of 15 degrees lies 10.6 from its corners.
pub(super) const NEAREST_AT_MOST_DEG: f64 = 11.0;

/// How many measured directions stand for the neighbourhood: twice the six terms of a polynomial
/// of second order in two variables.
const NEIGHBOURS: usize = 12;

/// What lies farther than this says nothing about a direction, degrees: half the width of the
/// narrowest lobe that 10-degree data can show twice over. Our own judgement.
const FARTHEST_DEG: f64 = 25.0;

/// The neighbours must stand on all sides: no gap wider than this, degrees, or a direction
/// beyond the measured part of the sphere would be guessed.
const WIDEST_GAP_DEG: f64 = 150.0;

/// Weights of both signs whose sizes add up to more than this would blow up what noise there is.
const LARGEST_WEIGHTS: f64 = 2.5;

/// Indices into `points` with the weight of each, which add up to one; `None` where `target` is
/// not surrounded by points near enough. `without` is left out.
pub(super) fn weights(
    target: Vector,
    points: &[Vector],
    without: Option<usize>,
    nearest_at_most_deg: f64,
) -> Option<Vec<(usize, f64)>> {
    let mut near: Vec<(f64, usize)> = points
        .iter()
        .enumerate()
        .filter(|(i, _)| Some(*i) != without)
        .map(|(i, point)| (between_deg(target, *point), i))
        .filter(|(distance_deg, _)| *distance_deg <= FARTHEST_DEG)
        .collect();
    if near.len() > NEIGHBOURS {
        near.select_nth_unstable_by(NEIGHBOURS, |a, b| a.0.total_cmp(&b.0).then(a.1.cmp(&b.1)));
        near.truncate(NEIGHBOURS);
    }
    near.sort_by(|a, b| a.0.total_cmp(&b.0).then(a.1.cmp(&b.1)));
    let (nearest_deg, farthest_deg) = (near.first()?.0, near.last()?.0);
    if near.len() < 3 || nearest_deg > nearest_at_most_deg {
        return None;
    }
    let flat = flattened(target, points, &near)?;
    if widest_gap_deg(&flat) > WIDEST_GAP_DEG {
        return None;
    }
    // A little beyond the farthest, so that it still counts.
    let reach_deg = 1.1 * farthest_deg;
    for terms in [6, 3] {
        if let Some(weights) = fitted(&flat, reach_deg, terms)
            && weights.iter().map(|w| w.abs()).sum::<f64>() <= LARGEST_WEIGHTS
        {
            return Some(near.iter().map(|(_, i)| *i).zip(weights).collect());
        }
    }
    None
}

/// The neighbours in the touching plane, degrees from the target.
fn flattened(target: Vector, points: &[Vector], near: &[(f64, usize)]) -> Option<Vec<[f64; 2]>> {
    let helper = if target[2].abs() < 0.9 {
        [0.0, 0.0, 1.0]
    } else {
        [1.0, 0.0, 0.0]
    };
    let right = unit(cross(target, helper))?;
    let up = cross(right, target);
    Some(
        near.iter()
            .map(|(distance_deg, i)| {
                let (x, y) = (dot(points[*i], right), dot(points[*i], up));
                let length = x.hypot(y).max(f64::MIN_POSITIVE);
                [distance_deg * x / length, distance_deg * y / length]
            })
            .collect(),
    )
}

/// The widest angle, seen from the target, without a neighbour in it.
fn widest_gap_deg(flat: &[[f64; 2]]) -> f64 {
    let mut bearings_deg: Vec<f64> = flat.iter().map(|[x, y]| y.atan2(*x).to_degrees()).collect();
    bearings_deg.sort_by(f64::total_cmp);
    let round = bearings_deg
        .first()
        .zip(bearings_deg.last())
        .map_or(360.0, |(first, last)| first + 360.0 - last);
    bearings_deg
        .windows(2)
        .map(|pair| pair[1] - pair[0])
        .fold(round, f64::max)
}

/// Weights of the value at the origin of a polynomial with so many of the terms 1, x, y, xx, xy,
/// yy; `None` when the places do not determine it.
fn fitted(flat: &[[f64; 2]], reach_deg: f64, terms: usize) -> Option<Vec<f64>> {
    let rows: Vec<([f64; 6], f64)> = flat
        .iter()
        .map(|[x, y]| {
            let (x, y) = (x / reach_deg, y / reach_deg);
            let falloff = 1.0 - (x * x + y * y);
            ([1.0, x, y, x * x, x * y, y * y], falloff * falloff)
        })
        .collect();
    let mut m = vec![0.0; terms * terms];
    for (basis, weight) in &rows {
        for i in 0..terms {
            for j in 0..terms {
                m[i * terms + j] += weight * basis[i] * basis[j];
            }
        }
    }
    let mut solution = vec![0.0; terms];
    solution[0] = 1.0;
    if !solve_positive_definite(&mut m, &mut solution) {
        return None;
    }
    let weights: Vec<f64> = rows
        .iter()
        .map(|(basis, weight)| weight * (0..terms).map(|i| solution[i] * basis[i]).sum::<f64>())
        .collect();
    weights.iter().all(|w| w.is_finite()).then_some(weights)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Nearly even directions: a spiral with the golden angle.
    fn spiral(count: usize) -> Vec<Vector> {
        let golden = std::f64::consts::PI * (3.0 - 5f64.sqrt());
        (0..count)
            .map(|i| {
                let z = 1.0 - (2.0 * i as f64 + 1.0) / count as f64;
                let (r, turn) = ((1.0 - z * z).sqrt(), golden * i as f64);
                [r * turn.cos(), r * turn.sin(), z]
            })
            .collect()
    }

    /// A beam that falls by about 25 dB to the back, with a lobe of third order.
    fn power(u: Vector) -> f64 {
        let beam = (2.8 * (u[0] - 1.0)).exp();
        beam * (1.0 + 0.3 * (u[1] * (5.0 * u[1] * u[1] - 3.0)) + 0.2 * u[2])
    }

    #[test]
    fn a_smooth_field_is_met_between_its_points() {
        // Six hundred points stand about 8 degrees apart.
        let points = spiral(600);
        let mut worst_db: f64 = 0.0;
        for step in 0..72 {
            let angle = (5.0 * f64::from(step)).to_radians();
            for target in [
                [angle.cos(), angle.sin(), 0.0],
                [angle.cos(), 0.0, angle.sin()],
            ] {
                let weights = weights(target, &points, None, NEAREST_AT_MOST_DEG).unwrap();
                let sum: f64 = weights.iter().map(|(_, w)| w).sum();
                assert!((sum - 1.0).abs() < 1e-9);
                let got: f64 = weights.iter().map(|(i, w)| w * power(points[*i])).sum();
                worst_db = worst_db.max((10.0 * (got / power(target)).log10()).abs());
            }
        }
        // Third-order terms over 8 degrees (0.14 rad): 0.14^3 is a quarter of a per cent, times
        // a few for the steepness; a tenth of a decibel is 2 per cent.
        assert!(worst_db < 0.1, "{worst_db}");
        assert!(
            worst_db > 1e-4,
            "an exact answer would mean nothing was interpolated"
        );
    }

    #[test]
    fn what_is_not_surrounded_is_not_guessed() {
        let half: Vec<Vector> = spiral(600).into_iter().filter(|u| u[0] > 0.0).collect();
        let back = [-1.0, 0.0, 0.0];
        assert!(weights(back, &half, None, NEAREST_AT_MOST_DEG).is_none());
        let edge = unit([-0.02, 1.0, 0.0]).unwrap();
        assert!(weights(edge, &half, None, NEAREST_AT_MOST_DEG).is_none());
        let line: Vec<Vector> = (0..36)
            .map(|i| {
                let angle = (10.0 * f64::from(i)).to_radians();
                [angle.cos(), angle.sin(), 0.0]
            })
            .collect();
        assert!(weights([0.0, 0.0, 1.0], &line, None, NEAREST_AT_MOST_DEG).is_none());
    }
}
