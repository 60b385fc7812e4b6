//! Moving a level curve from one grid to another without inventing resolution.

use super::Grid;
use crate::units::{db_to_power, power_to_db};
use std::cell::LazyCell;

/// A level curve in dB on `from` brought onto `to`, see `Resampling` in this file.
///
/// # Panics
/// When `levels_db` has another length than `from`.
pub fn resample_db(from: &Grid, levels_db: &[f64], to: &Grid) -> Vec<Option<f64>> {
    Resampling::new(from, to).of(levels_db)
}

/// The way from one grid to another, for any number of level curves.
///
/// Where the source is denser than the target, its points are averaged as power over the
/// target's cell (the sum of what falls between the half-way points to the neighbours, in log
/// frequency); where it is sparser, a monotone cubic over log frequency joins the points and
/// never overshoots them. Nothing is extrapolated: outside the source's range the result is
/// `None`.
pub(crate) struct Resampling {
    /// The source's frequencies as octaves.
    x_oct: Vec<f64>,
    /// What makes each target frequency.
    ways: Vec<Way>,
    /// The weights of all averages, one after the other.
    weights: Vec<f64>,
    /// Only so many points of the source, the first, matter to the cubics.
    cubics_to: usize,
}

/// How the level at one frequency is had.
enum Way {
    /// A point of the source itself.
    Point(usize),
    /// Outside the source.
    Nowhere,
    /// The power average of the points from `first` on, as many as there are `weights`.
    Average {
        first: usize,
        weights: std::ops::Range<usize>,
    },
    /// The cubic at these octaves.
    Between(f64),
}

impl Resampling {
    /// The way from `from` to `to`.
    pub fn new(from: &Grid, to: &Grid) -> Resampling {
        let mut weights = Vec::new();
        if from == to {
            return Resampling {
                x_oct: vec![0.0; from.len()],
                ways: (0..from.len()).map(Way::Point).collect(),
                weights,
                cubics_to: 0,
            };
        }
        let x_oct: Vec<f64> = from.freqs_hz().iter().map(|f| f.log2()).collect();
        let targets_hz = to.freqs_hz();
        // A frequency within rounding of the end counts as inside.
        let (low_hz, high_hz) = (
            from.first_hz() * (1.0 - 1e-9),
            from.last_hz() * (1.0 + 1e-9),
        );
        let mut way = |i: usize| {
            let f_hz = targets_hz[i];
            if f_hz < low_hz || f_hz > high_hz {
                return Way::Nowhere;
            }
            let (down, up) = cell_ratios(targets_hz, i, from);
            let cell = from.range(f_hz / down, f_hz * up);
            let x = f_hz.log2();
            // Three points at least, or an average of neighbours would only blur.
            if cell.len() < 3 {
                return Way::Between(x);
            }
            let points = cell.start.saturating_sub(1)..(cell.end + 1).min(x_oct.len());
            let first_weight = weights.len();
            let span = x - down.log2()..x + up.log2();
            weights.extend(points.clone().map(|j| weight(&x_oct, j, &span)));
            Way::Average {
                first: points.start,
                weights: first_weight..weights.len(),
            }
        };
        let ways: Vec<Way> = (0..to.len()).map(&mut way).collect();
        let last_cubic = ways.iter().rev().find_map(|way| match way {
            Way::Between(x) => Some(x_oct.partition_point(|v| v <= x)),
            _ => None,
        });
        // A slope takes both neighbours.
        let cubics_to = last_cubic.map_or(0, |last| (last + 4).min(x_oct.len()));
        Resampling {
            x_oct,
            ways,
            weights,
            cubics_to,
        }
    }

    /// The levels at the target's frequencies.
    ///
    /// # Panics
    /// When `levels_db` has another length than the source.
    pub fn of(&self, levels_db: &[f64]) -> Vec<Option<f64>> {
        let x_oct = &self.x_oct;
        assert_eq!(x_oct.len(), levels_db.len(), "one level per frequency");
        // Where the source is dense they are not needed.
        let slopes = LazyCell::new(|| monotone_slopes(x_oct, levels_db));
        let level = |way: &Way| match way {
            Way::Point(i) => Some(levels_db[*i]),
            Way::Nowhere => None,
            Way::Average { first, weights } => Some(power_average_db(
                levels_db[*first..]
                    .iter()
                    .map(|level_db| db_to_power(*level_db)),
                &self.weights[weights.clone()],
            )),
            Way::Between(x) => Some(cubic(x_oct, levels_db, &slopes, *x)),
        };
        self.ways.iter().map(level).collect()
    }

    /// The same from powers above 0, levels in dB again: a transform has so many bins that their
    /// logarithms would take longer than all else.
    ///
    /// # Panics
    /// When `powers` has another length than the source.
    pub fn of_powers(&self, powers: &[f64]) -> Vec<Option<f64>> {
        assert_eq!(self.x_oct.len(), powers.len(), "one power per frequency");
        let x_oct = &self.x_oct[..self.cubics_to];
        let near = powers[..self.cubics_to].iter();
        let levels_db: Vec<f64> = near.map(|power| power_to_db(*power)).collect();
        let slopes = LazyCell::new(|| monotone_slopes(x_oct, &levels_db));
        let level = |way: &Way| match way {
            Way::Point(i) => Some(power_to_db(powers[*i])),
            Way::Nowhere => None,
            Way::Average { first, weights } => Some(power_average_db(
                powers[*first..].iter().copied(),
                &self.weights[weights.clone()],
            )),
            Way::Between(x) => Some(cubic(x_oct, &levels_db, &slopes, *x)),
        };
        self.ways.iter().map(level).collect()
    }
}

/// How far the cell of the target frequency `i` reaches down and up, as frequency ratios: half
/// the way to the neighbours, at the ends of the target as far as on the other side. Where the
/// source ends inside the cell, both sides are cut to the same ratio, or the average would lean
/// inward along a slope.
fn cell_ratios(targets_hz: &[f64], i: usize, from: &Grid) -> (f64, f64) {
    let f_hz = targets_hz[i];
    let below = i.checked_sub(1).map(|j| (f_hz / targets_hz[j]).sqrt());
    let above = targets_hz.get(i + 1).map(|next_hz| (next_hz / f_hz).sqrt());
    let down = below.or(above).unwrap_or(1.0);
    let up = above.or(below).unwrap_or(1.0);
    let (reach_down, reach_up) = (f_hz / from.first_hz(), from.last_hz() / f_hz);
    if down <= reach_down && up <= reach_up {
        (down, up)
    } else {
        let both = down.min(up).min(reach_down).min(reach_up).max(1.0);
        (both, both)
    }
}

/// What the point `j` counts in the power average over the octaves `span`: it stands for the
/// octaves half the way to its neighbours and counts with what of them lies in the span, so that
/// linearly spaced spectra are not pulled upward and points at the very edge count half.
fn weight(x_oct: &[f64], j: usize, span: &std::ops::Range<f64>) -> f64 {
    let last = x_oct.len() - 1;
    let below = 0.5 * (x_oct[j.saturating_sub(1)] + x_oct[j]);
    let above = 0.5 * (x_oct[j] + x_oct[(j + 1).min(last)]);
    (above.min(span.end) - below.max(span.start)).max(0.0)
}

fn power_average_db(powers: impl Iterator<Item = f64>, weights: &[f64]) -> f64 {
    let (mut sum, mut all) = (0.0, 0.0);
    for (power, weight) in powers.zip(weights) {
        sum += weight * power;
        all += weight;
    }
    power_to_db(sum / all)
}

/// Slopes of the monotone piecewise cubic through the points.
///
/// Source: Fritsch and Butland 1984, SIAM J. Sci. Stat. Comput. 5, 300-304 (weighted harmonic
/// mean), with the three-point end formula that keeps the shape.
fn monotone_slopes(x: &[f64], y: &[f64]) -> Vec<f64> {
    let n = x.len();
    let h: Vec<f64> = x.windows(2).map(|p| p[1] - p[0]).collect();
    let d: Vec<f64> = y
        .windows(2)
        .zip(&h)
        .map(|(p, h)| (p[1] - p[0]) / h)
        .collect();
    if n == 2 {
        return vec![d[0], d[0]];
    }
    let mut slopes = vec![0.0; n];
    for i in 1..n - 1 {
        if d[i - 1] * d[i] > 0.0 {
            let w1 = 2.0 * h[i] + h[i - 1];
            let w2 = h[i] + 2.0 * h[i - 1];
            slopes[i] = (w1 + w2) / (w1 / d[i - 1] + w2 / d[i]);
        }
    }
    slopes[0] = end_slope(h[0], h[1], d[0], d[1]);
    slopes[n - 1] = end_slope(h[n - 2], h[n - 3], d[n - 2], d[n - 3]);
    slopes
}

fn end_slope(h0: f64, h1: f64, d0: f64, d1: f64) -> f64 {
    let slope = ((2.0 * h0 + h1) * d0 - h0 * d1) / (h0 + h1);
    if slope * d0 <= 0.0 {
        0.0
    } else if d0 * d1 <= 0.0 && slope.abs() > 3.0 * d0.abs() {
        3.0 * d0
    } else {
        slope
    }
}

fn cubic(x: &[f64], y: &[f64], slopes: &[f64], at: f64) -> f64 {
    let i = x.partition_point(|v| *v <= at).clamp(1, x.len() - 1) - 1;
    let h = x[i + 1] - x[i];
    let t = ((at - x[i]) / h).clamp(0.0, 1.0);
    let (t2, t3) = (t * t, t * t * t);
    y[i] * (2.0 * t3 - 3.0 * t2 + 1.0)
        + slopes[i] * h * (t3 - 2.0 * t2 + t)
        + y[i + 1] * (3.0 * t2 - 2.0 * t3)
        + slopes[i + 1] * h * (t3 - t2)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_points_themselves_come_back() {
        let from = Grid::new(vec![20.0, 50.0, 90.0, 400.0]).unwrap();
        let to = Grid::new(vec![20.0, 50.0, 90.0, 400.0, 500.0]).unwrap();
        let got = resample_db(&from, &[1.0, -2.0, 5.0, 3.0], &to);
        for (value, wanted) in got.iter().zip([1.0, -2.0, 5.0, 3.0]) {
            assert!((value.unwrap() - wanted).abs() < 1e-12);
        }
        assert_eq!(got[4], None);
    }

    #[test]
    fn a_monotone_run_stays_monotone() {
        let from = Grid::new(vec![100.0, 200.0, 400.0, 800.0]).unwrap();
        let to = Grid::logarithmic(100.0, 800.0, 48.0);
        let got = resample_db(&from, &[0.0, 0.0, 10.0, 10.0], &to);
        for pair in got.windows(2) {
            assert!(pair[1].unwrap() >= pair[0].unwrap() - 1e-12);
        }
    }

    #[test]
    fn a_slope_does_not_lean_inward_at_the_ends() {
        let from = Grid::logarithmic(100.0, 6400.0, 48.0);
        let levels: Vec<f64> = from.freqs_hz().iter().map(|f| 12.0 * f.log2()).collect();
        for to in [
            Grid::logarithmic(100.0, 6400.0, 3.0),
            Grid::logarithmic(200.0, 3200.0, 3.0),
        ] {
            let got = resample_db(&from, &levels, &to);
            for (value, f_hz) in got.iter().zip(to.freqs_hz()) {
                // 12 dB per octave over a third of an octave: the power average of
                // the straight line lies 10 lg(sinh(u) / u) = 0.152 dB high, u = ln(10) 12 / 60.
                let difference_db = value.unwrap() - 12.0 * f_hz.log2();
                assert!(
                    (-1e-9..0.16).contains(&difference_db),
                    "{f_hz}: {difference_db}"
                );
            }
        }
    }

    #[test]
    fn powers_and_levels_are_resampled_alike() {
        let freqs: Vec<f64> = (1..=4000).map(|k| 5.0 * f64::from(k)).collect();
        let powers: Vec<f64> = freqs.iter().map(|f| 1.1 + (0.01 * f).sin()).collect();
        let levels: Vec<f64> = powers.iter().map(|p| power_to_db(*p)).collect();
        let from = Grid::new(freqs).unwrap();
        let to = Grid::logarithmic(11.0, 19_000.0, 96.0);
        let way = Resampling::new(&from, &to);
        for (a, b) in way.of(&levels).iter().zip(way.of_powers(&powers)) {
            // Rounding of one logarithm and one power.
            assert!((a.unwrap() - b.unwrap()).abs() < 1e-9);
        }
    }

    #[test]
    fn dense_bins_are_averaged_as_power() {
        // Bins alternate between 0 and -100 dB: half the power, -3.01 dB.
        let freqs: Vec<f64> = (1000..=20000).map(f64::from).collect();
        let levels: Vec<f64> = (1000..=20000)
            .map(|i| if i % 2 == 0 { 0.0 } else { -100.0 })
            .collect();
        let to = Grid::logarithmic(2000.0, 16000.0, 12.0);
        for value in resample_db(&Grid::new(freqs).unwrap(), &levels, &to) {
            assert!((value.unwrap() + 3.0103).abs() < 0.1);
        }
    }
}
