//! How much of the audible deviation a gain curve removes.

use crate::curve::Curve;

/// Two deviations from target on one grid, with what hearing gives each frequency.
#[derive(Debug, Clone, PartialEq)]
pub struct Deviations {
    /// Weight of each frequency, adding up to one; zero outside the judged band.
    pub weights: Vec<f64>,
    /// Listening window minus target.
    pub window: Curve,
    /// In-room response minus its target.
    pub in_room: Curve,
}

/// Below this energy (dB squared; 0.03 dB rms) there is nothing to remove and the share removed
/// has no meaning.
const NOTHING_DB2: f64 = 1e-3;

impl Deviations {
    /// Audible deviation energy in dB squared with `gains` applied: the mean over listening
    /// window and in-room curve of the ERB-rate-weighted squared deviation, each curve's level
    /// taken out since only shape matters.
    ///
    /// # Panics
    /// When `gains` lies on another grid.
    pub fn energy_db2(&self, gains: &Curve) -> f64 {
        let of = |deviation: &Curve| {
            let (mut mean, mut square) = (0.0, 0.0);
            for (w, d) in self.weights.iter().zip((deviation + gains).values_db()) {
                mean += w * d;
                square += w * d * d;
            }
            (square - mean * mean).max(0.0)
        };
        0.5 * (of(&self.window) + of(&self.in_room))
    }

    /// The same before any EQ, dB squared.
    pub fn energy_before_db2(&self) -> f64 {
        self.energy_db2(&Curve::zero(self.window.grid()))
    }

    /// Share of the audible deviation energy that `gains` removes: 1 for all of it, below 0
    /// when it adds. `None` when there is nothing to remove.
    ///
    /// # Panics
    /// When `gains` lies on another grid.
    pub fn share_removed(&self, gains: &Curve) -> Option<f64> {
        let before = self.energy_before_db2();
        (before > NOTHING_DB2).then(|| 1.0 - self.energy_db2(gains) / before)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::curve::Grid;

    #[test]
    fn the_exact_opposite_removes_everything_and_a_level_nothing() {
        let grid = Grid::logarithmic(100.0, 800.0, 1.0);
        let window = Curve::new(grid.clone(), vec![1.0, -2.0, 3.0, 0.0]);
        let deviations = Deviations {
            weights: vec![0.25; 4],
            in_room: window.clone(),
            window: window.clone(),
        };
        assert!((deviations.share_removed(&-&window).unwrap() - 1.0).abs() < 1e-12);
        let level = Curve::of(&grid, |_| 5.0);
        assert!(deviations.share_removed(&level).unwrap().abs() < 1e-12);
    }

    #[test]
    fn window_and_room_count_half_each() {
        // By hand: the window's mean square round its mean of 0 is 4, that of the room 16; a gain that
        // undoes the window leaves the room with (-2, +2), 4.
        let grid = Grid::logarithmic(100.0, 200.0, 1.0);
        let curve = |values: [f64; 2]| Curve::new(grid.clone(), values.to_vec());
        let deviations = Deviations {
            weights: vec![0.5; 2],
            window: curve([2.0, -2.0]),
            in_room: curve([-4.0, 4.0]),
        };
        assert!((deviations.energy_db2(&curve([0.0, 0.0])) - 10.0).abs() < 1e-12);
        assert!((deviations.energy_db2(&curve([-2.0, 2.0])) - 0.5 * 36.0).abs() < 1e-12);
        assert!((deviations.energy_db2(&curve([4.0, -4.0])) - 0.5 * 36.0).abs() < 1e-12);
        assert!((deviations.share_removed(&curve([1.0, -1.0])).unwrap() - 0.1).abs() < 1e-12);
    }
}
