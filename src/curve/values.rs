//! A curve: values in dB over a grid.

use super::{Grid, Resampling, Smoother};
use std::ops::{Add, Neg, Range, Sub};

/// One value in dB for each frequency of a grid, all finite. Two curves are added or compared on
/// one grid only; another one has to be brought there first (see [`Curve::on`]).
#[derive(Debug, Clone, PartialEq)]
pub struct Curve {
    grid: Grid,
    values_db: Vec<f64>,
}

/// A value in dB at a frequency.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct At {
    /// The frequency, Hz.
    pub f_hz: f64,
    /// The value, dB.
    pub value_db: f64,
}

impl Curve {
    /// A curve from its values in dB.
    ///
    /// # Panics
    /// When there is not one value for each frequency.
    pub fn new(grid: Grid, values_db: Vec<f64>) -> Curve {
        assert_eq!(grid.len(), values_db.len(), "one value for each frequency");
        Curve { grid, values_db }
    }

    /// A curve by its value in dB at each frequency in Hz.
    pub fn of(grid: &Grid, value_db: impl FnMut(f64) -> f64) -> Curve {
        let values_db = grid.freqs_hz().iter().copied().map(value_db).collect();
        Curve::new(grid.clone(), values_db)
    }

    /// A curve of zeros.
    pub fn zero(grid: &Grid) -> Curve {
        Curve::new(grid.clone(), vec![0.0; grid.len()])
    }

    /// The frequencies.
    pub fn grid(&self) -> &Grid {
        &self.grid
    }

    /// The values, dB.
    pub fn values_db(&self) -> &[f64] {
        &self.values_db
    }

    /// Frequencies and values, ascending.
    pub fn iter(&self) -> impl Iterator<Item = At> + '_ {
        let pairs = self.grid.freqs_hz().iter().zip(&self.values_db);
        pairs.map(|(f_hz, value_db)| At {
            f_hz: *f_hz,
            value_db: *value_db,
        })
    }

    /// The curve of `value_db` of each frequency and value.
    pub fn map(&self, value_db: impl FnMut(At) -> f64) -> Curve {
        Curve::new(self.grid.clone(), self.iter().map(value_db).collect())
    }

    /// The curve raised by `level_db`.
    pub fn raised(&self, level_db: f64) -> Curve {
        self.map(|at| at.value_db + level_db)
    }

    /// The curve smoothed.
    ///
    /// # Panics
    /// When the smoother is one for another number of frequencies.
    pub fn smoothed(&self, smoother: &Smoother) -> Curve {
        Curve::new(self.grid.clone(), smoother.apply(&self.values_db))
    }

    /// Mean with one weight for each frequency; the weights add up to one.
    ///
    /// # Panics
    /// When there is not one weight for each frequency.
    pub fn mean_db(&self, weights: &[f64]) -> f64 {
        assert_eq!(
            weights.len(),
            self.grid.len(),
            "one weight for each frequency"
        );
        self.values_db.iter().zip(weights).map(|(v, w)| v * w).sum()
    }

    /// The value at the frequency of the grid nearest to `f_hz`, dB.
    pub fn nearest_db(&self, f_hz: f64) -> f64 {
        self.values_db[self.grid.nearest(f_hz)]
    }

    /// The value at `f_hz`, straight over log frequency, held beyond the ends, dB.
    pub fn at_db(&self, f_hz: f64) -> f64 {
        let freqs_hz = self.grid.freqs_hz();
        let above = freqs_hz.partition_point(|f| *f <= f_hz);
        match above.checked_sub(1) {
            None => self.values_db[0],
            Some(below) if above == freqs_hz.len() => self.values_db[below],
            Some(below) => {
                let share =
                    (f_hz / freqs_hz[below]).log2() / (freqs_hz[above] / freqs_hz[below]).log2();
                let (low_db, high_db) = (self.values_db[below], self.values_db[above]);
                low_db + share * (high_db - low_db)
            }
        }
    }

    /// The curve on another grid (see [`super::resample_db`]); `None` where that reaches beyond
    /// this one.
    pub fn on(&self, grid: &Grid) -> Option<Curve> {
        let values_db = Resampling::new(&self.grid, grid).of(&self.values_db);
        let values_db = values_db.into_iter().collect::<Option<Vec<f64>>>()?;
        Some(Curve::new(grid.clone(), values_db))
    }

    /// The value of largest size within `range` of the grid's indices, with its sign; `None` where
    /// that is empty.
    pub fn largest_within(&self, range: Range<usize>) -> Option<At> {
        let within = self.iter().take(range.end).skip(range.start);
        within.max_by(|a, b| a.value_db.abs().total_cmp(&b.value_db.abs()))
    }

    fn with(&self, other: &Curve, value_db: impl Fn(f64, f64) -> f64) -> Curve {
        assert!(self.grid == other.grid, "curves meet on one grid");
        let pairs = self.values_db.iter().zip(&other.values_db);
        let values_db = pairs.map(|(a, b)| value_db(*a, *b)).collect();
        Curve::new(self.grid.clone(), values_db)
    }
}

/// Sum in dB, frequency by frequency.
///
/// # Panics
/// When the grids differ.
impl Add for &Curve {
    type Output = Curve;

    fn add(self, other: &Curve) -> Curve {
        self.with(other, |a, b| a + b)
    }
}

/// Difference in dB, frequency by frequency.
///
/// # Panics
/// When the grids differ.
impl Sub for &Curve {
    type Output = Curve;

    fn sub(self, other: &Curve) -> Curve {
        self.with(other, |a, b| a - b)
    }
}

impl Neg for &Curve {
    type Output = Curve;

    fn neg(self) -> Curve {
        self.map(|at| -at.value_db)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn grid() -> Grid {
        Grid::new(vec![100.0, 200.0, 400.0]).expect("ascending")
    }

    #[test]
    fn sums_and_differences_go_frequency_by_frequency() {
        let a = Curve::new(grid(), vec![1.0, 2.0, 3.0]);
        let b = Curve::of(&grid(), |f_hz| f_hz / 100.0);
        assert_eq!((&a + &b).values_db(), [2.0, 4.0, 7.0]);
        assert_eq!((&a - &b).values_db(), [0.0, 0.0, -1.0]);
        assert_eq!((-&a).values_db(), [-1.0, -2.0, -3.0]);
        assert_eq!(a.raised(0.5).values_db(), [1.5, 2.5, 3.5]);
        assert_eq!(a.mean_db(&[0.5, 0.25, 0.25]), 1.75);
    }

    #[test]
    #[should_panic(expected = "curves meet on one grid")]
    fn a_curve_on_another_grid_is_refused() {
        let other = Grid::new(vec![100.0, 200.0, 401.0]).expect("ascending");
        let _ = &Curve::zero(&grid()) + &Curve::zero(&other);
    }

    #[test]
    fn between_two_frequencies_the_value_lies_on_a_straight_line_over_octaves() {
        let curve = Curve::new(grid(), vec![1.0, 2.0, -2.0]);
        assert_eq!(curve.at_db(50.0), 1.0);
        assert!((curve.at_db(200.0 * 2f64.sqrt())).abs() < 1e-12);
        assert_eq!(curve.at_db(900.0), -2.0);
        let largest = curve.largest_within(0..2).expect("two frequencies");
        assert_eq!((largest.f_hz, largest.value_db), (200.0, 2.0));
        assert_eq!(curve.largest_within(1..1), None);
    }

    #[test]
    fn nothing_is_invented_beyond_the_ends() {
        let curve = Curve::zero(&grid());
        let wider = Grid::new(vec![50.0, 200.0]).expect("ascending");
        assert_eq!(curve.on(&wider), None);
        let inside = Grid::new(vec![150.0, 300.0]).expect("ascending");
        assert_eq!(curve.on(&inside).expect("inside").values_db(), [0.0, 0.0]);
    }
}
