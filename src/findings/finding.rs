//! One statement about a speaker, as values; `report` makes a sentence of them.

use super::decision::Decision;
use crate::audit::{Cause, Circumstance, Movement, WORTH_SAYING_DB, Witness};

/// A statement about the speaker as measured, which a reader can check on the curves and on the
/// filter list.
#[derive(Debug, Clone, PartialEq)]
pub struct Finding {
    /// Lower end, Hz.
    pub from_hz: f64,
    /// Upper end, Hz.
    pub to_hz: f64,
    /// Where it is largest, Hz.
    pub peak_hz: f64,
    /// What was measured there.
    pub measured: Measured,
    /// The finding's own share of the listening window's deviation, dB: what would have to be
    /// undone. A dip is negative.
    pub size_db: f64,
    /// Q of the bump or dip.
    pub q: Option<f64>,
    /// Spread of its size over the angles (the seats, in a room), dB.
    pub spread_db: Option<f64>,
    /// Why it is there.
    pub cause: Cause,
    /// Response of the exported filters at its peak, their own level taken out, dB.
    pub eq_db: f64,
    /// Share of its size that the exported filters undo over its band.
    pub undone: f64,
    /// What they do about it.
    pub decision: Decision,
    /// What decided.
    pub ground: Ground,
    /// Whether the listening window has no bump or dip at its place: something else covers it.
    pub is_hidden: bool,
    /// Peak of a larger finding that it stands in or beside, Hz.
    pub inside_hz: Option<f64>,
    /// How far what is weighed is expected to err there, dB.
    pub doubt_db: f64,
    /// The probability that the decision is right, 0 to 1.
    pub sure: f64,
    /// The measurement that would settle it, where it is not sure.
    pub settle: Option<Settle>,
    /// What else bears witness to the cause.
    pub witnesses: Vec<Witness>,
}

/// Measured curves over their targets at one place, dB, before any EQ; `None` where a curve is not
/// known.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Measured {
    /// The listening window.
    pub window_db: Option<f64>,
    /// The in-room response, over its own target.
    pub room_db: Option<f64>,
    /// The response on the axis, over the target of the listening window.
    pub axis_db: Option<f64>,
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

/// What decided about a finding. Each condition is that of DESIGN, section 9.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Ground {
    /// Its spread is at most half of its size, and window and room have one sign.
    Shared,
    /// Its spread is at least a third of its size.
    Differs,
    /// Its extremum moves over the angles.
    Moves {
        /// How far, and where.
        movement: Movement,
    },
    /// Room and window differ.
    Beams,
    /// Axis and window differ.
    Axis,
    /// A dip narrower than is filled.
    Narrow {
        /// The highest Q a dip may have to be filled.
        limit_q: f64,
    },
    /// No single number decides; the angles taken together do.
    Together,
    /// An end of the band, the room, the output or the other unit: what is known of it.
    Known(Circumstance),
}

impl Ground {
    /// The identifier used in files.
    pub fn name(self) -> &'static str {
        match self {
            Ground::Shared => "shared",
            Ground::Differs => "differs",
            Ground::Moves { .. } => "moves",
            Ground::Beams => "beams",
            Ground::Axis => "axis",
            Ground::Narrow { .. } => "narrow",
            Ground::Together => "together",
            Ground::Known(known) => known.name(),
        }
    }
}

/// A measurement that would settle what is not sure.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Settle {
    /// Both orbits instead of averaged curves.
    Angles,
    /// The vertical orbit.
    VerticalOrbit,
    /// Finer steps of angle or frequency.
    FinerSteps,
    /// The near field of a port or passive unit.
    PortNearField,
    /// Phase.
    Phase,
}

impl Settle {
    /// The identifier used in files.
    pub fn name(self) -> &'static str {
        match self {
            Settle::Angles => "angles",
            Settle::VerticalOrbit => "vertical-orbit",
            Settle::FinerSteps => "finer-steps",
            Settle::PortNearField => "port-near-field",
            Settle::Phase => "phase",
        }
    }
}

impl Finding {
    /// Whether it is too small in window and room to be read one by one.
    pub fn is_minor(&self) -> bool {
        [self.measured.window_db, self.measured.room_db]
            .into_iter()
            .flatten()
            .all(|size_db| size_db.abs() < WORTH_SAYING_DB)
    }

    /// What of it stands out where, dB: what is of one curve alone stands out from the listening
    /// window, everything else in it.
    pub fn stands_out(&self) -> (f64, StandsOutIn) {
        let Measured {
            window_db,
            room_db,
            axis_db,
        } = self.measured;
        let against_window = |other: Option<f64>| Some(other? - window_db?);
        let elsewhere = match self.cause {
            Cause::Directivity => against_window(room_db).map(|db| (db, StandsOutIn::Room)),
            Cause::SingleAxis => against_window(axis_db).map(|db| (db, StandsOutIn::Axis)),
            _ => None,
        };
        elsewhere.unwrap_or((self.size_db, StandsOutIn::Window))
    }
}
