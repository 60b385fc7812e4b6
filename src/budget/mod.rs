//! What an owner asks of speaker and amplifier, and what they can give: level, distance, clean
//! limits, load, low end, subwoofer.
//!
//! The measurement of a response says nothing of all this; tables beside it do. What they do not
//! say is reported as not known, never guessed.

mod clean;
mod crossover;
mod distance;
mod level;
mod load;
mod low_end;

pub use clean::{
    COMPRESSION_DB, Clean, DISTORTION_LOW_PERCENT, DISTORTION_PERCENT, Highest, LOW_HZ,
};
pub use crossover::{Crossover, Order, SUB_HZ, SubWanted, excursion_gain_db};
pub use distance::{
    Law, LevelWanted, PEAKS_DB, REFERENCE_M, free_field_loss_db, furnished_loss_db, two_speakers_db,
};
pub use level::{Asked, Excess, limited, without_boost_below};
pub use load::{Boosted, Ease, LEAST_SHARE_OF_RATED, Load, OhmAt, epdr_ohm};
pub use low_end::{FALLS_DB, LowEnd, REFERENCE_HZ, REFERENCE_V};

/// Electrical impedance.
#[derive(Debug, Clone, PartialEq)]
pub struct Impedance {
    /// Ascending.
    pub freqs_hz: Vec<f64>,
    /// Magnitude, above 0.
    pub ohm: Vec<f64>,
    /// Phase, where it was given.
    pub phase_deg: Option<Vec<f64>>,
}

/// Harmonic distortion; one or several levels per frequency.
#[derive(Debug, Clone, PartialEq)]
pub struct Distortion {
    /// Ascending; a frequency stands once for each of its levels.
    pub freqs_hz: Vec<f64>,
    /// Sound pressure level.
    pub level_db: Vec<f64>,
    /// Total harmonic distortion, per cent, 0 or above.
    pub thd_percent: Vec<f64>,
}

/// Loss of level at high drive; one or several levels per frequency.
#[derive(Debug, Clone, PartialEq)]
pub struct Compression {
    /// Ascending; a frequency stands once for each of its levels.
    pub freqs_hz: Vec<f64>,
    /// Sound pressure level.
    pub level_db: Vec<f64>,
    /// What is missing of it, dB.
    pub loss_db: Vec<f64>,
}

/// What the owner says of the situation, beside the aim.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Wishes {
    /// A subwoofer below this.
    pub sub: Option<SubWanted>,
    /// A level at the seat.
    pub level: Option<LevelWanted>,
    /// Distance of the seat, m, where it is known without a level.
    pub distance_m: Option<f64>,
    /// Rated impedance as the maker states it, ohm.
    pub rated_ohm: Option<f64>,
}

/// What stands beside the measured response.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Tables<'a> {
    /// Impedance.
    pub impedance: Option<&'a Impedance>,
    /// Distortion.
    pub distortion: Option<&'a Distortion>,
    /// Compression.
    pub compression: Option<&'a Compression>,
    /// Measuring distance, m, where it was stated.
    pub distance_m: Option<f64>,
    /// Drive of the measurement, V, where it was stated.
    pub drive_v: Option<f64>,
}

impl Tables<'_> {
    /// Highest clean levels at 1 m. Where the measuring distance is not stated the levels are
    /// taken for those at 1 m.
    pub fn clean(&self) -> Clean {
        let distance_m = self.distance_m.unwrap_or(REFERENCE_M);
        Clean::new(self.distortion, self.compression, distance_m)
    }
}
