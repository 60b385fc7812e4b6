//! What the seats show apart from peaks and nulls: the level that a peak stands over.
//!
//! A straight line over log frequency, fitted round each frequency by the sum of absolute
//! differences (iteratively reweighted), to all seats at once, each moved by a level of its own.
//! Half of what it sees may be peaks or nulls without moving it. Source of the method: Cleveland
//! 1979, J. Am. Stat. Assoc. 74, 829-836, with absolute differences in place of the biweight.

use crate::curve::Grid;
use crate::units::median;

/// Width of the Gaussian through which the line looks, octaves at half height: twice what a trend
/// is (an octave), since in a small room a mode and the gap beside it take up an octave.
const WIDTH_OCT: f64 = 2.0;

/// Differences below this count squared, dB: far below what a seat's level is known to.
const SMALL_DB: f64 = 0.3;

/// The reweighting has settled after so many rounds.
const ROUNDS: usize = 25;

/// Levels relative to a baseline that all seats share.
pub(super) struct Levelled {
    /// The baseline, dB.
    pub baseline_db: Vec<f64>,
    /// Level of each seat by which it was moved, dB.
    pub offsets_db: Vec<f64>,
}

/// The common baseline of `seats_db` (one list of levels per seat) on `grid`, and each seat's own
/// level over it, as the frequencies in `zone` tell it.
pub(super) fn levelled(
    grid: &Grid,
    seats_db: &[Vec<f64>],
    zone: std::ops::Range<usize>,
) -> Levelled {
    let count = grid.len();
    let x_oct: Vec<f64> = grid.freqs_hz().iter().map(|f| f.log2()).collect();
    let mut offsets_db: Vec<f64> = seats_db
        .iter()
        .map(|seat| median(seat[zone.clone()].to_vec()))
        .collect();
    let mut baseline_db = vec![0.0; count];
    let mut trust = vec![vec![1.0; count]; seats_db.len()];
    for round in 0..ROUNDS {
        // All seats at one frequency are one point of their summed trust.
        let (points_db, weights): (Vec<f64>, Vec<f64>) = (0..count)
            .map(|i| {
                let weight: f64 = trust.iter().map(|t| t[i]).sum();
                let sum: f64 = (0..seats_db.len())
                    .map(|s| trust[s][i] * (seats_db[s][i] - offsets_db[s]))
                    .sum();
                (sum / weight, weight)
            })
            .unzip();
        baseline_db = lines(&x_oct, &points_db, &weights);
        for (s, seat) in seats_db.iter().enumerate() {
            let over: Vec<f64> = zone.clone().map(|i| seat[i] - baseline_db[i]).collect();
            // The first rounds are far from settled.
            if round > 0 {
                offsets_db[s] = median(over);
            }
            for i in 0..count {
                let apart_db = (seat[i] - offsets_db[s] - baseline_db[i]).abs();
                trust[s][i] = 1.0 / apart_db.max(SMALL_DB);
            }
        }
    }
    Levelled {
        baseline_db,
        offsets_db,
    }
}

/// Value at each `x` of the weighted straight line through its neighbours.
fn lines(x: &[f64], y: &[f64], weights: &[f64]) -> Vec<f64> {
    // Full width at half height of a Gaussian: 2 sqrt(2 ln 2) sigma.
    let sigma = WIDTH_OCT / (8.0 * std::f64::consts::LN_2).sqrt();
    x.iter()
        .map(|centre| {
            let [mut s0, mut s1, mut s2, mut t0, mut t1] = [0.0; 5];
            for ((x, y), weight) in x.iter().zip(y).zip(weights) {
                let dx = x - centre;
                let w = weight * (-0.5 * (dx / sigma).powi(2)).exp();
                s0 += w;
                s1 += w * dx;
                s2 += w * dx * dx;
                t0 += w * y;
                t1 += w * dx * y;
            }
            let determinant = s0 * s2 - s1 * s1;
            if determinant > 1e-12 * s0 * s2 {
                (s2 * t0 - s1 * t1) / determinant
            } else {
                t0 / s0
            }
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_slope_at_seats_of_different_levels_is_found_under_peaks_and_nulls() {
        let grid = Grid::logarithmic(20.0, 400.0, 48.0);
        let slope = |f: f64| -2.0 * (f / 100.0).log2();
        let bell = |f: f64, at: f64, width_oct: f64| (-((f / at).log2() / width_oct).powi(2)).exp();
        let seat = |level: f64, null_hz: f64| -> Vec<f64> {
            grid.freqs_hz()
                .iter()
                .map(|f| {
                    level + slope(*f) + 9.0 * bell(*f, 42.0, 0.1) + 7.0 * bell(*f, 71.0, 0.1)
                        - 20.0 * bell(*f, null_hz, 0.07)
                })
                .collect()
        };
        let seats = [seat(80.0, 55.0), seat(-3.0, 120.0), seat(0.0, 93.0)];
        let found = levelled(&grid, &seats, 0..grid.len());
        for (f, baseline) in grid.freqs_hz().iter().zip(&found.baseline_db) {
            let error_db = baseline + found.offsets_db[1] - (slope(*f) - 3.0);
            assert!(error_db.abs() < 0.5, "{f:.0} Hz: {error_db:.2} dB");
        }
        assert!((found.offsets_db[0] - found.offsets_db[1] - 83.0).abs() < 0.1);
    }
}
