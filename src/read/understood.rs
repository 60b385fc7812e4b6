//! What was understood of a speaker folder, to be told before anything is computed.

use crate::curve::Grid;
use crate::response::{Direction, Orbit, Response};
use std::fmt;

/// One orbit as it was found.
#[derive(Debug, Clone, PartialEq)]
pub struct OrbitFound {
    /// Which.
    pub orbit: Orbit,
    /// The angles that were measured, degrees, ascending.
    pub angles_deg: Vec<f64>,
    /// The angles that were not measured but stand between measured ones, degrees, ascending.
    pub between_deg: Vec<f64>,
    /// Whether one side was filled with the mirror image of the other.
    pub mirrored: bool,
    /// Which of the 36 directions in steps of 10 degrees are neither measured nor mirrored.
    pub missing_deg: Vec<f64>,
}

/// What was understood of a speaker folder.
#[derive(Debug, Clone, PartialEq)]
pub struct Understood {
    /// In which form the measurement came, as in `wide orbit tables`.
    pub form: &'static str,
    /// The orbits found; none where only averaged curves were given.
    pub orbits: Vec<OrbitFound>,
    /// Averaged curves found, by their column names; none where angles were given.
    pub curves: Vec<&'static str>,
    /// Whether phase was given for every direction.
    pub phase: bool,
    /// The frequencies.
    pub grid: Grid,
    /// Limits inside which the measurement is trusted, Hz, where they were stated.
    pub trusted_hz: (Option<f64>, Option<f64>),
    /// What else the user should know, one plain sentence each.
    pub notes: Vec<String>,
}

/// Directions of one orbit. Source: ANSI/CTA-2034-A (10-degree resolution).
const STEP_DEG: i32 = 10;

/// The orbits of `response`; mirrored members and those that stand `between` measured ones are
/// told from measured ones.
pub(super) fn orbits_found(response: &Response, between: &[Direction]) -> Vec<OrbitFound> {
    [Orbit::Horizontal, Orbit::Vertical]
        .into_iter()
        .filter(|orbit| {
            response
                .members()
                .iter()
                .any(|member| member.direction.orbit() == *orbit)
        })
        .map(|orbit| {
            let own = || {
                response
                    .members()
                    .iter()
                    .filter(move |member| member.direction.orbit() == orbit)
            };
            let of_kind = |is_between: bool| {
                own()
                    .filter(|member| !member.mirrored)
                    .filter(|member| between.contains(&member.direction) == is_between)
                    .map(|member| member.direction.angle_deg())
                    .collect()
            };
            OrbitFound {
                orbit,
                angles_deg: of_kind(false),
                between_deg: of_kind(true),
                mirrored: own().any(|member| member.mirrored),
                missing_deg: (-180 / STEP_DEG + 1..=180 / STEP_DEG)
                    .map(|i| f64::from(i * STEP_DEG))
                    .filter(|angle_deg| response.at(orbit, *angle_deg).is_none())
                    .collect(),
            }
        })
        .collect()
}

/// Angles as a person would list them: `-170 to 180 in steps of 10`, or one by one.
fn in_words(angles_deg: &[f64]) -> String {
    if let [first, second, .., last] = angles_deg
        && angles_deg.len() > 3
        && angles_deg
            .windows(2)
            .all(|pair| ((pair[1] - pair[0]) - (second - first)).abs() < 1e-9)
    {
        return format!("{first} to {last} in steps of {}", second - first);
    }
    let all: Vec<String> = angles_deg.iter().map(f64::to_string).collect();
    all.join(", ")
}

/// A frequency in Hz as a person would write it: two decimals at most.
pub(super) fn in_hz(f_hz: f64) -> String {
    let text = format!("{f_hz:.2}");
    text.trim_end_matches('0').trim_end_matches('.').to_string()
}

impl fmt::Display for Understood {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        writeln!(f, "read as {}", self.form)?;
        for found in &self.orbits {
            write!(
                f,
                "{}: {} {} measured ({} degrees)",
                found.orbit.name(),
                found.angles_deg.len(),
                if found.angles_deg.len() == 1 {
                    "angle"
                } else {
                    "angles"
                },
                in_words(&found.angles_deg)
            )?;
            if !found.between_deg.is_empty() {
                write!(
                    f,
                    ", between them taken from their neighbours: {}",
                    in_words(&found.between_deg)
                )?;
            }
            if found.mirrored {
                write!(f, ", the other side taken as its mirror image")?;
            }
            if !found.missing_deg.is_empty() {
                write!(f, "; missing: {}", in_words(&found.missing_deg))?;
            }
            writeln!(f)?;
        }
        if !self.curves.is_empty() {
            writeln!(f, "averaged curves: {}", self.curves.join(", "))?;
        } else {
            for orbit in [Orbit::Horizontal, Orbit::Vertical] {
                if !self.orbits.iter().any(|found| found.orbit == orbit) {
                    writeln!(f, "{}: not measured", orbit.name())?;
                }
            }
            writeln!(
                f,
                "phase: {}",
                if self.phase { "given" } else { "not given" }
            )?;
        }
        writeln!(
            f,
            "frequencies: {} from {} to {} Hz, {:.1} per octave",
            self.grid.len(),
            in_hz(self.grid.first_hz()),
            in_hz(self.grid.last_hz()),
            self.grid.points_per_octave()
        )?;
        match self.trusted_hz {
            (None, None) => {}
            (Some(from_hz), None) => writeln!(f, "trusted: from {from_hz} Hz")?,
            (None, Some(to_hz)) => writeln!(f, "trusted: up to {to_hz} Hz")?,
            (Some(from_hz), Some(to_hz)) => writeln!(f, "trusted: {from_hz} to {to_hz} Hz")?,
        }
        for note in &self.notes {
            writeln!(f, "note: {note}")?;
        }
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn regular_angles_are_told_by_their_step() {
        assert_eq!(
            in_words(&[-10.0, 0.0, 10.0, 20.0]),
            "-10 to 20 in steps of 10"
        );
        assert_eq!(in_words(&[0.0, 15.0, 40.0, 45.0]), "0, 15, 40, 45");
        assert_eq!(in_words(&[0.0, 10.0]), "0, 10");
    }
}
