//! What the result should look like. Never the hardware.

use crate::curve::Grid;

/// A wanted curve for the listening window, and if wished a slope of its own for the room.
#[derive(Debug, Clone, PartialEq)]
pub struct Target {
    /// Short name, as typed.
    pub name: String,
    /// One sentence for the list of targets.
    pub about: String,
    /// Why the numbers are what they are.
    pub reason: String,
    /// Frequency in Hz (ascending) and level in dB, one pair at least; straight lines over log
    /// frequency between, constant beyond the ends. Only the shape matters.
    pub points: Vec<(f64, f64)>,
    /// Slope of the in-room target in dB per octave. `None`: the listening-window target minus
    /// the trend of the speaker's own directivity.
    pub in_room_slope_db_per_oct: Option<f64>,
}

impl Target {
    /// Level in dB of the listening-window target at `f_hz`.
    pub fn level_db(&self, f_hz: f64) -> f64 {
        let after = self.points.partition_point(|point| point.0 <= f_hz);
        if after == 0 {
            return self.points[0].1;
        }
        let (low_hz, low_db) = self.points[after - 1];
        match self.points.get(after) {
            None => low_db,
            Some((high_hz, high_db)) => {
                low_db + (high_db - low_db) * (f_hz / low_hz).log2() / (high_hz / low_hz).log2()
            }
        }
    }

    /// Levels in dB of the listening-window target on `grid`.
    pub fn levels_db(&self, grid: &Grid) -> Vec<f64> {
        grid.freqs_hz().iter().map(|f| self.level_db(*f)).collect()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn points_are_joined_over_log_frequency_and_held_beyond_the_ends() {
        let target = Target {
            name: "t".into(),
            about: String::new(),
            reason: String::new(),
            points: vec![(100.0, 0.0), (10000.0, -2.0)],
            in_room_slope_db_per_oct: None,
        };
        assert_eq!(target.level_db(20.0), 0.0);
        assert!((target.level_db(1000.0) + 1.0).abs() < 1e-12);
        assert_eq!(target.level_db(20000.0), -2.0);
    }
}
