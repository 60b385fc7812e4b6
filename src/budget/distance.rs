//! From the level wanted at the seat to the level asked of each speaker at a metre.

use crate::units::power_to_db;

/// Peaks of uncompressed programme over its average level, dB: common practice (10 to 14 dB for
/// dense pop, from memory).
pub const PEAKS_DB: f64 = 20.0;

/// The distance to which levels of speakers refer, m (common practice; ANSI/CTA-2034-A refers
/// its levels to it too, from memory).
pub const REFERENCE_M: f64 = 1.0;

/// What the owner wants to hear at the seat.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct LevelWanted {
    /// Average level at the seat with both speakers playing, dB SPL.
    pub level_db: f64,
    /// Peaks over the average, dB.
    pub peaks_db: f64,
    /// Distance of the seat from each speaker, m, above 0.
    pub distance_m: f64,
}

/// How the level falls on its way to the seat.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Law {
    /// Without reflections: 6.02 dB for each doubling. What the first sound does, and the
    /// cautious one of the two.
    FreeField,
    /// In a furnished room: 3 dB for each doubling beyond the reference distance.
    Furnished,
}

/// Loss in dB from 1 m to `distance_m` (above 0) under free-field conditions: `20 lg r`.
/// Negative within a metre.
pub fn free_field_loss_db(distance_m: f64) -> f64 {
    2.0 * power_to_db(distance_m / REFERENCE_M)
}

/// Loss in dB from 1 m to `distance_m` (above 0) in a furnished room: `10 lg r`, within a metre
/// as in the free field. Source: formulas of the type Schultz gave in 1985 (from memory; their
/// terms in volume and frequency are left out). A rule of thumb: real rooms differ by some dB.
pub fn furnished_loss_db(distance_m: f64) -> f64 {
    if distance_m > REFERENCE_M {
        power_to_db(distance_m / REFERENCE_M)
    } else {
        free_field_loss_db(distance_m)
    }
}

/// What a second speaker that plays something unlike the first adds at the seat, dB: `10 lg 2`.
pub fn two_speakers_db() -> f64 {
    power_to_db(2.0)
}

impl LevelWanted {
    /// Average level asked of each of both speakers at 1 m, dB SPL.
    pub fn asked_average_db(&self, law: Law) -> f64 {
        let loss_db = match law {
            Law::FreeField => free_field_loss_db(self.distance_m),
            Law::Furnished => furnished_loss_db(self.distance_m),
        };
        self.level_db + loss_db - two_speakers_db()
    }

    /// The same for peaks.
    pub fn asked_peak_db(&self, law: Law) -> f64 {
        self.asked_average_db(law) + self.peaks_db
    }
}
