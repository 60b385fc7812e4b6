//! What a measurement leaves open, and what that costs.

use super::folder::{Measured, SpeakerFolder};
use super::understood::in_hz;
use crate::response::Orbit;
use std::fmt;

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

impl fmt::Display for Missing {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Missing::Angles => write!(
                f,
                "the angles themselves: nothing shows what they share, so narrow dips are left alone"
            ),
            Missing::Orbit(orbit) => write!(
                f,
                "the {} orbit: averages hold the other one only, and what differs over {} angles is not seen",
                orbit.name(),
                orbit.name()
            ),
            Missing::Side(orbit) => write!(
                f,
                "one side of the {} orbit: its mirror image stands for it",
                orbit.name()
            ),
            Missing::Directions(orbit, count) => write!(
                f,
                "{count} of the 36 directions of the {} orbit: left out of the averages, the others counting more",
                orbit.name()
            ),
            Missing::Phase => write!(
                f,
                "phase: cancellations are told by how they change over the angles only"
            ),
            Missing::TrustedFrom => write!(
                f,
                "a lower limit of trust: if the data are gated, state trusted_from_hz (1 over the gate's length), or the bass will be believed"
            ),
            Missing::LowEnd(hz) => write!(
                f,
                "the low end below {} Hz: nothing is planned there; a near-field or ground-plane table can be joined in [low_end]",
                in_hz(*hz)
            ),
            Missing::HighEnd(hz) => {
                write!(
                    f,
                    "the treble above {} Hz: nothing is planned there",
                    in_hz(*hz)
                )
            }
            Missing::Impedance => write!(f, "impedance: box tuning and load are not checked"),
            Missing::Distortion => write!(
                f,
                "distortion by level: how much boost the drivers stand is not checked"
            ),
            Missing::Compression => write!(
                f,
                "compression by level: what high levels lose is not checked"
            ),
            Missing::SecondUnit => write!(
                f,
                "the other unit of the pair: what differs from unit to unit is not seen"
            ),
        }
    }
}
