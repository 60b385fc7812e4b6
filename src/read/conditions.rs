//! How the measurement was made: `[measured]`, and what the measurement itself says of it.

use super::document::{Section, Spot};
use super::found::Found;
use super::text::in_hz;
use super::understood::Note;
use crate::error::Result;

/// How the measurement was made, as far as it is known.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub(super) struct Conditions {
    pub distance_m: Option<f64>,
    pub drive_v: Option<f64>,
    pub trusted_from_hz: Option<f64>,
    pub trusted_to_hz: Option<f64>,
}

/// What `[measured]` says, and where.
#[derive(Default)]
pub(super) struct Stated {
    distance_m: Option<f64>,
    drive_v: Option<f64>,
    from: Option<Spot<f64>>,
    to: Option<Spot<f64>>,
}

impl Conditions {
    /// What a measurement says of itself.
    pub fn of(found: &Found) -> Conditions {
        Conditions {
            distance_m: found.distance_m,
            trusted_from_hz: found.trusted_from_hz,
            ..Conditions::default()
        }
    }
}

/// Farther away nobody measures a loudspeaker, m; and no amplifier gives more, V.
const MOST_DISTANCE_M: f64 = 1000.0;
const MOST_DRIVE_V: f64 = 1000.0;

/// Reads `[measured]`.
pub(super) fn read(section: Option<Section>) -> Result<Stated> {
    let Some(section) = section else {
        return Ok(Stated::default());
    };
    section.only(&["distance_m", "drive_v", "trusted_from_hz", "trusted_to_hz"])?;
    let value = |spot: Option<Spot<f64>>| spot.map(|spot| spot.value);
    let at_most = |key: &str, unit: &str, most: f64| match section.positive(key, unit)? {
        Some(spot) if spot.value > most => Err(section.wrong(
            spot.at,
            spot.value.to_string(),
            &format!("a {key} of at most {most} {unit}"),
        )),
        other => Ok(value(other)),
    };
    let distance_m = at_most("distance_m", "m", MOST_DISTANCE_M)?;
    let drive_v = at_most("drive_v", "V", MOST_DRIVE_V)?;
    let from = section.positive("trusted_from_hz", "Hz")?;
    let to = section.positive("trusted_to_hz", "Hz")?;
    if let (Some(from), Some(to)) = (&from, &to)
        && from.value >= to.value
    {
        return Err(section.wrong(
            to.at,
            to.value.to_string(),
            &format!("a trusted_to_hz above trusted_from_hz, {}", from.value),
        ));
    }
    Ok(Stated {
        distance_m,
        drive_v,
        from,
        to,
    })
}

impl Stated {
    /// What was stated together with what `found` says; of two lower limits of trust the higher
    /// one holds. Refused is a trusted range that lies outside the data.
    pub fn joined_with(
        self,
        root: &Section,
        found: &Found,
        notes: &mut Vec<Note>,
    ) -> Result<Conditions> {
        let grid = found.measured.grid();
        if let Some(from) = &self.from {
            if from.value >= grid.last_hz() {
                return Err(root.wrong(
                    from.at,
                    format!("a trusted_from_hz of {}", from.value),
                    &format!(
                        "one below {} Hz, where the measurement ends",
                        in_hz(grid.last_hz())
                    ),
                ));
            }
            if let Some(gate_hz) = found.trusted_from_hz
                && gate_hz > from.value
            {
                notes.push(Note::TrustRaised {
                    stated_hz: from.value,
                    gate_hz,
                });
            }
        }
        let lowest_hz = grid.first_hz().max(found.trusted_from_hz.unwrap_or(0.0));
        if let Some(to) = &self.to
            && to.value <= lowest_hz
        {
            return Err(root.wrong(
                to.at,
                format!("a trusted_to_hz of {}", to.value),
                &format!(
                    "one above {} Hz, where the measurement begins to be trusted",
                    in_hz(lowest_hz)
                ),
            ));
        }
        let from_hz = self.from.map(|spot| spot.value);
        Ok(Conditions {
            distance_m: self.distance_m.or(found.distance_m),
            drive_v: self.drive_v,
            trusted_from_hz: match (from_hz, found.trusted_from_hz) {
                (Some(stated), Some(gate)) => Some(stated.max(gate)),
                (stated, gate) => stated.or(gate),
            },
            trusted_to_hz: self.to.map(|spot| spot.value),
        })
    }
}
