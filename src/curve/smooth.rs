//! Smoothing along log frequency.

use super::Grid;
use crate::algebra::dot_inlined;
use pulp::NullaryFnOnce;

/// A local straight-line fit with a Gaussian weight over log frequency, prepared once for a
/// grid and a width and then applied to any number of curves on it.
///
/// The fit is of first order (a line, not a mean), so a constant slope passes unchanged and the
/// ends of the grid are not pulled inward. Source of the method: Cleveland 1979, J. Am. Stat.
/// Assoc. 74, 829-836, without the robust pass and with a Gaussian in place of the tricube.
#[derive(Debug, Clone)]
pub struct Smoother {
    starts: Vec<usize>,
    weights: Vec<Vec<f64>>,
}

/// The Gaussian is cut off where it has fallen to 0.03 % of its peak; what is lost moves no
/// result by more than its own rounding on a plot.
const CUT_OFF_SIGMAS: f64 = 4.0;

impl Smoother {
    /// Weights for `grid` with a Gaussian whose full width at half height is `width_oct`
    /// octaves (above 0).
    pub fn new(grid: &Grid, width_oct: f64) -> Self {
        assert!(width_oct > 0.0, "a smoothing width is above 0");
        // Full width at half height of a Gaussian: 2 sqrt(2 ln 2) sigma.
        let sigma_oct = width_oct / (8.0 * std::f64::consts::LN_2).sqrt();
        let x_oct: Vec<f64> = grid.freqs_hz().iter().map(|f| f.log2()).collect();
        let cells_oct = grid.cells_oct();
        let reach_oct = CUT_OFF_SIGMAS * sigma_oct;
        let mut starts = Vec::with_capacity(grid.len());
        let mut weights = Vec::with_capacity(grid.len());
        for centre in &x_oct {
            let start = x_oct.partition_point(|x| *x < centre - reach_oct);
            let end = x_oct.partition_point(|x| *x <= centre + reach_oct);
            let mut row: Vec<f64> = (start..end)
                .map(|j| {
                    let u = (x_oct[j] - centre) / sigma_oct;
                    cells_oct[j] * (-0.5 * u * u).exp()
                })
                .collect();
            // Value at the centre of the weighted line through the neighbours: the row
            // w_j (s2 - s1 dx_j) / (s0 s2 - s1^2), with s_k the k-th moment of the weights.
            let (mut s0, mut s1, mut s2) = (0.0, 0.0, 0.0);
            for (w, x) in row.iter().zip(&x_oct[start..end]) {
                let dx = x - centre;
                s0 += w;
                s1 += w * dx;
                s2 += w * dx * dx;
            }
            let determinant = s0 * s2 - s1 * s1;
            if determinant > 1e-12 * s0 * s2 && s2 > 0.0 {
                for (w, x) in row.iter_mut().zip(&x_oct[start..end]) {
                    *w *= (s2 - s1 * (x - centre)) / determinant;
                }
            } else {
                row.iter_mut().for_each(|w| *w /= s0);
            }
            starts.push(start);
            weights.push(row);
        }
        Smoother { starts, weights }
    }

    /// `values` smoothed; one value per frequency of the grid the smoother was made for.
    ///
    /// # Panics
    /// When the number of values is another one than the grid's.
    pub fn apply(&self, values: &[f64]) -> Vec<f64> {
        assert_eq!(values.len(), self.weights.len(), "one value per frequency");
        pulp::Arch::new().dispatch(Smoothing {
            smoother: self,
            values,
        })
    }
}

/// A smoother at work on one curve.
struct Smoothing<'a> {
    smoother: &'a Smoother,
    values: &'a [f64],
}

impl NullaryFnOnce for Smoothing<'_> {
    type Output = Vec<f64>;

    #[inline(always)]
    fn call(self) -> Vec<f64> {
        let Smoother { starts, weights } = self.smoother;
        let mut smooth = Vec::with_capacity(weights.len());
        for (start, row) in starts.iter().zip(weights) {
            smooth.push(dot_inlined(row, &self.values[*start..]));
        }
        smooth
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_straight_line_over_octaves_passes_unchanged_to_the_very_ends() {
        let grid = Grid::logarithmic(20.0, 20000.0, 24.0);
        let line: Vec<f64> = grid
            .freqs_hz()
            .iter()
            .map(|f| 3.0 - 1.5 * f.log2())
            .collect();
        for (got, wanted) in Smoother::new(&grid, 1.0).apply(&line).iter().zip(&line) {
            assert!((got - wanted).abs() < 1e-9);
        }
    }

    #[test]
    fn the_stated_width_is_the_half_height_width_of_a_smoothed_impulse() {
        let grid = Grid::logarithmic(100.0, 10000.0, 96.0);
        let mut impulse = vec![0.0; grid.len()];
        let middle = grid.nearest(1000.0);
        impulse[middle] = 1.0;
        let smooth = Smoother::new(&grid, 0.5).apply(&impulse);
        let half_width = (0..middle)
            .rev()
            .find(|i| smooth[*i] < 0.5 * smooth[middle])
            .map(|i| (grid.freqs_hz()[middle] / grid.freqs_hz()[i]).log2())
            .unwrap();
        // One grid step is 1/96 octave.
        assert!((2.0 * half_width - 0.5).abs() < 0.03, "{half_width}");
    }
}
