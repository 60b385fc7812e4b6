//! The orbits among the directions of a sphere: picked where they were measured, else found
//! between their neighbours.

use super::directions::Spot;
use super::space::{Vector, between_deg};
use super::sphere::{self, NEAREST_AT_MOST_DEG};
use crate::response::Orbit;

/// A measured direction this close to an orbit's counts as it, degrees: positions are often
/// written in whole degrees, and no level of a loudspeaker moves by a tenth of a decibel over
/// half a degree where it is loud enough to matter. Our own judgement.
pub(super) const ON_ORBIT_DEG: f64 = 0.5;

/// Directions of one orbit. Source: ANSI/CTA-2034-A (10-degree resolution).
const STEP_DEG: i32 = 10;

/// Where the data of a direction come from.
#[derive(Debug, Clone, PartialEq)]
pub(super) enum From {
    /// The spot of this index.
    Measured(usize),
    /// Several spots with their weights.
    Between(Vec<(usize, f64)>),
}

/// A direction of an orbit.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Picked {
    pub angle_deg: f64,
    pub from: From,
}

/// Towards the angle on the orbit: front, left, up. Positive horizontal angles are to the
/// speaker's left, which is the right of whoever looks at it.
pub(super) fn towards(orbit: Orbit, angle_deg: f64) -> Vector {
    let (sine, cosine) = angle_deg.to_radians().sin_cos();
    match orbit {
        Orbit::Horizontal => [cosine, sine, 0.0],
        Orbit::Vertical => [cosine, 0.0, sine],
    }
}

/// The directions of `orbit`: all that were measured on it, and what of the steps of 10 degrees
/// can be found between measured neighbours. Empty where nothing lies off the axis.
pub(super) fn orbit(orbit: Orbit, spots: &[Spot]) -> Vec<Picked> {
    let points: Vec<Vector> = spots.iter().map(|spot| spot.towards).collect();
    let steps = (-180 / STEP_DEG + 1..=180 / STEP_DEG).map(|i| f64::from(i * STEP_DEG));
    let mut picked: Vec<Picked> = steps
        .filter_map(|angle_deg| {
            let target = towards(orbit, angle_deg);
            let from = match nearest(target, &points) {
                (i, distance_deg) if distance_deg <= ON_ORBIT_DEG => From::Measured(i),
                _ => From::Between(sphere::weights(target, &points, None, NEAREST_AT_MOST_DEG)?),
            };
            Some(Picked { angle_deg, from })
        })
        .collect();
    picked.extend(off_step(orbit, &points));
    let off_axis = |p: &Picked| p.angle_deg != 0.0 && p.angle_deg != 180.0;
    if picked.iter().any(off_axis) {
        picked
    } else {
        Vec::new()
    }
}

fn nearest(target: Vector, points: &[Vector]) -> (usize, f64) {
    points
        .iter()
        .map(|point| between_deg(target, *point))
        .enumerate()
        .min_by(|a, b| a.1.total_cmp(&b.1))
        .unwrap_or((0, f64::INFINITY))
}

/// What was measured on the orbit beside the steps of 10 degrees.
fn off_step(orbit: Orbit, points: &[Vector]) -> Vec<Picked> {
    let mut on_orbit: Vec<(f64, f64, usize)> = points
        .iter()
        .enumerate()
        .filter_map(|(i, u)| {
            let (side, off) = match orbit {
                Orbit::Horizontal => (u[1], u[2]),
                Orbit::Vertical => (u[2], u[1]),
            };
            let angle_deg = side.atan2(u[0]).to_degrees();
            let from_step =
                angle_deg - f64::from(STEP_DEG) * (angle_deg / f64::from(STEP_DEG)).round();
            let off_deg = off.clamp(-1.0, 1.0).asin().to_degrees().abs();
            (off_deg <= ON_ORBIT_DEG && from_step.abs() > ON_ORBIT_DEG)
                .then_some((angle_deg, off_deg, i))
        })
        .collect();
    // Of several that lie close together the one nearest to the orbit.
    on_orbit.sort_by(|a, b| a.1.total_cmp(&b.1).then(a.2.cmp(&b.2)));
    let mut picked: Vec<Picked> = Vec::new();
    for (angle_deg, _, i) in on_orbit {
        let angle_deg = (100.0 * angle_deg).round() / 100.0;
        if picked
            .iter()
            .all(|other| (other.angle_deg - angle_deg).abs() > ON_ORBIT_DEG)
        {
            picked.push(Picked {
                angle_deg,
                from: From::Measured(i),
            });
        }
    }
    picked
}

#[cfg(test)]
mod tests {
    use super::*;

    fn sphere(step_deg: usize) -> Vec<Spot> {
        let mut spots = Vec::new();
        for elevation_deg in (-90_i32..=90).step_by(step_deg) {
            for azimuth_deg in (0..360).step_by(step_deg) {
                if elevation_deg.abs() == 90 && azimuth_deg > 0 {
                    continue;
                }
                let (elevation, azimuth) = (
                    f64::from(elevation_deg).to_radians(),
                    f64::from(azimuth_deg).to_radians(),
                );
                spots.push(Spot {
                    towards: [
                        elevation.cos() * azimuth.cos(),
                        elevation.cos() * azimuth.sin(),
                        elevation.sin(),
                    ],
                    distance_m: 1.0,
                    repeats: vec![(0, spots.len())],
                });
            }
        }
        spots
    }

    #[test]
    fn a_sphere_in_steps_of_ten_gives_both_orbits_as_measured() {
        for orbit in [Orbit::Horizontal, Orbit::Vertical] {
            let picked = super::orbit(orbit, &sphere(10));
            assert_eq!(picked.len(), 36);
            assert!(picked.iter().all(|p| matches!(p.from, From::Measured(_))));
        }
    }

    #[test]
    fn a_sphere_in_steps_of_fifteen_has_the_rest_found_between() {
        let picked = super::orbit(Orbit::Horizontal, &sphere(15));
        let measured = |p: &&Picked| matches!(p.from, From::Measured(_));
        assert_eq!(picked.iter().filter(measured).count(), 24);
        assert_eq!(picked.len(), 24 + 24);
    }

    #[test]
    fn an_orbit_of_which_only_the_axis_was_measured_is_none() {
        let flat: Vec<Spot> = sphere(10)
            .into_iter()
            .filter(|spot| spot.towards[2].abs() < 1e-9)
            .collect();
        assert_eq!(super::orbit(Orbit::Horizontal, &flat).len(), 36);
        assert!(super::orbit(Orbit::Vertical, &flat).is_empty());
    }
}
