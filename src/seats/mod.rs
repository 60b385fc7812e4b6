//! Below the transition frequency the family is the seats, not the angles: which peaks they
//! share, what is left to the room, and how that joins the anechoic wish above.

mod baseline;
mod below;
mod coverage;
mod divide;
mod findings;
mod join;
mod judged;
mod levels;
mod outcome;
mod peak;
mod shared;
mod transition;

use crate::audit::Audit;
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
}

impl Question {
    /// Hears the room and joins it to `audit`, whose judged band begins at the transition or above
    /// it; its wish, reach and findings become those of both. Nothing is cut below `from_hz`, and
    /// no cut is narrower than `device` makes it.
    pub fn new(room: &Room, audit: &mut Audit, from_hz: Option<f64>, device: &Device) -> Question {
        let transition_hz = room.transition.hz();
        let upper_db = join::without_boost(audit, transition_hz);
        let coverage = room
            .seats
            .as_ref()
            .map(|seats| Coverage::new(seats, transition_hz));
        let heard = room.seats.as_ref().zip(coverage.as_ref());
        let judged = heard.and_then(|(seats, coverage)| {
            judged::judge(seats, coverage, transition_hz, from_hz, device, |f_hz| {
                judged::value_at(&audit.grid, &upper_db, f_hz)
            })
        });
        let joined = join::join(audit, &upper_db, judged.as_ref(), transition_hz);
        audit.wish_db = joined.on_audit_grid(audit);
        audit.reach = audit.deviations.share_removed(&audit.wish_db);
        let lowest_hz = joined.grid.first_hz();
        audit.findings = findings::with_room(
            std::mem::take(&mut audit.findings),
            judged.as_ref(),
            transition_hz,
            lowest_hz,
        );
        Question {
            transition: room.transition,
            coverage,
            judged,
            joined,
        }
    }

    /// What becomes of the question when the filters' gain at `freqs_hz` is `gains_db(freqs_hz)`.
    pub fn decided(self, gains_db: impl Fn(&[f64]) -> Vec<f64>) -> Decided {
        let outcome = self.judged.as_ref().map(|judged| {
            let freqs_hz = judged.grid.freqs_hz();
            let upper_db: Vec<f64> = freqs_hz
                .iter()
                .map(|f| judged::value_at(&self.joined.grid, &self.joined.upper_db, *f))
                .collect();
            Outcome::new(judged, gains_db(freqs_hz), &upper_db)
        });
        Decided {
            transition: self.transition,
            coverage: self.coverage,
            judged: self.judged,
            outcome,
        }
    }
}
