//! How a simulated speaker is measured: grid, noise, which angles exist.

use super::chance::Chance;
use crate::curve::Grid;
use crate::error::{Error, Result};
use crate::response::{Direction, Orbit};

/// Which sides of an orbit were measured. The axis itself is always there.
#[derive(Debug, Clone, Copy, PartialEq, Eq, serde::Serialize)]
#[serde(rename_all = "lowercase")]
pub enum Sides {
    /// All 36 angles.
    Both,
    /// 0 to 180 degrees.
    Positive,
    /// 180 over -90 to 0 degrees.
    Negative,
    /// None but the axis.
    Missing,
}

/// How a measurement is made.
#[derive(Debug, Clone, PartialEq, serde::Serialize)]
pub struct Measurement {
    /// Points per octave of a logarithmic grid; above 0.
    pub points_per_octave: f64,
    /// Lowest frequency, Hz; above 0.
    pub from_hz: f64,
    /// Highest frequency, Hz; above the lowest.
    pub to_hz: f64,
    /// Noise, dB rms, independent at every point and angle.
    pub noise_db: f64,
    /// Seed of the noise.
    pub seed: u64,
    /// Whether phase is kept.
    pub phase: bool,
    /// Sides of the horizontal orbit.
    pub horizontal: Sides,
    /// Sides of the vertical orbit.
    pub vertical: Sides,
}

impl Default for Measurement {
    /// Everything, 24 points per octave from 20 Hz to 20 kHz, without noise.
    fn default() -> Self {
        Measurement {
            points_per_octave: 24.0,
            from_hz: 20.0,
            to_hz: 20_000.0,
            noise_db: 0.0,
            seed: 0,
            phase: true,
            horizontal: Sides::Both,
            vertical: Sides::Both,
        }
    }
}

/// Step of the orbits, degrees. Source: ANSI/CTA-2034-A (10-degree resolution).
const STEP_DEG: i32 = 10;

fn orbit(orbit: Orbit, sides: Sides) -> impl Iterator<Item = Direction> {
    (-180 / STEP_DEG + 1..=180 / STEP_DEG)
        .map(move |i| i * STEP_DEG)
        .filter(move |angle| match sides {
            Sides::Both => true,
            Sides::Positive => *angle >= 0,
            Sides::Negative => *angle <= 0 || *angle == 180,
            Sides::Missing => *angle == 0,
        })
        .map(move |angle| Direction::new(orbit, f64::from(angle)))
}

/// Both orbits in full, 36 directions each.
pub fn full_orbits() -> Vec<Direction> {
    Measurement::default().directions()
}

impl Measurement {
    /// A random careful measurement of both orbits: 12 to 48 points per octave, 0 to 0.5 dB of
    /// noise, phase in half of the cases. The same `seed` gives the same one.
    pub fn draw(seed: u64) -> Self {
        let mut chance = Chance::new(seed);
        Measurement {
            points_per_octave: chance.log_between(12.0, 48.0),
            noise_db: chance.between(0.0, 0.5),
            seed,
            phase: chance.happens(0.5),
            ..Measurement::default()
        }
    }

    /// The frequencies.
    ///
    /// # Errors
    /// When range or density make no grid, or the noise is no number.
    pub fn grid(&self) -> Result<Grid> {
        let sound = self.from_hz > 0.0
            && self.to_hz > self.from_hz
            && self.to_hz.is_finite()
            && self.points_per_octave > 0.0
            && self.points_per_octave.is_finite()
            && self.noise_db.is_finite();
        if sound {
            Ok(Grid::logarithmic(
                self.from_hz,
                self.to_hz,
                self.points_per_octave,
            ))
        } else {
            Err(Error::call(
                "a simulated measurement needs 0 < from < to, a density above 0 and finite noise",
            ))
        }
    }

    /// The directions, horizontal first. A missing orbit leaves no member of its own behind,
    /// unless both are missing.
    pub fn directions(&self) -> Vec<Direction> {
        let horizontal = orbit(Orbit::Horizontal, self.horizontal);
        if self.vertical == Sides::Missing {
            horizontal.collect()
        } else if self.horizontal == Sides::Missing {
            orbit(Orbit::Vertical, self.vertical).collect()
        } else {
            horizontal
                .chain(orbit(Orbit::Vertical, self.vertical))
                .collect()
        }
    }
}

/// Degrees of phase noise that go with one dB of level noise: a small random addition to a
/// pressure moves its level by `20 lg(e)` dB and its phase by one radian for the same share.
pub(super) const PHASE_NOISE_DEG_PER_DB: f64 =
    180.0 / std::f64::consts::PI / (20.0 * std::f64::consts::LOG10_E);
