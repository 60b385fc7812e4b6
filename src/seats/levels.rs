//! What was measured at the seats.

use crate::curve::Grid;

/// One seat.
#[derive(Debug, Clone, PartialEq)]
pub struct Seat {
    /// Its name.
    pub name: String,
    /// Level in dB at each frequency, any reference of its own.
    pub levels_db: Vec<f64>,
}

/// Levels at the seats of one room. At least one seat; every level is finite, one per frequency.
#[derive(Debug, Clone, PartialEq)]
pub struct SeatLevels {
    grid: Grid,
    seats: Vec<Seat>,
}

impl SeatLevels {
    /// Levels at seats; `None` unless they keep the type's promise.
    pub fn new(grid: Grid, seats: Vec<Seat>) -> Option<SeatLevels> {
        let sound = |seat: &Seat| {
            seat.levels_db.len() == grid.len() && seat.levels_db.iter().all(|l| l.is_finite())
        };
        (!seats.is_empty() && seats.iter().all(sound)).then_some(SeatLevels { grid, seats })
    }

    /// The frequencies.
    pub fn grid(&self) -> &Grid {
        &self.grid
    }

    /// The seats, one at least.
    pub fn seats(&self) -> &[Seat] {
        &self.seats
    }
}
