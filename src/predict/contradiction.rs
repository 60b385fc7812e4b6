//! What the user asked for and the measurement does not bear out: said first, hidden nowhere.

use crate::budget::{Excess, OhmAt, SubWanted};
use crate::seats::Coverage;

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
