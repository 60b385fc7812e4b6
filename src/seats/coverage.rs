//! What of the room's zone the seats cover, and how densely.

use super::levels::SeatLevels;
use crate::curve::Grid;

/// Lowest frequency that is looked at, Hz: the lower end of hearing.
pub(super) const LOWEST_HZ: f64 = 20.0;

/// Seats that cover less than this of the zone say nothing of it, octaves.
const LEAST_OCT: f64 = 0.5;

/// With fewer points than this within the zone there is no curve to look at.
const LEAST_POINTS: usize = 4;

/// Seats count as short of the zone when they miss more than this of it at an end, octaves.
const MISSING_OCT: f64 = 1.0 / 6.0;

/// Fewer points per octave than this do not show modes. Our own judgement: a third octave blurs
/// all modes of a home, a twelfth still tells those of Q 10 apart.
const COARSE_PER_OCT: f64 = 12.0;

/// What of the room's zone the seats cover.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Coverage {
    /// How many seats.
    pub seats: usize,
    /// What they were measured over, Hz.
    pub seats_hz: (f64, f64),
    /// The zone, Hz.
    pub zone_hz: (f64, f64),
    /// Points within what of the zone they cover.
    points: usize,
}

impl Coverage {
    pub(super) fn new(seats: &SeatLevels, transition_hz: f64) -> Coverage {
        let grid: &Grid = seats.grid();
        let mut coverage = Coverage {
            seats: seats.seats().len(),
            seats_hz: (grid.first_hz(), grid.last_hz()),
            zone_hz: (LOWEST_HZ, transition_hz),
            points: 0,
        };
        let (from_hz, to_hz) = coverage.covered_hz();
        if from_hz < to_hz {
            coverage.points = grid.range(from_hz, to_hz).len();
        }
        coverage
    }

    /// What of the zone is covered, Hz; the second is not above the first where nothing is.
    pub fn covered_hz(&self) -> (f64, f64) {
        (
            self.seats_hz.0.max(self.zone_hz.0),
            self.seats_hz.1.min(self.zone_hz.1),
        )
    }

    fn octaves(&self) -> f64 {
        let (from_hz, to_hz) = self.covered_hz();
        (to_hz / from_hz).log2().max(0.0)
    }

    /// Whether enough of the zone is covered to say anything of it.
    pub fn is_used(&self) -> bool {
        self.octaves() >= LEAST_OCT && self.points >= LEAST_POINTS
    }

    /// Whether the seats miss more than a trifle of the zone at an end.
    pub fn is_short(&self) -> bool {
        let missing = MISSING_OCT.exp2();
        self.seats_hz.0 > self.zone_hz.0 * missing || self.seats_hz.1 * missing < self.zone_hz.1
    }

    /// Points per octave, where they are too few to show a mode.
    pub fn coarse_per_octave(&self) -> Option<f64> {
        let per_octave = self.points as f64 / self.octaves();
        (per_octave < COARSE_PER_OCT).then_some(per_octave)
    }
}
