//! What a measurement leaves open.

use super::folder::{Measured, SpeakerFolder};
use crate::response::Orbit;

/// Something that was not given.
#[derive(Debug, Clone, PartialEq)]
pub enum Missing {
    /// All angles: only averaged curves were given.
    Angles,
    /// A whole orbit.
    Orbit(Orbit),
    /// One side of an orbit; the other was mirrored.
    Side(Orbit),
    /// So many of the 36 directions of an orbit.
    Directions(Orbit, usize),
    /// Phase.
    Phase,
    /// A lower limit of trust.
    TrustedFrom,
    /// What lies below the first or the lowest trusted frequency, Hz.
    LowEnd(f64),
    /// What lies above the last frequency, Hz.
    HighEnd(f64),
    /// Impedance.
    Impedance,
    /// Distortion by level.
    Distortion,
    /// Compression by level.
    Compression,
    /// The other unit of the pair.
    SecondUnit,
}

/// The audible range is judged up to here, Hz; a measurement that ends below leaves treble open.
const TREBLE_HZ: f64 = 16_000.0;

/// Above this first frequency, Hz, bass is missing: a small box reaches about as low.
const BASS_HZ: f64 = 60.0;

/// What `speaker` leaves open, the most important first.
pub fn missing(speaker: &SpeakerFolder) -> Vec<Missing> {
    let mut found = Vec::new();
    let understood = &speaker.understood;
    if matches!(speaker.measured, Measured::Curves(_)) {
        found.push(Missing::Angles);
    } else {
        for orbit in [Orbit::Horizontal, Orbit::Vertical] {
            match understood.orbits.iter().find(|found| found.orbit == orbit) {
                None => found.push(Missing::Orbit(orbit)),
                Some(own) => {
                    if own.mirrored {
                        found.push(Missing::Side(orbit));
                    }
                    if !own.missing_deg.is_empty() {
                        found.push(Missing::Directions(orbit, own.missing_deg.len()));
                    }
                }
            }
        }
        if !understood.phase {
            found.push(Missing::Phase);
        }
    }
    let first_hz = understood.grid.first_hz();
    let lowest_hz = first_hz.max(speaker.trusted_from_hz.unwrap_or(0.0));
    if lowest_hz > BASS_HZ {
        found.push(Missing::LowEnd(lowest_hz));
    }
    let highest_hz = understood
        .grid
        .last_hz()
        .min(speaker.trusted_to_hz.unwrap_or(f64::INFINITY));
    if highest_hz < TREBLE_HZ {
        found.push(Missing::HighEnd(highest_hz));
    }
    if speaker.trusted_from_hz.is_none() {
        found.push(Missing::TrustedFrom);
    }
    let evidence = &speaker.evidence;
    for (is_there, missing) in [
        (evidence.impedance.is_some(), Missing::Impedance),
        (evidence.distortion.is_some(), Missing::Distortion),
        (evidence.compression.is_some(), Missing::Compression),
        (evidence.second_unit.is_some(), Missing::SecondUnit),
    ] {
        if !is_there {
            found.push(missing);
        }
    }
    found
}
