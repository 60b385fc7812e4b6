//! Where things stand: positions of AES69 and the frame of what they are seen from.
//!
//! Spherical positions are azimuth (counter-clockwise from +x as seen from above), elevation (up
//! positive) and radius; Cartesian ones x (front), y (left), z (up). A frame looks along its View
//! and has its Up towards the top. Source: AES69-2022, coordinate systems (from memory of the
//! project's standards sheet, section 13).

use super::container::{Container, Variable};
use crate::error::Result;

/// x, y, z.
pub(super) type Vector = [f64; 3];

/// A frame that looks along `front`; all three are of length one and at right angles.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Frame {
    pub front: Vector,
    pub left: Vector,
    pub up: Vector,
}

/// A triple of numbers as the file means it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Meaning {
    Cartesian,
    SphericalDegrees,
    SphericalRadians,
}

/// A position, view or up, which may change from one measurement or receiver to the next.
#[derive(Debug, Clone)]
pub(super) struct Place {
    variable: Variable,
    meaning: Meaning,
}

pub(super) fn dot(a: Vector, b: Vector) -> f64 {
    a[0] * b[0] + a[1] * b[1] + a[2] * b[2]
}

pub(super) fn cross(a: Vector, b: Vector) -> Vector {
    [
        a[1] * b[2] - a[2] * b[1],
        a[2] * b[0] - a[0] * b[2],
        a[0] * b[1] - a[1] * b[0],
    ]
}

pub(super) fn minus(a: Vector, b: Vector) -> Vector {
    [a[0] - b[0], a[1] - b[1], a[2] - b[2]]
}

fn plus(a: Vector, b: Vector) -> Vector {
    [a[0] + b[0], a[1] + b[1], a[2] + b[2]]
}

fn times(a: Vector, factor: f64) -> Vector {
    a.map(|v| v * factor)
}

/// A vector of length one; `None` for one that is as good as nothing.
pub(super) fn unit(a: Vector) -> Option<Vector> {
    let length = dot(a, a).sqrt();
    (length.is_finite() && length > 1e-9).then(|| times(a, 1.0 / length))
}

/// The angle between two vectors of length one, degrees; exact for small angles too.
pub(super) fn between_deg(a: Vector, b: Vector) -> f64 {
    let sine = dot(cross(a, b), cross(a, b)).sqrt();
    sine.atan2(dot(a, b)).to_degrees()
}

impl Frame {
    /// The room's own frame.
    pub const ROOM: Frame = Frame {
        front: [1.0, 0.0, 0.0],
        left: [0.0, 1.0, 0.0],
        up: [0.0, 0.0, 1.0],
    };

    /// The frame that looks along `view` with `up` towards its top, as far as `up` is at right
    /// angles to `view`; `None` where the two do not make a frame.
    pub fn new(view: Vector, up: Vector) -> Option<Frame> {
        let front = unit(view)?;
        let up = unit(minus(up, times(front, dot(up, front))))?;
        Some(Frame {
            front,
            left: cross(up, front),
            up,
        })
    }

    /// A vector of the room as seen in this frame.
    pub fn seen(&self, room: Vector) -> Vector {
        [
            dot(room, self.front),
            dot(room, self.left),
            dot(room, self.up),
        ]
    }

    /// A vector of this frame as seen in the room.
    pub fn in_room(&self, own: Vector) -> Vector {
        plus(
            plus(times(self.front, own[0]), times(self.left, own[1])),
            times(self.up, own[2]),
        )
    }
}

/// So many different positions within 6.3 degrees would be no measurement round a speaker.
const ENOUGH_TO_JUDGE: usize = 8;

/// Coordinates beyond this are none, whatever their unit; their squares stay far from the limits of
/// the arithmetic.
const FARTHEST: f64 = 1e6;

/// Numbers a little above the limit still count as rounded.
const ROUNDING: f64 = 1.0 + 1e-6;

impl Place {
    /// The place called `name`, `None` when it is not there. `kind_of` is the variable that
    /// carries Type and Units: that of View for an Up.
    pub fn read(
        container: &Container,
        name: &'static str,
        kind_of: &'static str,
    ) -> Result<Option<Place>> {
        let Some(variable) = container.variable(name)? else {
            return Ok(None);
        };
        variable.only(container, &["C", "M", "R"])?;
        if variable.size("C") != 3 {
            return Err(container.wrong(
                format!("{} coordinates in {name}", variable.size("C")),
                "three coordinates (dimension C)",
            ));
        }
        if let Some(at) = variable
            .values
            .iter()
            .position(|v| !v.is_finite() || v.abs() > FARTHEST)
        {
            return Err(container.wrong(
                format!("{} as number {} of {name}", variable.values[at], at + 1),
                if variable.values[at].is_finite() {
                    "coordinates within a thousand kilometres"
                } else {
                    "finite coordinates"
                },
            ));
        }
        let own_or = |attribute: &str| {
            container
                .text_of(name, attribute)
                .or_else(|| container.text_of(kind_of, attribute))
                .map(|text| text.to_lowercase())
        };
        let spherical = match own_or("Type").as_deref() {
            None | Some("cartesian") => false,
            Some("spherical") => true,
            Some(other) => {
                return Err(container.wrong(
                    format!("{name} of type {other:?}"),
                    "positions of type cartesian or spherical",
                ));
            }
        };
        let units = own_or("Units");
        let meaning = meaning(spherical, units.as_deref()).ok_or_else(|| {
            container.wrong(
                format!("{name} in {:?}", units.unwrap_or_default()),
                if spherical {
                    "degree, degree, metre"
                } else {
                    "metre"
                },
            )
        })?;
        let place = Place { variable, meaning };
        place.check_angles(container)?;
        Ok(Some(place))
    }

    /// Whether it changes with the measurement.
    pub fn moves(&self) -> bool {
        self.variable.size("M") > 1
    }

    /// How many receivers it lists.
    pub fn receivers(&self) -> usize {
        self.variable.size("R")
    }

    /// How many measurements it lists.
    pub fn measurements(&self) -> usize {
        self.variable.size("M")
    }

    /// The vector at measurement `m` and receiver `r`; zero beyond the end, which the caller
    /// has ruled out.
    pub fn at(&self, m: usize, r: usize) -> Vector {
        let number = |c: usize| {
            self.variable
                .value(&[("M", m), ("R", r), ("C", c)])
                .unwrap_or(0.0)
        };
        let [a, b, c] = [number(0), number(1), number(2)];
        let (azimuth, elevation) = match self.meaning {
            Meaning::Cartesian => return [a, b, c],
            Meaning::SphericalDegrees => (a.to_radians(), b.to_radians()),
            Meaning::SphericalRadians => (a, b),
        };
        [
            c * elevation.cos() * azimuth.cos(),
            c * elevation.cos() * azimuth.sin(),
            c * elevation.sin(),
        ]
    }

    /// Refuses angles that cannot be what the file says they are.
    fn check_angles(&self, container: &Container) -> Result<()> {
        if self.meaning == Meaning::Cartesian {
            return Ok(());
        }
        let name = self.variable.name;
        let largest = |c: usize| {
            let (ms, rs) = (self.variable.size("M"), self.variable.size("R"));
            (0..ms)
                .flat_map(|m| (0..rs).map(move |r| (m, r)))
                .filter_map(|(m, r)| self.variable.value(&[("M", m), ("R", r), ("C", c)]))
                .fold(0.0, |so_far: f64, v| so_far.max(v.abs()))
        };
        let (azimuth, elevation) = (largest(0), largest(1));
        let turn = 2.0 * std::f64::consts::PI * ROUNDING;
        let (most_azimuth, most_elevation, unit) = match self.meaning {
            Meaning::SphericalRadians => (turn, 0.25 * turn, "radian"),
            _ => (360.0 * ROUNDING, 90.0 * ROUNDING, "degree"),
        };
        if azimuth > most_azimuth {
            return Err(container.wrong(
                format!("an azimuth of {azimuth} in {name}, whose unit is {unit}"),
                "at most one turn",
            ));
        }
        if elevation > most_elevation {
            return Err(container.wrong(
                format!("an elevation of {elevation} in {name}, whose unit is {unit}"),
                "at most a quarter turn up or down",
            ));
        }
        let count = self.variable.values.len() / 3;
        if self.meaning == Meaning::SphericalDegrees
            && count >= ENOUGH_TO_JUDGE
            && azimuth <= turn
            && elevation <= 0.25 * turn
            && (azimuth > 0.0 || elevation > 0.0)
        {
            return Err(container
                .wrong(
                    format!("{count} positions within {azimuth:.2} degrees of azimuth in {name}"),
                    "positions all round the speaker in degrees",
                )
                .with_hint("these look like radians marked as degrees"));
        }
        Ok(())
    }
}

/// What Type and Units say together; `None` for units that are not known.
fn meaning(spherical: bool, units: Option<&str>) -> Option<Meaning> {
    let Some(units) = units else {
        return Some(if spherical {
            Meaning::SphericalDegrees
        } else {
            Meaning::Cartesian
        });
    };
    let words: Vec<&str> = units
        .split([',', ' ', ';'])
        .filter(|word| !word.is_empty())
        .map(|word| word.trim_end_matches('s'))
        .collect();
    let is_length = |word: &&str| ["metre", "meter", "m"].contains(word);
    match (spherical, &words[..]) {
        (false, lengths) if !lengths.is_empty() && lengths.iter().all(is_length) => {
            Some(Meaning::Cartesian)
        }
        (true, [a, b, length]) if a == b && is_length(length) => match *a {
            "degree" | "deg" => Some(Meaning::SphericalDegrees),
            "radian" | "rad" => Some(Meaning::SphericalRadians),
            _ => None,
        },
        _ => None,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_frame_turned_to_the_left_sees_the_front_on_its_right() {
        let frame = Frame::new([0.0, 2.0, 0.0], [0.0, 0.5, 1.0]).unwrap();
        assert_eq!(frame.seen([1.0, 0.0, 0.0]), [0.0, -1.0, 0.0]);
        assert_eq!(frame.in_room([0.0, -1.0, 0.0]), [1.0, 0.0, 0.0]);
        assert_eq!(frame.up, [0.0, 0.0, 1.0]);
        assert!(Frame::new([0.0, 0.0, 1.0], [0.0, 0.0, 2.0]).is_none());
    }

    #[test]
    fn angles_between_vectors_are_exact_when_small() {
        let small: f64 = 1e-6;
        let turned = [small.to_radians().cos(), small.to_radians().sin(), 0.0];
        assert!((between_deg([1.0, 0.0, 0.0], turned) - small).abs() < 1e-15);
        assert_eq!(between_deg([1.0, 0.0, 0.0], [-1.0, 0.0, 0.0]), 180.0);
    }

    #[test]
    fn units_are_read_in_their_usual_spellings_and_others_refused() {
        for (spherical, units, wanted) in [
            (
                true,
                Some("degree, degree, metre"),
                Some(Meaning::SphericalDegrees),
            ),
            (
                true,
                Some("degrees degrees meter"),
                Some(Meaning::SphericalDegrees),
            ),
            (
                true,
                Some("radian,radian,metre"),
                Some(Meaning::SphericalRadians),
            ),
            (true, None, Some(Meaning::SphericalDegrees)),
            (true, Some("metre"), None),
            (true, Some("degree, radian, metre"), None),
            (false, Some("metre"), Some(Meaning::Cartesian)),
            (false, Some("metre, metre, metre"), Some(Meaning::Cartesian)),
            (false, Some("millimetre"), None),
        ] {
            assert_eq!(meaning(spherical, units), wanted, "{units:?}");
        }
    }
}
