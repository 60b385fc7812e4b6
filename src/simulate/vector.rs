//! Directions and places as unit vectors.

use crate::response::{Direction, Orbit};

/// A direction or place as a unit vector: front, side (positive horizontal), up.
pub type Vector = [f64; 3];

/// The reference axis.
pub const FRONT: Vector = [1.0, 0.0, 0.0];

pub fn dot(a: Vector, b: Vector) -> f64 {
    a[0] * b[0] + a[1] * b[1] + a[2] * b[2]
}

pub fn length(a: Vector) -> f64 {
    dot(a, a).sqrt()
}

/// Unit vector of a place on the sphere.
pub fn place(elevation_deg: f64, azimuth_deg: f64) -> Vector {
    let (e, a) = (elevation_deg.to_radians(), azimuth_deg.to_radians());
    [e.cos() * a.cos(), e.cos() * a.sin(), e.sin()]
}

/// Unit vector of a measuring direction.
pub fn towards(direction: Direction) -> Vector {
    let angle = direction.angle_deg().to_radians();
    match direction.orbit() {
        Orbit::Horizontal => [angle.cos(), angle.sin(), 0.0],
        Orbit::Vertical => [angle.cos(), 0.0, angle.sin()],
    }
}

/// A unit vector turned by `turn_deg` round the upright axis, towards positive horizontal angles.
pub fn turned_aside(u: Vector, turn_deg: f64) -> Vector {
    let (sin, cos) = turn_deg.to_radians().sin_cos();
    [cos * u[0] - sin * u[1], sin * u[0] + cos * u[1], u[2]]
}
