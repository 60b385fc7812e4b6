//! The frequency axis.

use super::Band;
use std::sync::Arc;

/// Strictly ascending, finite frequencies above 0 Hz, at least two of them. Cheap to clone.
#[derive(Debug, Clone)]
pub struct Grid {
    freqs_hz: Arc<[f64]>,
}

/// Clones are told by their place: curves of one grid meet all the time.
impl PartialEq for Grid {
    fn eq(&self, other: &Grid) -> bool {
        Arc::ptr_eq(&self.freqs_hz, &other.freqs_hz) || self.freqs_hz == other.freqs_hz
    }
}

impl Grid {
    /// A grid from its frequencies in Hz; `None` unless they keep the type's promise.
    pub fn new(freqs_hz: Vec<f64>) -> Option<Self> {
        let sound = freqs_hz.len() >= 2
            && freqs_hz.iter().all(|f| f.is_finite() && *f > 0.0)
            && freqs_hz.windows(2).all(|pair| pair[0] < pair[1]);
        sound.then(|| Grid {
            freqs_hz: freqs_hz.into(),
        })
    }

    /// A grid with a whole number of equal steps in log frequency from `from_hz` to `to_hz`,
    /// both ends included, at `points_per_octave` or a little finer.
    ///
    /// # Panics
    /// When the range is empty or the density is not above 0.
    pub fn logarithmic(from_hz: f64, to_hz: f64, points_per_octave: f64) -> Self {
        assert!(
            from_hz > 0.0 && to_hz > from_hz && points_per_octave > 0.0,
            "a logarithmic grid needs 0 < from < to and a density above 0"
        );
        let width_oct = (to_hz / from_hz).log2();
        let steps = (width_oct * points_per_octave).ceil().max(1.0) as usize;
        let freqs_hz = (0..=steps)
            .map(|i| match i {
                0 => from_hz,
                i if i == steps => to_hz,
                i => from_hz * (width_oct * i as f64 / steps as f64).exp2(),
            })
            .collect();
        Grid { freqs_hz }
    }

    /// Frequencies in Hz.
    pub fn freqs_hz(&self) -> &[f64] {
        &self.freqs_hz
    }

    /// Number of frequencies, at least two.
    pub fn len(&self) -> usize {
        self.freqs_hz.len()
    }

    /// Never true; here because a type with `len` is asked for it.
    pub fn is_empty(&self) -> bool {
        self.freqs_hz.is_empty()
    }

    /// Lowest frequency in Hz.
    pub fn first_hz(&self) -> f64 {
        self.freqs_hz[0]
    }

    /// Highest frequency in Hz.
    pub fn last_hz(&self) -> f64 {
        self.freqs_hz[self.len() - 1]
    }

    /// From the lowest to the highest frequency.
    pub fn band(&self) -> Band {
        Band {
            from_hz: self.first_hz(),
            to_hz: self.last_hz(),
        }
    }

    /// Mean density in points per octave.
    pub fn points_per_octave(&self) -> f64 {
        (self.len() - 1) as f64 / (self.last_hz() / self.first_hz()).log2()
    }

    /// Index of the frequency nearest to `f_hz` in log frequency.
    pub fn nearest(&self, f_hz: f64) -> usize {
        let after = self.freqs_hz.partition_point(|f| *f < f_hz);
        if after == 0 {
            return 0;
        }
        if after == self.len() {
            return self.len() - 1;
        }
        let (below_hz, above_hz) = (self.freqs_hz[after - 1], self.freqs_hz[after]);
        if f_hz * f_hz < below_hz * above_hz {
            after - 1
        } else {
            after
        }
    }

    /// Indices of the frequencies within `from_hz..=to_hz`.
    pub fn range(&self, from_hz: f64, to_hz: f64) -> std::ops::Range<usize> {
        let start = self.freqs_hz.partition_point(|f| *f < from_hz);
        let end = self.freqs_hz.partition_point(|f| *f <= to_hz);
        start..end.max(start)
    }

    /// Width in octaves that each frequency stands for: half the way to both neighbours, the
    /// end points only inward. The trapezoidal weights of an integral over octaves.
    pub fn cells_oct(&self) -> Vec<f64> {
        let n = self.len();
        (0..n)
            .map(|i| {
                let low_hz = self.freqs_hz[i.saturating_sub(1)];
                let high_hz = self.freqs_hz[(i + 1).min(n - 1)];
                0.5 * (high_hz / low_hz).log2()
            })
            .collect()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn frequencies_out_of_order_or_not_finite_make_no_grid() {
        assert!(Grid::new(vec![20.0, 20.0]).is_none());
        assert!(Grid::new(vec![0.0, 20.0]).is_none());
        assert!(Grid::new(vec![20.0, f64::NAN]).is_none());
        assert!(Grid::new(vec![20.0]).is_none());
        assert!(Grid::new(vec![20.0, 30.0]).is_some());
    }

    #[test]
    fn a_logarithmic_grid_has_equal_ratios_and_its_ends() {
        let grid = Grid::logarithmic(20.0, 20480.0, 12.0);
        assert_eq!(grid.len(), 121);
        assert_eq!((grid.first_hz(), grid.last_hz()), (20.0, 20480.0));
        for pair in grid.freqs_hz().windows(2) {
            assert!((pair[1] / pair[0] - 2f64.powf(1.0 / 12.0)).abs() < 1e-12);
        }
    }

    #[test]
    fn cells_add_up_to_the_whole_width() {
        let grid = Grid::new(vec![20.0, 30.0, 100.0, 2000.0]).unwrap();
        let sum_oct: f64 = grid.cells_oct().iter().sum();
        assert!((sum_oct - 100f64.log2()).abs() < 1e-12);
    }

    #[test]
    fn nearest_is_judged_in_log_frequency() {
        let grid = Grid::new(vec![100.0, 200.0]).unwrap();
        assert_eq!(grid.nearest(141.0), 0);
        assert_eq!(grid.nearest(142.0), 1);
        assert_eq!(grid.nearest(1.0), 0);
        assert_eq!(grid.nearest(1e6), 1);
    }
}
