//! What was understood of a measurement, and what it leaves open, in words.

use crate::read::folder::{LowEndMethod, Note, ReadAs, Understood};
use crate::read::missing::Missing;
use crate::read::{in_hz, shown};
use crate::response::Orbit;
use std::fmt;

impl fmt::Display for ReadAs {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            ReadAs::WideTables => write!(f, "wide orbit tables"),
            ReadAs::WideTablesByName => write!(f, "wide orbit tables, by their names"),
            ReadAs::WideTableByHeader => write!(f, "one wide table, by its header"),
            ReadAs::AngleFiles => write!(f, "one file per angle"),
            ReadAs::AngleFilesByName => write!(f, "one file per angle, by their names"),
            ReadAs::Impulses => write!(f, "impulse responses"),
            ReadAs::Sofa(convention) => write!(f, "a SOFA file ({convention})"),
            ReadAs::AveragedCurves => write!(f, "averaged curves only"),
        }
    }
}

/// So many files are listed by name when they are left out.
const MOST_LISTED: usize = 20;

/// Names of files, the first of them where they are many.
fn listed(files: &[String]) -> String {
    let first = files.iter().take(MOST_LISTED).map(|name| shown(name));
    let more = match files.len().saturating_sub(MOST_LISTED) {
        0 => String::new(),
        more => format!(" and {more} more"),
    };
    first.collect::<Vec<String>>().join(", ") + &more
}

impl fmt::Display for Note {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Note::SofaFileAlone { file } => {
                write!(f, "there is no speaker.toml; {} is read", shown(file))
            }
            Note::AnglesFromNames => {
                write!(f, "there is no speaker.toml; angles were taken from names")
            }
            Note::NamesWithoutOrbit => write!(
                f,
                "the names say no orbit; all angles are taken as horizontal"
            ),
            Note::HeaderWithoutOrbit => write!(
                f,
                "the header says no orbit; all angles are taken as horizontal"
            ),
            Note::LeftOut { files } => write!(
                f,
                "left out, since the names say no angle: {}",
                listed(files)
            ),
            Note::NoAngle { file, instead } => write!(
                f,
                "{} was left out: {} is no angle",
                shown(file),
                shown(instead)
            ),
            Note::SoundsNotRead => {
                write!(f, "tables were read, the sound files beside them were not")
            }
            Note::CutShort { file, cut } => write!(f, "{}: {cut}", file.display()),
            Note::MeasuredTwice {
                direction,
                apart_db,
            } => write!(
                f,
                "{direction} was measured twice, {apart_db:.2} dB rms apart; the mean was taken"
            ),
            Note::CommonFrequencies {
                from_hz,
                to_hz,
                per_octave,
            } => write!(
                f,
                "the files have different frequencies; all were brought to common ones, {} to {} Hz, {per_octave:.1} per octave, nowhere denser than measured",
                in_hz(*from_hz),
                in_hz(*to_hz)
            ),
            Note::Thinned { from, to } => write!(
                f,
                "{from} frequencies as dense as a transform's bins were brought to {to} by averaging power over each band"
            ),
            Note::RelativeLevels => write!(
                f,
                "the axis is 0 dB at all frequencies: these levels seem to be relative to it; without the axis itself (relative_to = \"...\") only directivity can be judged"
            ),
            Note::AxisLevel { mean_db } => write!(
                f,
                "vertical 0 lies {mean_db:.1} dB from horizontal 0 on average, though they are one direction; were both orbits measured at one level?"
            ),
            Note::AxisShape { worst_db, at_hz } => write!(
                f,
                "horizontal 0 and vertical 0 are one direction but differ in shape by {worst_db:.1} dB at {} Hz",
                in_hz(*at_hz)
            ),
            Note::Between { count, error_db } => write!(
                f,
                "the orbits were not measured in steps of 10 degrees; {count} directions stand between their neighbours (power, no phase); measured directions, left out as a test, are met within {error_db:.2} dB rms from twice as far"
            ),
            Note::Mirrored(orbit) => write!(
                f,
                "one side of the {} orbit was not measured; the mirror image of the other stands for it",
                orbit.name()
            ),
            Note::Gate {
                length_s,
                fade_s,
                reflection,
                trusted_from_hz,
            } => write!(
                f,
                "the gate is {:.1} ms long from the common onset{}, its last {:.1} ms fall off; trusted from {trusted_from_hz:.0} Hz (one period within the gate)",
                1e3 * length_s,
                if *reflection {
                    ", where a reflection was found"
                } else {
                    ""
                },
                1e3 * fade_s
            ),
            Note::TrustRaised { stated_hz, gate_hz } => write!(
                f,
                "trusted_from_hz of {stated_hz} was raised to {}, which is what the gate allows",
                in_hz(*gate_hz)
            ),
            Note::LowEnd {
                at_hz,
                table,
                method,
                offset_db,
                apart_db,
                doubtful,
            } => write!(
                f,
                "below {} Hz all angles have the levels of {table} ({}), moved by {offset_db:+.1} dB to meet the axis over the octave above, where the two differ by {apart_db:.1} dB rms{}",
                in_hz(*at_hz),
                match method {
                    Some(LowEndMethod::NearField) => "near field",
                    Some(LowEndMethod::GroundPlane) => "ground plane",
                    None => "method not stated",
                },
                if *doubtful {
                    ": a doubtful joint, try another frequency"
                } else {
                    ""
                }
            ),
            Note::NoBaffleStep => write!(
                f,
                "near-field levels do not hold the baffle step: a box of width w (in m) loses up to 6 dB below about 115/w Hz (common practice), so the low end may stand too high unless that was taken out or the joint lies below it"
            ),
            Note::LowEndPhase { at_hz } => write!(
                f,
                "phase below {} Hz is that of the angles themselves, not of the low end",
                in_hz(*at_hz)
            ),
            Note::NothingMoves { measurements } => write!(
                f,
                "nothing moves between the {measurements} measurements of the file; the first is read"
            ),
            Note::NoView => write!(
                f,
                "the file says no SourceView; the speaker is taken to look along +x"
            ),
            Note::ZeroHzLeftOut => write!(f, "the value at 0 Hz was left out"),
            Note::NoImaginaryPart => write!(
                f,
                "the imaginary part is 0 everywhere: levels only, no phase"
            ),
            Note::RepeatsAveraged { count, within_db } => write!(
                f,
                "directions measured more than once were averaged as power ({count} repeats, all within {within_db} dB rms)"
            ),
            Note::FewFrequencies { count } => write!(
                f,
                "there are only {count} frequencies; nothing can be judged between them"
            ),
            Note::OnSphere {
                orbit,
                count,
                error_db,
            } => {
                let directions = if *count == 1 {
                    "direction"
                } else {
                    "directions"
                };
                write!(
                    f,
                    "{count} {directions} of the {} orbit were not measured and stand between their neighbours on the sphere (power, moving least squares; no phase); ",
                    orbit.name()
                )?;
                match error_db {
                    Some(error_db) => write!(
                        f,
                        "measured directions beside them, left out as a test, are met within {error_db:.2} dB rms"
                    ),
                    None => write!(f, "how well could not be checked"),
                }
            }
        }
    }
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
