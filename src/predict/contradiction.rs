//! What the user asked for and the measurement does not bear out: said first, hidden nowhere.

use crate::audit::spoken_hz;
use crate::budget::{Excess, LEAST_SHARE_OF_RATED, OhmAt, SubWanted};
use crate::seats::Coverage;
use std::fmt;

/// One contradiction between what was asked and what is known, with the numbers that disagree.
#[derive(Debug, Clone, PartialEq)]
#[non_exhaustive]
pub enum Contradiction {
    /// The listening window round the new axis is not whole.
    AimBeyondMeasured {
        /// The aim, degrees.
        aim_deg: f64,
        /// Horizontal angles of the window that were not measured, counted from the new axis.
        missing_deg: Vec<f64>,
    },
    /// The crossover to the subwoofer lies below the speaker's own corner.
    SubBelowCorner {
        /// The crossover, Hz.
        sub_hz: f64,
        /// Where the speaker has fallen by 6 dB, Hz.
        corner_hz: f64,
    },
    /// The crossover to the subwoofer lies below the trusted range.
    SubBelowTrusted {
        /// The crossover, Hz.
        sub_hz: f64,
        /// Lower end of the trusted range, Hz.
        trusted_from_hz: f64,
    },
    /// The subwoofer plays so high that it is heard where it stands.
    SubHeardInPlace {
        /// The crossover, Hz.
        sub_hz: f64,
    },
    /// The device cannot hold the speakers' half of the crossover.
    NoHighpass {
        /// The device.
        device: String,
        /// The crossover.
        wanted: SubWanted,
    },
    /// The crossover leaves no stage for the plan.
    NoStagesLeft {
        /// Stages that may be used.
        stages: usize,
        /// Stages of the crossover.
        taken: usize,
    },
    /// The speaker does not give the level cleanly, whatever the plan.
    LevelBeyondSpeaker {
        /// The average level at the seat, dB SPL.
        level_db: f64,
        /// Where it fails first.
        worst: Excess,
        /// The average level that it gives, dB SPL.
        playable_db: f64,
    },
    /// The load is lower than its rating allows.
    RatingBroken {
        /// The rating, ohm.
        rated_ohm: f64,
        /// The least impedance.
        least: OhmAt,
    },
    /// No transition was stated.
    TransitionAssumed {
        /// What is taken, Hz.
        transition_hz: f64,
    },
    /// The transition is higher than the trade uses the word.
    TransitionHigh {
        /// The transition, Hz.
        transition_hz: f64,
    },
    /// Nobody judges what lies between transition and trust.
    TransitionBelowTrusted {
        /// The transition, Hz.
        transition_hz: f64,
        /// Where the anechoic measurement begins to be trusted, Hz.
        trusted_from_hz: f64,
    },
    /// The seats have nothing in the room's zone.
    SeatsElsewhere {
        /// What they cover, and the zone.
        coverage: Coverage,
    },
    /// The seats do not cover the room's zone.
    SeatsShort {
        /// What they cover, and the zone.
        coverage: Coverage,
    },
    /// The seats have too few points to show a mode.
    SeatsCoarse {
        /// Points per octave within the zone.
        points_per_octave: f64,
    },
    /// One seat has nothing to share.
    OneSeat,
    /// The user corrects nothing below a frequency that lies within or above the room's zone.
    FromWithinRoom {
        /// That frequency, Hz.
        from_hz: f64,
        /// The transition, Hz.
        transition_hz: f64,
    },
    /// A subwoofer plays what the seats show.
    SubWithinRoom {
        /// The crossover, Hz.
        sub_hz: f64,
    },
    /// The stages cannot follow what the seats ask for.
    SharedPeaksStay {
        /// Peaks that stay more than they should, Hz.
        peaks_hz: Vec<f64>,
        /// Stages that may correct.
        stages: usize,
    },
    /// Both units of a pair hold the same numbers.
    UnitsHoldTheSame,
    /// One unit of a pair shows less than the other, and only what both show counts.
    UnitsShowLess {
        /// What both cover, Hz.
        common_hz: (f64, f64),
        /// Directions of the first unit that the second one lacks.
        lacking: usize,
    },
    /// Only one unit of a pair was measured by angles.
    AnglesOfOneUnit,
    /// The units of a pair differ more than two of one kind do.
    UnitsUnalike {
        /// Largest difference, dB, without sign.
        difference_db: f64,
        /// Where, Hz.
        at_hz: f64,
    },
}

/// Above this a subwoofer is heard where it stands, Hz (common practice, 80 to 120 Hz).
pub const HEARD_IN_PLACE_HZ: f64 = 120.0;

impl fmt::Display for Contradiction {
    /// One sentence without a final period.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Contradiction::AimBeyondMeasured {
                aim_deg,
                missing_deg,
            } => {
                let angles: Vec<String> = missing_deg.iter().map(|a| format!("{a:+}")).collect();
                write!(
                    f,
                    "the aim of {aim_deg} degrees reaches beyond what was measured: {} degrees of the new listening window are missing, and the window is formed from the rest",
                    angles.join(", ")
                )
            }
            Contradiction::SubBelowCorner { sub_hz, corner_hz } => write!(
                f,
                "the subwoofer ends at {}, but the speaker has fallen by 6 dB at {} already: between the two nothing plays at full level",
                spoken_hz(*sub_hz),
                spoken_hz(*corner_hz)
            ),
            Contradiction::SubBelowTrusted {
                sub_hz,
                trusted_from_hz,
            } => write!(
                f,
                "the crossover to the subwoofer at {} lies below the trusted range, which starts at {}: what the speaker does at the crossover is not known",
                spoken_hz(*sub_hz),
                spoken_hz(*trusted_from_hz)
            ),
            Contradiction::SubHeardInPlace { sub_hz } => write!(
                f,
                "a subwoofer that plays up to {} is heard where it stands (common practice: at most {})",
                spoken_hz(*sub_hz),
                spoken_hz(HEARD_IN_PLACE_HZ)
            ),
            Contradiction::NoHighpass { device, wanted } => write!(
                f,
                "{device} has no stages for a highpass of {:.0} dB per octave at {}: set that crossover in the box that divides the bass, the plan counts on it",
                wanted.order.slope_db_per_oct(),
                spoken_hz(wanted.f_hz)
            ),
            Contradiction::NoStagesLeft { stages, taken } => write!(
                f,
                "the crossover takes {taken} of the {stages} stages, none is left for the plan"
            ),
            Contradiction::LevelBeyondSpeaker {
                level_db,
                worst,
                playable_db,
            } => write!(
                f,
                "{level_db:.0} dB at the seat is beyond the speaker: at {} peaks ask for {:.0} dB at 1 m and it gives {:.0} dB cleanly; {playable_db:.0} dB on average is what it plays",
                spoken_hz(worst.f_hz),
                worst.asked_db,
                worst.clean_db
            ),
            Contradiction::RatingBroken { rated_ohm, least } => write!(
                f,
                "the impedance falls to {:.1} ohm at {}, less than {:.0} % of the rated {rated_ohm} ohm (IEC 60268-5)",
                least.ohm,
                spoken_hz(least.f_hz),
                100.0 * LEAST_SHARE_OF_RATED
            ),
            Contradiction::UnitsHoldTheSame
            | Contradiction::UnitsShowLess { .. }
            | Contradiction::AnglesOfOneUnit
            | Contradiction::UnitsUnalike { .. } => self.of_pair(f),
            _ => self.of_room(f),
        }
    }
}

impl Contradiction {
    fn of_room(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Contradiction::TransitionAssumed { transition_hz } => write!(
                f,
                "no transition was stated; {} is taken, the middle of what homes show. --transition, or --room-volume with --rt60, says better",
                spoken_hz(*transition_hz)
            ),
            Contradiction::TransitionHigh { transition_hz } => write!(
                f,
                "a transition of {} is higher than what rooms show (200 to 500 Hz): so high, a cut that suits the seats takes from the direct sound too",
                spoken_hz(*transition_hz)
            ),
            Contradiction::TransitionBelowTrusted {
                transition_hz,
                trusted_from_hz,
            } => write!(
                f,
                "the room decides below {}, the anechoic measurement is trusted from {}: between them nobody judges, and nothing is corrected there",
                spoken_hz(*transition_hz),
                spoken_hz(*trusted_from_hz)
            ),
            Contradiction::SeatsElsewhere { coverage } => write!(
                f,
                "the seats were measured from {} to {} and say too little of the zone below the transition at {}: they were not used, and the zone is left as it is",
                spoken_hz(coverage.seats_hz.0),
                spoken_hz(coverage.seats_hz.1),
                spoken_hz(coverage.zone_hz.1)
            ),
            Contradiction::SeatsShort { coverage } => write!(
                f,
                "the seats were measured from {} to {} and do not cover the room's zone from {} to {}: what they do not show is left as it is",
                spoken_hz(coverage.seats_hz.0),
                spoken_hz(coverage.seats_hz.1),
                spoken_hz(coverage.zone_hz.0),
                spoken_hz(coverage.zone_hz.1)
            ),
            Contradiction::SeatsCoarse { points_per_octave } => write!(
                f,
                "the seats have {points_per_octave:.0} points per octave below the transition: modes narrower than that are blurred or missed; 24 or more would show them"
            ),
            Contradiction::OneSeat => f.write_str(
                "one seat cannot show what seats share: its peaks are cut as if all seats had them",
            ),
            Contradiction::FromWithinRoom {
                from_hz,
                transition_hz,
            } => write!(
                f,
                "--from {from_hz} leaves {} of the room's zone below {} untouched",
                if from_hz < transition_hz {
                    "the lower part"
                } else {
                    "all"
                },
                spoken_hz(*transition_hz)
            ),
            Contradiction::SubWithinRoom { sub_hz } => write!(
                f,
                "below {} the subwoofer plays, so what the seats show there is not cut in this list; measure the seats with the subwoofer playing and name them with --sub-seats, then its own list does",
                spoken_hz(*sub_hz)
            ),
            Contradiction::SharedPeaksStay { peaks_hz, stages } => {
                let peaks: Vec<String> = peaks_hz.iter().map(|p| spoken_hz(*p)).collect();
                write!(
                    f,
                    "with {stages} stages of this device {} that the seats share {} more than 1 dB over what was wanted: {}",
                    if peaks.len() == 1 { "a peak" } else { "peaks" },
                    if peaks.len() == 1 { "stays" } else { "stay" },
                    peaks.join(", ")
                )
            }
            _ => Ok(()),
        }
    }

    fn of_pair(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Contradiction::UnitsHoldTheSame => f.write_str(
                "both units of the pair hold the same numbers: that is one measurement, and says nothing of a pair",
            ),
            Contradiction::UnitsShowLess { common_hz, lacking } => {
                write!(
                    f,
                    "of the pair only what both units show counts: {} to {}",
                    spoken_hz(common_hz.0),
                    spoken_hz(common_hz.1)
                )?;
                match lacking {
                    0 => Ok(()),
                    n => write!(f, ", and {n} directions of the first unit stand for both"),
                }
            }
            Contradiction::AnglesOfOneUnit => f.write_str(
                "one unit of the pair was measured by angles and the other was not: only averaged curves are compared, and the audit is as careful as with those alone",
            ),
            Contradiction::UnitsUnalike {
                difference_db,
                at_hz,
            } => write!(
                f,
                "the units differ by {difference_db:.1} dB at {}: two units of one kind seldom do, so one may be faulty or measured otherwise",
                spoken_hz(*at_hz)
            ),
            _ => Ok(()),
        }
    }
}
