//! How much audible deviation there is, and what a gain curve leaves of it.

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

impl Deviations {
    /// Below this energy (dB squared; 0.03 dB rms) there is nothing to remove and a share of it has
    /// no meaning.
    pub const NOTHING_DB2: f64 = 1e-3;

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
        assert!(deviations.energy_db2(&-&window) < 1e-12);
        let level = Curve::of(&grid, |_| 5.0);
        let before_db2 = deviations.energy_before_db2();
        assert!((deviations.energy_db2(&level) - before_db2).abs() < 1e-12);
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
        assert!((deviations.energy_db2(&curve([1.0, -1.0])) - 9.0).abs() < 1e-12);
    }
}
