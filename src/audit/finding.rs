//! What the audit says of one stretch of frequency, and the words for it.

use super::family::Movement;
use super::witness::Witness;
use crate::curve::Curve;
use std::fmt;

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

/// A frequency as spoken: `87 Hz`, `1.21 kHz`.
pub fn spoken_hz(f_hz: f64) -> String {
    if f_hz < 999.5 {
        format!("{f_hz:.0} Hz")
    } else if f_hz < 9995.0 {
        format!("{:.2} kHz", f_hz / 1000.0)
    } else {
        format!("{:.1} kHz", f_hz / 1000.0)
    }
}

/// Sizes at the seats in words.
fn at_seats(seats: usize, sizes_db: (f64, f64)) -> String {
    match seats {
        1 => "at the one seat that was measured".into(),
        n => format!("{:.1} to {:.1} dB at the {n} seats", sizes_db.0, sizes_db.1),
    }
}

impl Finding {
    /// One plain sentence with the numbers that decided, without a final period.
    pub fn reason(&self) -> String {
        let what = if self.size_db >= 0.0 { "bump" } else { "dip" };
        let size = format!("{:.1} dB", self.size_db.abs());
        let place = spoken_hz(self.peak_hz);
        let spread = self.spread_db.unwrap_or(0.0);
        let room = match self.in_room_size_db {
            Some(db) => format!("{db:+.1} dB"),
            None => "not known".into(),
        };
        let opening = format!("{what} of {size} at {place}");
        let why = match self.ground {
            Ground::Shared => format!(
                "{opening}, in the room's curve {room}, spread over angles only {spread:.1} dB: all angles share it"
            ),
            Ground::SharedInPart => format!(
                "{opening}, in the room's curve {room}, spread over angles {spread:.1} dB: all angles share {:.1} dB of it",
                (self.decision.share() * self.size_db).abs()
            ),
            Ground::SharedBroadly => format!(
                "broad {} of {size} round {place}, in the room's curve {room}: all angles share it",
                if self.size_db >= 0.0 {
                    "excess"
                } else {
                    "lack"
                }
            ),
            Ground::Moves { movement } => format!(
                "{opening}, spread over angles {spread:.1} dB, its frequency moves by {:.0} Hz between 0 and {:.0} degrees {}: two sources cancel here",
                movement.by_hz.abs(),
                movement.angle_deg.abs(),
                movement.orbit.name()
            ),
            Ground::AnglesDisagree => format!(
                "{opening}, spread over angles {spread:.1} dB, in the room's curve {room}: its size depends on the angle, so it is no property of the whole sound"
            ),
            Ground::VerticalAnglesDisagree => format!(
                "{opening}, the horizontal angles agree but the vertical ones do not (spread {spread:.1} dB): two sources one above the other sum differently upward and downward"
            ),
            Ground::NotInTheRoom => format!(
                "{opening}, but {room} in the room's curve: a filter would mend one and spoil the other"
            ),
            Ground::OnlyInTheRoom => format!(
                "{room} in the room's curve at {place} against {:+.1} dB in the listening window: the speaker beams differently there, and one filter moves both alike",
                self.size_db
            ),
            Ground::OnTheAxisOnly { on_axis_db } => format!(
                "{opening}, {on_axis_db:+.1} dB on the axis itself and {room} in the room's curve: it belongs to one axis and averages out round it"
            ),
            Ground::TooNarrow { limit_q } => format!(
                "{opening} with Q {:.1}, narrower than a dip worth filling (Q {limit_q:.1}): it is passed over",
                self.q.unwrap_or(0.0)
            ),
            Ground::TooDeep { limit_db } => format!(
                "{opening}, deeper than the {limit_db:.0} dB a filter may fill: that deep, something cancels"
            ),
            Ground::AveragesOnly => format!(
                "{opening} with Q {:.1}: averaged curves alone cannot tell a shared dip from a cancellation",
                self.q.unwrap_or(0.0)
            ),
            Ground::BelowCorner { corner_hz } => format!(
                "the speaker has fallen 6 dB at {}: below, a boost would ask for excursion and give little",
                spoken_hz(corner_hz)
            ),
            Ground::AsksTooMuch {
                boost_db,
                asked_db,
                clean_db,
            } => format!(
                "at {place} a boost of {boost_db:.1} dB would have peaks ask for {asked_db:.0} dB at 1 m, and the speaker gives {clean_db:.0} dB cleanly"
            ),
            Ground::NotTrusted { limit_hz } => format!(
                "beyond {} the measurement is not trusted",
                spoken_hz(limit_hz)
            ),
            Ground::UnitsDiffer { after_db: None } => format!(
                "the second unit differs from the first by {:+.1} dB at {place}: one list for both would mend one and spoil the other",
                self.size_db,
            ),
            Ground::UnitsDiffer {
                after_db: Some(after_db),
            } => format!(
                "the second unit differs from the first by {:+.1} dB at {place}, and by {after_db:+.1} dB with a list for each",
                self.size_db,
            ),
            Ground::RoomUnheard { transition_hz } => format!(
                "below {} the room decides what is heard, and no seats were measured there",
                spoken_hz(transition_hz)
            ),
            Ground::SeatsShare { seats, sizes_db } => format!(
                "peak of {size} at {place} over what is round it, {}: a mode of the room that the seats share",
                at_seats(seats, sizes_db)
            ),
            Ground::SeatsDisagree { seats, sizes_db } => format!(
                "peak of {size} at {place} in the mean, but {}: what helps one seat would spoil another",
                at_seats(seats, sizes_db)
            ),
            Ground::SeatsNull { seats, at } => format!(
                "{opening}, at {at} of {seats} seats: a null of the room takes any boost and gives nothing back"
            ),
        };
        let why = self
            .witnesses
            .iter()
            .fold(why, |why, witness| format!("{why}; {witness}"));
        match self.decision {
            Decision::Correct => format!("{why}; corrected"),
            Decision::Soften { share } => format!("{why}; {:.0} % of it corrected", 100.0 * share),
            Decision::Leave => format!("{why}; left alone"),
        }
    }
}
