//! Below the transition frequency the family is the seats, not the angles: which peaks they
//! share, what is left to the room, and how that joins the anechoic wish above.

mod baseline;
mod below;
mod candidates;
mod coverage;
mod divide;
mod join;
mod judged;
mod levels;
mod outcome;
mod peak;
mod shared;
mod transition;

use crate::audit::{Audit, Wish};
use crate::curve::Curve;
use crate::device::Device;

pub use below::BelowCrossover;
pub use coverage::Coverage;
pub use divide::fit;
pub use join::Joined;
pub use judged::Judged;
pub use levels::{Seat, SeatLevels};
pub use outcome::{Outcome, PeakAfter, SeatAfter};
pub use peak::Peak;
pub use transition::{ASSUMED_HZ, Origin, RANGE_HZ, Transition, USUAL_AT_MOST_HZ, schroeder_hz};

/// What the owner says of the room.
#[derive(Debug, Clone, PartialEq)]
pub struct Room {
    /// Where it takes over.
    pub transition: Transition,
    /// Levels at its seats, where they were measured.
    pub seats: Option<SeatLevels>,
}

/// What a plan does with the room.
#[derive(Debug, Clone, PartialEq)]
pub struct Decided {
    /// Where the room takes over.
    pub transition: Transition,
    /// What of the zone the seats cover; `None` without seats.
    pub coverage: Option<Coverage>,
    /// What the seats show and what may be cut; `None` where no seats say anything of the zone.
    pub judged: Option<Judged>,
    /// What the filters do at the seats.
    pub outcome: Option<Outcome>,
}

/// The speaker's wish, the room's, and both joined.
#[derive(Debug, Clone, PartialEq)]
pub struct Question {
    /// Where the room takes over.
    pub transition: Transition,
    /// What of the zone the seats cover; `None` without seats.
    pub coverage: Option<Coverage>,
    /// What the seats show; `None` where no seats say anything of the zone.
    pub judged: Option<Judged>,
    /// Both wishes on one grid.
    pub joined: Joined,
    /// Both together with the candidates of both, on the audit's grid.
    pub wish: Wish,
}

impl Question {
    /// Joins the room to `wish`, that of `audit`, whose judged band begins at the transition or
    /// above it. Nothing is cut below `from_hz`, and no cut is narrower than `device` makes it.
    pub fn new(
        room: &Room,
        audit: &Audit,
        wish: &Wish,
        from_hz: Option<f64>,
        device: &Device,
    ) -> Question {
        let transition_hz = room.transition.hz();
        let seats_hear = room.seats.is_some();
        let upper = join::without_boost(&wish.eq, audit.corner_hz, transition_hz, seats_hear);
        let coverage = room
            .seats
            .as_ref()
            .map(|seats| Coverage::new(seats, transition_hz));
        let heard = room.seats.as_ref().zip(coverage.as_ref());
        let judged = heard.and_then(|(seats, coverage)| {
            judged::judge(seats, coverage, transition_hz, from_hz, device, |f_hz| {
                upper.at_db(f_hz)
            })
        });
        let joined = join::join(audit, &upper, judged.as_ref(), transition_hz);
        let candidates = candidates::with_room(
            &wish.candidates,
            judged.as_ref(),
            transition_hz,
            joined.grid(),
        );
        Question {
            transition: room.transition,
            coverage,
            judged,
            wish: Wish::new(joined.on_audit_grid(audit), candidates),
            joined,
        }
    }

    /// What becomes of the question when the filters' gain at `freqs_hz` is `gains_db(freqs_hz)`.
    pub fn decided(self, gains_db: impl Fn(&[f64]) -> Vec<f64>) -> Decided {
        let outcome = self.judged.as_ref().map(|judged| {
            let freqs_hz = judged.grid.freqs_hz();
            let upper = Curve::of(&judged.grid, |f_hz| self.joined.upper.at_db(f_hz));
            Outcome::new(judged, gains_db(freqs_hz), upper.values_db())
        });
        Decided {
            transition: self.transition,
            coverage: self.coverage,
            judged: self.judged,
            outcome,
        }
    }
}
