//! Below the transition frequency the family is the seats, not the angles: which peaks they
//! share, what is left to the room, and how that joins the anechoic wish above.

mod baseline;
mod contradiction;
mod divide;
mod findings;
mod join;
mod judged;
mod levels;
mod outcome;
mod peak;
mod shared;
mod transition;

use crate::audit::{self, Audit};

pub use contradiction::Contradiction;
pub use divide::fit;
pub use join::Joined;
pub use judged::Judged;
pub use levels::{Seat, SeatLevels};
pub use outcome::{Outcome, PeakAfter, SeatAfter};
pub use peak::Peak;
pub use transition::{ASSUMED_HZ, Origin, RANGE_HZ, Transition, schroeder_hz};

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
    /// What the seats show and what may be cut; `None` where no seats say anything of the zone.
    pub judged: Option<Judged>,
    /// What the filters do at the seats.
    pub outcome: Option<Outcome>,
    /// What was asked against what is known.
    pub contradictions: Vec<Contradiction>,
}

/// The speaker's wish, the room's, and both joined.
#[derive(Debug, Clone, PartialEq)]
pub struct Question {
    /// What the seats show; `None` where no seats say anything of the zone.
    pub judged: Option<Judged>,
    /// Both wishes on one grid.
    pub joined: Joined,
    /// What was asked against what is known.
    pub contradictions: Vec<Contradiction>,
}

impl Question {
    /// Hears the room and joins it to `audit`, whose judged band begins at the transition or above
    /// it; its wish and findings become those of both. `options` are those of the audit as the
    /// user gave them.
    pub fn new(
        room: &Room,
        audit: &mut Audit,
        options: &audit::Options,
        trusted_from_hz: Option<f64>,
    ) -> Question {
        let transition_hz = room.transition.hz();
        let upper_db = join::without_boost(audit, transition_hz);
        let (judged, contradictions) =
            judged::judge(room, audit, &upper_db, options.from_hz, trusted_from_hz);
        let joined = join::join(audit, &upper_db, judged.as_ref(), transition_hz);
        audit.wish_db = joined.on_audit_grid(audit);
        let lowest_hz = joined.grid.first_hz();
        audit.findings = findings::with_room(
            std::mem::take(&mut audit.findings),
            judged.as_ref(),
            transition_hz,
            lowest_hz,
        );
        Question {
            judged,
            joined,
            contradictions,
        }
    }

    /// What becomes of the question when the filters' gain at `freqs_hz` is `gains_db(freqs_hz)`;
    /// `stages` of them are on the device.
    pub fn decided(
        self,
        transition: Transition,
        stages: usize,
        gains_db: impl Fn(&[f64]) -> Vec<f64>,
    ) -> Decided {
        let mut contradictions = self.contradictions;
        let outcome = self.judged.as_ref().map(|judged| {
            let freqs_hz = judged.grid.freqs_hz();
            let upper_db: Vec<f64> = freqs_hz
                .iter()
                .map(|f| judged::value_at(&self.joined.grid, &self.joined.upper_db, *f))
                .collect();
            Outcome::new(judged, gains_db(freqs_hz), &upper_db)
        });
        let short: Vec<f64> = outcome
            .iter()
            .flat_map(|outcome| &outcome.peaks)
            .filter(|peak| peak.short_db() > SHORT_DB)
            .map(|peak| peak.peak.f0_hz)
            .collect();
        if !short.is_empty() {
            contradictions.push(Contradiction::DeviceShort {
                peaks_hz: short,
                stages,
            });
        }
        Decided {
            transition,
            judged: self.judged,
            outcome,
            contradictions,
        }
    }
}

/// A peak that stays by more than this over what was wanted is said first, dB.
const SHORT_DB: f64 = 1.0;
