//! What was measured: levels (and phase, where known) by direction on one common grid.

mod neighbours;

pub use neighbours::{GAP_AT_MOST_DEG, told_by_neighbours};

use crate::curve::{Grid, Resampling};
use crate::units::wrap_deg;
use std::fmt;

/// One circle of angles round the speaker.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, serde::Serialize)]
#[serde(rename_all = "lowercase")]
pub enum Orbit {
    /// Left and right.
    Horizontal,
    /// Up (positive) and down.
    Vertical,
}

impl Orbit {
    /// Lower-case name.
    pub fn name(self) -> &'static str {
        match self {
            Orbit::Horizontal => "horizontal",
            Orbit::Vertical => "vertical",
        }
    }
}

/// A direction on an orbit; the angle lies in (-180, 180].
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Direction {
    orbit: Orbit,
    angle_deg: f64,
}

impl Direction {
    /// The direction at `angle_deg` (finite, any number of turns) on `orbit`.
    pub fn new(orbit: Orbit, angle_deg: f64) -> Self {
        Direction {
            orbit,
            angle_deg: wrap_deg(angle_deg),
        }
    }

    /// The orbit.
    pub fn orbit(self) -> Orbit {
        self.orbit
    }

    /// The angle in degrees, in (-180, 180].
    pub fn angle_deg(self) -> f64 {
        self.angle_deg
    }

    /// Angle to the reference axis in degrees, 0 to 180. On both orbits this is the angle on
    /// the sphere.
    pub fn off_axis_deg(self) -> f64 {
        self.angle_deg.abs()
    }
}

impl fmt::Display for Direction {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{} {} degrees", self.orbit.name(), self.angle_deg)
    }
}

/// Angles closer than this are one angle; turntables are set to a tenth of a degree at best.
pub const SAME_ANGLE_DEG: f64 = 0.05;

/// The response in one direction.
#[derive(Debug, Clone, PartialEq)]
pub struct Member {
    /// Where it was measured.
    pub direction: Direction,
    /// Level in dB at each frequency of the response's grid.
    pub levels_db: Vec<f64>,
    /// Phase in degrees, unwrapped, where it was measured.
    pub phase_deg: Option<Vec<f64>>,
    /// True when the other side was measured and this one is its mirror image.
    pub mirrored: bool,
}

/// A speaker measured at many angles: every member on one grid, no direction twice, one member
/// at least.
#[derive(Debug, Clone, PartialEq)]
pub struct Response {
    grid: Grid,
    members: Vec<Member>,
}

impl Response {
    /// A response from its members, sorted by orbit and angle; `None` unless they keep the
    /// type's promise.
    pub fn new(grid: Grid, mut members: Vec<Member>) -> Option<Self> {
        let complete = members.iter().all(|m| {
            m.levels_db.len() == grid.len()
                && m.levels_db.iter().all(|v| v.is_finite())
                && m.phase_deg.as_ref().is_none_or(|p| p.len() == grid.len())
        });
        members.sort_by(|a, b| {
            (a.direction.orbit, a.direction.angle_deg)
                .partial_cmp(&(b.direction.orbit, b.direction.angle_deg))
                .expect("angles are finite")
        });
        let distinct = members.windows(2).all(|pair| {
            let (a, b) = (pair[0].direction, pair[1].direction);
            a.orbit != b.orbit || b.angle_deg - a.angle_deg > SAME_ANGLE_DEG
        });
        (complete && distinct && !members.is_empty()).then_some(Response { grid, members })
    }

    /// The common grid.
    pub fn grid(&self) -> &Grid {
        &self.grid
    }

    /// The members, horizontal orbit first, angles ascending.
    pub fn members(&self) -> &[Member] {
        &self.members
    }

    /// The member at `angle_deg` on `orbit`. The axis and its back belong to both orbits: asked
    /// for on one, they are taken from the other when only that has them.
    pub fn at(&self, orbit: Orbit, angle_deg: f64) -> Option<&Member> {
        self.index_of(orbit, angle_deg).map(|i| &self.members[i])
    }

    /// Index into [`Response::members`] of what [`Response::at`] returns.
    pub fn index_of(&self, orbit: Orbit, angle_deg: f64) -> Option<usize> {
        let wanted = Direction::new(orbit, angle_deg);
        let find = |orbit: Orbit| {
            self.members.iter().position(|m| {
                m.direction.orbit == orbit
                    && (m.direction.angle_deg - wanted.angle_deg).abs() < SAME_ANGLE_DEG
            })
        };
        let other = match orbit {
            Orbit::Horizontal => Orbit::Vertical,
            Orbit::Vertical => Orbit::Horizontal,
        };
        let shared = wanted.off_axis_deg() < SAME_ANGLE_DEG
            || wanted.off_axis_deg() > 180.0 - SAME_ANGLE_DEG;
        find(orbit).or_else(|| if shared { find(other) } else { None })
    }

    /// Whether any member lies on `orbit` away from the axis both orbits share.
    pub fn has_orbit(&self, orbit: Orbit) -> bool {
        self.members.iter().any(|m| {
            m.direction.orbit == orbit
                && m.direction.off_axis_deg() > SAME_ANGLE_DEG
                && m.direction.off_axis_deg() < 180.0 - SAME_ANGLE_DEG
        })
    }

    /// The same response with a side that was not measured filled by its mirror image, and
    /// which orbits that concerned. An orbit whose two sides both hold angles is left as it is.
    pub fn mirrored(mut self) -> (Self, Vec<Orbit>) {
        let mut filled = Vec::new();
        for orbit in [Orbit::Horizontal, Orbit::Vertical] {
            let is_side = |m: &&Member| {
                m.direction.orbit == orbit
                    && m.direction.off_axis_deg() > SAME_ANGLE_DEG
                    && m.direction.off_axis_deg() < 180.0 - SAME_ANGLE_DEG
            };
            let sides: Vec<&Member> = self.members.iter().filter(is_side).collect();
            let positive = sides.iter().any(|m| m.direction.angle_deg > 0.0);
            let negative = sides.iter().any(|m| m.direction.angle_deg < 0.0);
            if positive == negative {
                continue;
            }
            let images: Vec<Member> = sides
                .into_iter()
                .map(|m| Member {
                    direction: Direction::new(orbit, -m.direction.angle_deg),
                    mirrored: true,
                    ..m.clone()
                })
                .collect();
            self.members.extend(images);
            filled.push(orbit);
        }
        let response = Response::new(self.grid, self.members)
            .expect("mirror images stand where no member stood");
        (response, filled)
    }

    /// The same response on another grid, see [`crate::curve::resample_db`]; phase is joined by straight
    /// lines over log frequency. `None` when `to` reaches beyond the measured range.
    pub fn resampled(&self, to: &Grid) -> Option<Response> {
        let resampling = Resampling::new(&self.grid, to);
        let members = self
            .members
            .iter()
            .map(|m| {
                let levels_db = resampling
                    .of(&m.levels_db)
                    .into_iter()
                    .collect::<Option<Vec<f64>>>()?;
                let phase_deg = m
                    .phase_deg
                    .as_ref()
                    .map(|phase| interpolate_linear(&self.grid, phase, to));
                Some(Member {
                    direction: m.direction,
                    levels_db,
                    phase_deg,
                    mirrored: m.mirrored,
                })
            })
            .collect::<Option<Vec<Member>>>()?;
        Response::new(to.clone(), members)
    }

    /// The same response with `gains_db`, one per frequency of the grid, added to every member.
    ///
    /// # Panics
    /// When the number of gains is another one than the grid's.
    pub fn with_gain(&self, gains_db: &[f64]) -> Response {
        assert_eq!(gains_db.len(), self.grid.len(), "one gain per frequency");
        let members = self
            .members
            .iter()
            .map(|m| Member {
                levels_db: m
                    .levels_db
                    .iter()
                    .zip(gains_db)
                    .map(|(l, g)| l + g)
                    .collect(),
                ..m.clone()
            })
            .collect();
        Response {
            grid: self.grid.clone(),
            members,
        }
    }
}

fn interpolate_linear(from: &Grid, values: &[f64], to: &Grid) -> Vec<f64> {
    let x = from.freqs_hz();
    to.freqs_hz()
        .iter()
        .map(|f| {
            let i = x.partition_point(|v| v <= f).clamp(1, x.len() - 1);
            let t = ((f / x[i - 1]).log2() / (x[i] / x[i - 1]).log2()).clamp(0.0, 1.0);
            values[i - 1] + t * (values[i] - values[i - 1])
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn member(orbit: Orbit, angle_deg: f64, level_db: f64) -> Member {
        Member {
            direction: Direction::new(orbit, angle_deg),
            levels_db: vec![level_db; 3],
            phase_deg: None,
            mirrored: false,
        }
    }

    fn grid() -> Grid {
        Grid::new(vec![100.0, 200.0, 400.0]).unwrap()
    }

    #[test]
    fn minus_180_and_180_are_one_direction() {
        let twice = vec![
            member(Orbit::Horizontal, -180.0, 0.0),
            member(Orbit::Horizontal, 180.0, 0.0),
        ];
        assert!(Response::new(grid(), twice).is_none());
    }

    #[test]
    fn the_axis_is_found_from_either_orbit() {
        let response = Response::new(
            grid(),
            vec![
                member(Orbit::Vertical, 0.0, 5.0),
                member(Orbit::Vertical, 10.0, 4.0),
            ],
        )
        .unwrap();
        assert_eq!(
            response.at(Orbit::Horizontal, 0.0).unwrap().levels_db[0],
            5.0
        );
        assert!(response.at(Orbit::Horizontal, 10.0).is_none());
    }

    #[test]
    fn an_orbit_is_there_when_an_angle_away_from_the_shared_axis_is() {
        let with = |angle_deg: f64| {
            let members = vec![
                member(Orbit::Horizontal, 0.0, 5.0),
                member(Orbit::Vertical, angle_deg, 4.0),
            ];
            Response::new(grid(), members).unwrap()
        };
        assert!(!with(180.0).has_orbit(Orbit::Vertical));
        assert!(!with(180.0).has_orbit(Orbit::Horizontal));
        assert!(with(-10.0).has_orbit(Orbit::Vertical));
        assert!(!with(-10.0).has_orbit(Orbit::Horizontal));
    }

    #[test]
    fn between_points_a_straight_line_over_log_frequency_holds() {
        let to = Grid::new(vec![50.0, 100.0, 200.0 * 2f64.sqrt(), 500.0]).unwrap();
        let values = interpolate_linear(&grid(), &[3.0, 7.0, -1.0], &to);
        for (value, wanted) in values.iter().zip([3.0, 3.0, 3.0, -1.0]) {
            assert!((value - wanted).abs() < 1e-12, "{values:?}");
        }
    }

    #[test]
    fn a_missing_side_is_mirrored_and_a_present_one_is_kept() {
        let response = Response::new(
            grid(),
            vec![
                member(Orbit::Horizontal, 0.0, 0.0),
                member(Orbit::Horizontal, 10.0, -1.0),
                member(Orbit::Horizontal, 180.0, -9.0),
                member(Orbit::Vertical, 10.0, -2.0),
                member(Orbit::Vertical, -10.0, -3.0),
            ],
        )
        .unwrap();
        let (response, filled) = response.mirrored();
        assert_eq!(filled, [Orbit::Horizontal]);
        let image = response.at(Orbit::Horizontal, -10.0).unwrap();
        assert!(image.mirrored && image.levels_db[0] == -1.0);
        assert_eq!(
            response.at(Orbit::Vertical, -10.0).unwrap().levels_db[0],
            -3.0
        );
        assert_eq!(response.members().len(), 6);
    }
}
