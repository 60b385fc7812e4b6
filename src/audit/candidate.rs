//! What a measurement, a room or an owner's tables show to be there before any filter is chosen.
//! [`crate::findings`] says what became of it once the filters stand.

use super::family::Movement;
use super::witness::Witness;
use crate::curve::{Band, Curve};
use std::fmt;

/// A deviation is worth speaking of from this size on, dB: about the just noticeable difference of
/// level in everyday listening (1 dB, handbook figure, from memory).
pub const WORTH_SAYING_DB: f64 = 1.0;

/// Two curves differ where they lie so far apart, dB (DESIGN, section 9).
pub const CURVES_DIFFER_DB: f64 = 0.7;

/// Why a deviation is there.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, serde::Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Cause {
    /// A bump with one frequency and one width at all angles.
    Resonance,
    /// A broad error of tonal balance that all angles share.
    Balance,
    /// A shallow, wide dip that all angles share.
    ShallowDip,
    /// Two sources or paths cancel; depth and frequency depend on the angle.
    Cancellation,
    /// What the speaker sends to the room disagrees with what it sends to the listener.
    Directivity,
    /// A ripple that belongs to one axis and averages out round it.
    SingleAxis,
    /// The end of what the drivers can deliver or the measurement can show.
    BandEdge,
    /// Below the transition frequency, where the room decides.
    Room,
    /// The speaker cannot deliver the boost cleanly at the wanted level.
    OutputLimit,
    /// The two units of a pair differ.
    UnitToUnit,
}

impl Cause {
    /// The name used in files and on screen.
    pub fn name(self) -> &'static str {
        match self {
            Cause::Resonance => "resonance",
            Cause::Balance => "balance",
            Cause::ShallowDip => "shallow-dip",
            Cause::Cancellation => "cancellation",
            Cause::Directivity => "directivity",
            Cause::SingleAxis => "single-axis",
            Cause::BandEdge => "band-edge",
            Cause::Room => "room",
            Cause::OutputLimit => "output-limit",
            Cause::UnitToUnit => "unit-to-unit",
        }
    }
}

impl fmt::Display for Cause {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.name())
    }
}

/// What decides about a candidate in place of the angles.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Circumstance {
    /// Below the speaker's low corner.
    BelowCorner {
        /// The -6 dB corner, Hz.
        corner_hz: f64,
    },
    /// Outside the trusted range of the measurement.
    NotTrusted {
        /// The limit, Hz.
        limit_hz: f64,
    },
    /// The second unit of a pair has another listening window than the first.
    UnitsDiffer {
        /// The difference with a list for each unit, dB, where each gets one.
        after_db: Option<f64>,
    },
    /// Below the transition frequency, where no seats say anything.
    RoomUnheard {
        /// The transition, Hz.
        transition_hz: f64,
    },
    /// Below the transition, a peak that the seats share.
    SeatsShare {
        /// How many seats.
        seats: usize,
        /// Size at the seats that have least and most of it, dB.
        sizes_db: (f64, f64),
    },
    /// Below the transition, a peak that some seats lack.
    SeatsDisagree {
        /// How many seats.
        seats: usize,
        /// Size at the seats that have least and most of it, dB.
        sizes_db: (f64, f64),
    },
    /// Below the transition, a dip: at some seats or all.
    SeatsNull {
        /// How many seats.
        seats: usize,
        /// At how many of them it is there.
        at: usize,
    },
    /// The boost asks for more than the speaker gives cleanly at the wanted level.
    AsksTooMuch {
        /// The boost that was wished for, dB.
        boost_db: f64,
        /// What peaks would ask for with it, dB SPL at 1 m.
        asked_db: f64,
        /// The highest clean level, dB SPL at 1 m.
        clean_db: f64,
    },
}

impl Circumstance {
    /// The identifier used in files.
    pub fn name(self) -> &'static str {
        match self {
            Circumstance::BelowCorner { .. } | Circumstance::NotTrusted { .. } => "edge",
            Circumstance::AsksTooMuch { .. } => "limit",
            Circumstance::UnitsDiffer { .. } => "unit",
            Circumstance::RoomUnheard { .. }
            | Circumstance::SeatsShare { .. }
            | Circumstance::SeatsDisagree { .. }
            | Circumstance::SeatsNull { .. } => "room",
        }
    }

    /// Whether it says something of the speaker's own averaged curves.
    pub fn is_about_curves(self) -> bool {
        matches!(
            self,
            Circumstance::BelowCorner { .. }
                | Circumstance::NotTrusted { .. }
                | Circumstance::AsksTooMuch { .. }
        )
    }
}

/// One stretch of frequency with a deviation that may be worth speaking of.
#[derive(Debug, Clone, PartialEq)]
pub struct Candidate {
    /// Where it is.
    pub band: Band,
    /// Where it is largest, Hz.
    pub peak_hz: f64,
    /// Its own share of the listening window's deviation at its peak, dB: what would have to be
    /// undone. A dip is negative.
    pub size_db: f64,
    /// The same by frequency; only its band matters.
    pub own: Curve,
    /// Q of the bump or dip.
    pub q: Option<f64>,
    /// Spread of its size over the angles (the seats, in a room), dB.
    pub spread_db: Option<f64>,
    /// How its frequency depends on the angle, where it does.
    pub movement: Option<Movement>,
    /// Why it is there.
    pub cause: Cause,
    /// What decides about it where the angles do not. Whether they share it, disagree about it or show it
    /// elsewhere is tested on its numbers when the filters stand.
    pub known: Option<Circumstance>,
    /// How far what is weighed is expected to err there, dB.
    pub doubt_db: f64,
    /// What else bears witness to the cause.
    pub witnesses: Vec<Witness>,
}

/// An EQ curve, and what it answers to or passes over. A module that limits or extends one hands
/// back another.
#[derive(Debug, Clone, PartialEq)]
pub struct Wish {
    /// The wanted EQ.
    pub eq: Curve,
    /// By ascending frequency.
    pub candidates: Vec<Candidate>,
}

impl Wish {
    /// A wish with its candidates in order.
    pub fn new(eq: Curve, mut candidates: Vec<Candidate>) -> Wish {
        candidates.sort_by(|a, b| a.peak_hz.total_cmp(&b.peak_hz));
        Wish { eq, candidates }
    }
}
