//! What the audit says of one stretch of frequency, as values; `report` makes sentences of them.

use super::family::Movement;
use super::witness::Witness;
use crate::curve::Curve;
use std::fmt;

/// What is smaller in every curve is not named where findings are summed up, dB: about the just noticeable difference of
/// level in everyday listening (1 dB, handbook figure, from memory).
pub const WORTH_SAYING_DB: f64 = 1.0;

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

/// What is done about a deviation.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Decision {
    /// Corrected in full.
    Correct,
    /// Corrected in part.
    Soften {
        /// The part, as a share between 0 and 1.
        share: f64,
    },
    /// Not touched.
    Leave,
}

impl Decision {
    /// The name used in files and on screen.
    pub fn name(self) -> &'static str {
        match self {
            Decision::Correct => "correct",
            Decision::Soften { .. } => "soften",
            Decision::Leave => "leave",
        }
    }

    /// The share that is corrected, 0 to 1.
    pub fn share(self) -> f64 {
        match self {
            Decision::Correct => 1.0,
            Decision::Soften { share } => share,
            Decision::Leave => 0.0,
        }
    }
}

impl fmt::Display for Decision {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.name())
    }
}

/// The observation that decided, with the number it rests on.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Ground {
    /// All angles have it in nearly the same size.
    Shared,
    /// All angles share a part of it.
    SharedInPart,
    /// All angles share it over a wide range.
    SharedBroadly,
    /// Its frequency depends on the angle.
    Moves {
        /// How far, and where.
        movement: Movement,
    },
    /// Angles disagree: spread against size.
    AnglesDisagree,
    /// The vertical angles disagree while the horizontal ones agree.
    VerticalAnglesDisagree,
    /// The in-room curve does not have it, or has it the other way round.
    NotInTheRoom,
    /// It stands in the room's curve and hardly in the listening window's.
    OnlyInTheRoom,
    /// Far larger on the axis than round it.
    OnTheAxisOnly {
        /// Size on the axis, dB.
        on_axis_db: f64,
    },
    /// Too narrow for a dip worth filling.
    TooNarrow {
        /// The highest Q a dip may have to be filled.
        limit_q: f64,
    },
    /// Too deep for a dip worth filling.
    TooDeep {
        /// The largest depth that is filled, dB.
        limit_db: f64,
    },
    /// Only averaged curves were at hand and the dip is narrow.
    AveragesOnly,
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

/// An EQ curve, and the findings that say what it does and what it leaves. A module that limits or
/// extends one hands back another.
#[derive(Debug, Clone, PartialEq)]
pub struct Wish {
    /// The wanted EQ.
    pub eq: Curve,
    /// By ascending frequency.
    pub findings: Vec<Finding>,
}

impl Wish {
    /// A wish with its findings in order.
    pub fn new(eq: Curve, mut findings: Vec<Finding>) -> Wish {
        findings.sort_by(|a, b| a.peak_hz.total_cmp(&b.peak_hz));
        Wish { eq, findings }
    }
}

/// One stretch of frequency with a deviation worth speaking of.
#[derive(Debug, Clone, PartialEq)]
pub struct Finding {
    /// Lower end, Hz.
    pub from_hz: f64,
    /// Upper end, Hz.
    pub to_hz: f64,
    /// Where it is largest, Hz.
    pub peak_hz: f64,
    /// Size in the listening window, dB; a dip is negative.
    pub size_db: f64,
    /// Size in the in-room response, dB.
    pub in_room_size_db: Option<f64>,
    /// Q of the bump or dip.
    pub q: Option<f64>,
    /// Spread of its size over the angles, dB.
    pub spread_db: Option<f64>,
    /// Why it is there.
    pub cause: Cause,
    /// What is done about it.
    pub decision: Decision,
    /// What else bears witness to the cause.
    pub witnesses: Vec<Witness>,
    /// What decided.
    pub ground: Ground,
}

/// A curve in which a finding can stand out.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum StandsOutIn {
    /// The listening window.
    Window,
    /// The in-room response.
    Room,
    /// The response on the axis.
    Axis,
}

impl Finding {
    /// Whether it is large enough in some curve to be named where findings are summed up.
    pub fn is_significant(&self) -> bool {
        self.stands_out().0.abs() >= WORTH_SAYING_DB
    }

    /// Its size in the curve in which it stands out, dB, and which that is.
    pub fn stands_out(&self) -> (f64, StandsOutIn) {
        let elsewhere = match self.ground {
            Ground::OnlyInTheRoom => self.in_room_size_db.map(|db| (db, StandsOutIn::Room)),
            Ground::OnTheAxisOnly { on_axis_db } => Some((on_axis_db, StandsOutIn::Axis)),
            _ => None,
        };
        elsewhere
            .filter(|(size_db, _)| size_db.abs() > self.size_db.abs())
            .unwrap_or((self.size_db, StandsOutIn::Window))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn left(size_db: f64, in_room_size_db: f64, cause: Cause, ground: Ground) -> Finding {
        Finding {
            from_hz: 900.0,
            to_hz: 1100.0,
            peak_hz: 1000.0,
            size_db,
            in_room_size_db: Some(in_room_size_db),
            q: None,
            spread_db: None,
            cause,
            decision: Decision::Leave,
            witnesses: Vec::new(),
            ground,
        }
    }

    #[test]
    fn what_is_left_alone_is_sized_in_the_curve_in_which_it_stands_out() {
        let swing = left(-0.1, -2.4, Cause::Directivity, Ground::OnlyInTheRoom);
        assert_eq!(swing.stands_out(), (-2.4, StandsOutIn::Room));
        let on_axis = Ground::OnTheAxisOnly { on_axis_db: 3.0 };
        let ripple = left(0.5, 0.1, Cause::SingleAxis, on_axis);
        assert_eq!(ripple.stands_out(), (3.0, StandsOutIn::Axis));
        let null = left(-6.0, -7.0, Cause::Cancellation, Ground::AnglesDisagree);
        assert_eq!(null.stands_out(), (-6.0, StandsOutIn::Window));
    }
}
