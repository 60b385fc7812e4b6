//! What the user asked for and the measurement does not bear out: said first, hidden nowhere.

use crate::audit::spoken_hz;
use crate::budget::{Excess, LEAST_SHARE_OF_RATED, OhmAt, SubWanted};
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
        }
    }
}
