//! What the result should look like. Never the hardware.

use crate::curve::{At, Curve, Grid};

/// A wanted curve for the listening window, and if wished a slope of its own for the room.
#[derive(Debug, Clone, PartialEq)]
pub struct Target {
    /// Short name, as typed.
    pub name: String,
    /// One sentence for the list of targets.
    pub about: String,
    /// Why the numbers are what they are.
    pub reason: String,
    /// Levels by ascending frequency, one at least; straight lines over log frequency between,
    /// constant beyond the ends. Only the shape matters.
    pub points: Vec<At>,
    /// Slope of the in-room target in dB per octave. `None`: the listening-window target minus
    /// the trend of the speaker's own directivity.
    pub in_room_slope_db_per_oct: Option<f64>,
}

impl Target {
    /// Level in dB of the listening-window target at `f_hz`.
    pub fn level_db(&self, f_hz: f64) -> f64 {
        let after = self.points.partition_point(|point| point.f_hz <= f_hz);
        if after == 0 {
            return self.points[0].value_db;
        }
        let low = self.points[after - 1];
        match self.points.get(after) {
            None => low.value_db,
            Some(high) => {
                let rise_db = high.value_db - low.value_db;
                low.value_db + rise_db * (f_hz / low.f_hz).log2() / (high.f_hz / low.f_hz).log2()
            }
        }
    }

    /// The listening-window target on `grid`.
    pub fn curve(&self, grid: &Grid) -> Curve {
        Curve::of(grid, |f_hz| self.level_db(f_hz))
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
            points: [(100.0, 0.0), (10000.0, -2.0)]
                .map(|(f_hz, value_db)| At { f_hz, value_db })
                .to_vec(),
            in_room_slope_db_per_oct: None,
        };
        assert_eq!(target.level_db(20.0), 0.0);
        assert!((target.level_db(1000.0) + 1.0).abs() < 1e-12);
        assert_eq!(target.level_db(20000.0), -2.0);
    }
}
