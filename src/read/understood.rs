//! What was understood of a measurement, as values; `report` makes words of them.

use crate::curve::Grid;
use crate::response::{Direction, Orbit, Response};
use crate::wav::Cut;
use std::path::PathBuf;

/// In which form a measurement came.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum ReadAs {
    /// A wide table for each orbit.
    WideTables,
    /// The same, found by the names of the files.
    WideTablesByName,
    /// One wide table of both orbits, understood by its header.
    WideTableByHeader,
    /// A table for each angle.
    AngleFiles,
    /// The same, found by the names of the files.
    AngleFilesByName,
    /// A sound file for each angle.
    Impulses,
    /// A SOFA file (AES69) of the convention named.
    Sofa(&'static str),
    /// Averaged curves, no angles.
    AveragedCurves,
}

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
    /// In which form the measurement came.
    pub form: ReadAs,
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
    /// What else the user should know, in the order of reading.
    pub notes: Vec<Note>,
}

/// How the low end was measured.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum LowEndMethod {
    /// The microphone at the cone or the port.
    NearField,
    /// Speaker and microphone on a reflecting ground.
    GroundPlane,
}

/// Something done with a measurement, or seen in it, that the user should know.
#[derive(Debug, Clone, PartialEq)]
pub enum Note {
    /// There is no description; the only SOFA file of the folder is read.
    SofaFileAlone {
        /// Its name.
        file: String,
    },
    /// There is no description; names say the angles.
    AnglesFromNames,
    /// Names of files say angles but no orbit; all are taken as horizontal.
    NamesWithoutOrbit,
    /// The header of a table says angles but no orbit; all are taken as horizontal.
    HeaderWithoutOrbit,
    /// Files left out, since their names say no angle.
    LeftOut {
        /// Their names.
        files: Vec<String>,
    },
    /// A file left out that a pattern fits.
    NoAngle {
        /// Its name.
        file: String,
        /// What stands where an angle should.
        instead: String,
    },
    /// Tables were read, the sound files beside them were not.
    SoundsNotRead,
    /// A sound file ends before it should.
    CutShort {
        /// The file as messages show it.
        file: PathBuf,
        /// What is missing.
        cut: Cut,
    },
    /// One direction was measured twice and averaged.
    MeasuredTwice {
        /// Which.
        direction: Direction,
        /// How far apart the two lie, dB rms.
        apart_db: f64,
    },
    /// Files of different frequencies were brought to common ones.
    CommonFrequencies {
        /// The lowest, Hz.
        from_hz: f64,
        /// The highest, Hz.
        to_hz: f64,
        /// How many per octave.
        per_octave: f64,
    },
    /// Frequencies as dense as a transform's bins were averaged over bands.
    Thinned {
        /// How many there were.
        from: usize,
        /// How many are left.
        to: usize,
    },
    /// All levels seem to be relative to the axis, which is 0 dB throughout.
    RelativeLevels,
    /// Vertical 0 lies above (or below) horizontal 0 on average.
    AxisLevel {
        /// By how much, dB.
        mean_db: f64,
    },
    /// Vertical 0 has another shape than horizontal 0.
    AxisShape {
        /// The largest difference, dB.
        worst_db: f64,
        /// Where, Hz.
        at_hz: f64,
    },
    /// Directions between measured ones on an orbit were interpolated.
    Between {
        /// How many.
        count: usize,
        /// How well measured directions are met from twice as far, dB rms.
        error_db: f64,
    },
    /// One side of an orbit stands for the other.
    Mirrored(Orbit),
    /// The gate that impulse responses were cut with.
    Gate {
        /// From the common onset, s.
        length_s: f64,
        /// How much of its end falls off, s.
        fade_s: f64,
        /// Whether a reflection ends it.
        reflection: bool,
        /// Lowest frequency that it lets one trust, Hz.
        trusted_from_hz: f64,
    },
    /// A stated lower limit of trust was raised to that of the gate.
    TrustRaised {
        /// The stated one, Hz.
        stated_hz: f64,
        /// That of the gate, Hz.
        gate_hz: f64,
    },
    /// A second table stands for the low frequencies of all angles.
    LowEnd {
        /// The joint, Hz.
        at_hz: f64,
        /// The table as the description names it.
        table: String,
        /// How it was measured, where that was stated.
        method: Option<LowEndMethod>,
        /// By how much it was moved to meet the axis, dB.
        offset_db: f64,
        /// How far table and axis lie apart over the octave above the joint, dB rms.
        apart_db: f64,
        /// Whether that is too far.
        doubtful: bool,
    },
    /// Levels of a near field do not hold the baffle step.
    NoBaffleStep,
    /// Phase below the joint of the low end is that of the angles.
    LowEndPhase {
        /// The joint, Hz.
        at_hz: f64,
    },
    /// A SOFA file holds several measurements between which nothing moves; the first is read.
    NothingMoves {
        /// How many it holds.
        measurements: usize,
    },
    /// A SOFA file does not say which way the speaker looks; +x is assumed.
    NoView,
    /// The value at 0 Hz was left out.
    ZeroHzLeftOut,
    /// The imaginary part of a SOFA file is 0 everywhere: levels only.
    NoImaginaryPart,
    /// Directions of a SOFA file measured more than once were averaged.
    RepeatsAveraged {
        /// How many repeats.
        count: usize,
        /// All lie within this, dB rms.
        within_db: f64,
    },
    /// There are too few frequencies to judge what lies between them.
    FewFrequencies {
        /// How many.
        count: usize,
    },
    /// Directions of an orbit were interpolated on the sphere.
    OnSphere {
        /// Of which.
        orbit: Orbit,
        /// How many.
        count: usize,
        /// How well measured directions beside them are met, dB rms; `None` where none is.
        error_db: Option<f64>,
    },
}

/// Directions of one orbit. Source: ANSI/CTA-2034-A (10-degree resolution).
const STEP_DEG: i32 = 10;

/// The orbits of `response`; mirrored members and those that stand `between` measured ones are
/// kept apart from measured ones.
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
