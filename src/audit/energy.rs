//! How much of the audible deviation a gain curve removes.

/// Two deviations from target on one grid, with what hearing gives each frequency.
#[derive(Debug, Clone, PartialEq)]
pub struct Deviations {
    /// Weight of each frequency, adding up to one; zero outside the judged band.
    pub weights: Vec<f64>,
    /// Listening window minus target, dB.
    pub window_db: Vec<f64>,
    /// In-room response minus its target, dB.
    pub in_room_db: Vec<f64>,
}

/// Below this energy (dB squared; 0.03 dB rms) there is nothing to remove and the share removed
/// has no meaning.
const NOTHING_DB2: f64 = 1e-3;

impl Deviations {
    /// Audible deviation energy in dB squared with `gains_db` applied: the mean over listening
    /// window and in-room curve of the ERB-rate-weighted squared deviation, each curve's level
    /// taken out since only shape matters.
    pub fn energy_db2(&self, gains_db: &[f64]) -> f64 {
        let of = |deviation_db: &[f64]| {
            let (mut mean, mut square) = (0.0, 0.0);
            for ((w, d), g) in self.weights.iter().zip(deviation_db).zip(gains_db) {
                mean += w * (d + g);
                square += w * (d + g) * (d + g);
            }
            (square - mean * mean).max(0.0)
        };
        0.5 * (of(&self.window_db) + of(&self.in_room_db))
    }

    /// Share of the audible deviation energy that `gains_db` removes: 1 for all of it, below 0
    /// when it adds. `None` when there is nothing to remove.
    pub fn share_removed(&self, gains_db: &[f64]) -> Option<f64> {
        let before = self.energy_db2(&vec![0.0; gains_db.len()]);
        (before > NOTHING_DB2).then(|| 1.0 - self.energy_db2(gains_db) / before)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_exact_opposite_removes_everything_and_a_level_nothing() {
        let deviations = Deviations {
            weights: vec![0.25; 4],
            window_db: vec![1.0, -2.0, 3.0, 0.0],
            in_room_db: vec![1.0, -2.0, 3.0, 0.0],
        };
        let opposite = [-1.0, 2.0, -3.0, 0.0];
        assert!((deviations.share_removed(&opposite).unwrap() - 1.0).abs() < 1e-12);
        assert!(deviations.share_removed(&[5.0; 4]).unwrap().abs() < 1e-12);
    }

    #[test]
    fn window_and_room_count_half_each() {
        // By hand: the window's mean square round its mean of 0 is 4, that of the room 16; a gain that
        // undoes the window leaves the room with (-2, +2), 4.
        let deviations = Deviations {
            weights: vec![0.5; 2],
            window_db: vec![2.0, -2.0],
            in_room_db: vec![-4.0, 4.0],
        };
        assert!((deviations.energy_db2(&[0.0; 2]) - 10.0).abs() < 1e-12);
        assert!((deviations.energy_db2(&[-2.0, 2.0]) - 0.5 * 36.0).abs() < 1e-12);
        assert!((deviations.energy_db2(&[4.0, -4.0]) - 0.5 * 36.0).abs() < 1e-12);
        assert!((deviations.share_removed(&[1.0, -1.0]).unwrap() - 0.1).abs() < 1e-12);
    }
}
