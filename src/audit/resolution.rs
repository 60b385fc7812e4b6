//! How fine the data really are: points that were interpolated between others are no measurement.
//!
//! Between the knots of a table the second difference of a curve that was joined by straight lines is
//! zero, and the fourth of one joined by cubics; at a knot it is not. A measured curve bends everywhere, at
//! one angle or another. Cubics whose knots are smooth to less than the rounding of a table are not seen.

use crate::curve::Grid;
use crate::units::median;

/// A point that bends less than this share of the strongest bend near it lies between knots.
const BENDS_FROM: f64 = 0.25;

/// So near, octaves to either side: three knots of third octaves at least.
const NEAR_OCT: f64 = 0.5;

/// Second differences of less than this are rounding to hundredths of a dB (0.007 dB rms), fourth ones of
/// less than the other (0.024 dB rms).
const ROUNDED_DB: f64 = 0.02;
const ROUNDED_FOURTH_DB: f64 = 0.07;

/// A knot bends a curve of lines at two points at most, one of splines at four: the points that a
/// second and a fourth difference take in, less one.
const OF_LINES: usize = 2;
const OF_SPLINES: usize = 4;

/// Where knots stand apart for so many of the points that bend, the table was interpolated. Of 128
/// speakers of five populations, measured at 12 to 60 points per octave, 0.24 of them did at most; of third
/// octaves joined by lines to 24 points 0.85 or more in 95 of 100.
const APART_FROM: f64 = 0.7;

/// And where knots are fewer than this share of all points.
const KNOTS_BELOW: f64 = 0.4;

/// Fewer knots per octave are joins and notches of a smooth curve; tables are interpolated from third octaves at
/// the coarsest (common practice).
const KNOTS_FROM: f64 = 2.0;

/// Nothing is looked at below, Hz: all angles are alike there, and smooth.
const FROM_HZ: f64 = 100.0;

/// Points per octave that tell something: those of `grid`, or fewer where `curves` on it, in dB, were
/// interpolated from fewer points.
pub(super) fn points_per_octave(grid: &Grid, curves: &[&[f64]]) -> f64 {
    let given = grid.points_per_octave();
    let inside = grid.range(FROM_HZ, f64::INFINITY);
    let octaves: Vec<f64> = (grid.freqs_hz()[inside.clone()].iter())
        .map(|f| f.log2())
        .collect();
    let curves: Vec<Vec<f64>> = (curves.iter())
        .map(|curve| curve[inside.clone()].to_vec())
        .collect();
    let second = Bends::of(&curves, &octaves);
    let fourth = Bends::of(&second.per_oct2, &second.octaves);
    let lines = second.knots_per_octave(2, ROUNDED_DB, OF_LINES);
    let splines = fourth.knots_per_octave(4, ROUNDED_FOURTH_DB, OF_SPLINES);
    let drawn = lines.into_iter().chain(splines);
    (drawn.filter(|knots| *knots < KNOTS_BELOW * given)).fold(given, f64::min)
}

/// Second differences of curves, each divided by its steps in octaves.
struct Bends {
    per_oct2: Vec<Vec<f64>>,
    /// Where they stand.
    octaves: Vec<f64>,
}

impl Bends {
    fn of(curves: &[Vec<f64>], octaves: &[f64]) -> Bends {
        let inside = 1..octaves.len().saturating_sub(1).max(1);
        let of = |curve: &Vec<f64>| -> Vec<f64> {
            let slope = |i: usize| (curve[i + 1] - curve[i]) / (octaves[i + 1] - octaves[i]);
            (inside.clone())
                .map(|i| (slope(i) - slope(i - 1)) / (0.5 * (octaves[i + 1] - octaves[i - 1])))
                .collect()
        };
        Bends {
            per_oct2: curves.iter().map(of).collect(),
            octaves: octaves.get(inside.clone()).unwrap_or_default().to_vec(),
        }
    }

    /// Places per octave at which the curves bend, where these stand apart. Differences of this `order` of
    /// less than `rounded_db` are none; a knot bends the curves at `at_most` points.
    fn knots_per_octave(&self, order: i32, rounded_db: f64, at_most: usize) -> Option<f64> {
        let octaves = &self.octaves;
        let span_oct = octaves.last()? - octaves.first()?;
        let step_oct = span_oct / (octaves.len() - 1) as f64;
        let size: Vec<f64> = (0..octaves.len())
            .map(|i| {
                let squares = self.per_oct2.iter().map(|curve| curve[i].powi(2));
                (squares.sum::<f64>() / self.per_oct2.len() as f64).sqrt()
            })
            .collect();
        let least = rounded_db / step_oct.powi(order);
        let mut near = 0..0;
        let bends: Vec<bool> = (octaves.iter().enumerate())
            .map(|(i, at)| {
                near.start += octaves[near.start..].partition_point(|o| *o < at - NEAR_OCT);
                near.end += octaves[near.end..].partition_point(|o| *o <= at + NEAR_OCT);
                let strongest = size[near.clone()].iter().copied().fold(0.0, f64::max);
                size[i] > (BENDS_FROM * strongest).max(least)
            })
            .collect();
        // Start and length of each run of points that bend.
        let mut runs: Vec<(usize, usize)> = Vec::new();
        for i in (0..bends.len()).filter(|i| bends[*i]) {
            match runs.last_mut() {
                Some((start, length)) if *start + *length == i => *length += 1,
                _ => runs.push((i, 1)),
            }
        }
        let bending: usize = runs.iter().map(|(_, length)| length).sum();
        let apart: usize = (runs.iter().map(|(_, length)| *length))
            .filter(|length| *length <= at_most)
            .sum();
        let place = |(start, length): (usize, usize)| start as f64 + 0.5 * length as f64;
        let gaps = runs.windows(2).map(|two| place(two[1]) - place(two[0]));
        // In the middle, since a knot may hardly bend.
        let per_octave = 1.0 / (step_oct * median(gaps.collect()));
        // Most of them bend, or they are no knots of one table.
        let is_whole = runs.len() as f64 >= 0.5 * per_octave * span_oct;
        let is_apart = apart as f64 >= APART_FROM * bending as f64;
        (is_apart && is_whole && per_octave >= KNOTS_FROM && span_oct > 1.0).then_some(per_octave)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn resolved(grid: &Grid, curves: &[Vec<f64>]) -> f64 {
        let curves: Vec<&[f64]> = curves.iter().map(Vec::as_slice).collect();
        points_per_octave(grid, &curves)
    }

    #[test]
    fn one_resonance_on_a_flat_speaker_is_no_coarse_table() {
        let grid = Grid::logarithmic(20.0, 20_000.0, 24.0);
        for q in [1.0, 3.0, 10.0, 15.0] {
            let bump = crate::audit::component::Component {
                kind: crate::filter::Kind::Peaking,
                f0_hz: 1000.0,
                size_db: 4.0,
                q,
            };
            let plain = bump.shape_db(grid.freqs_hz());
            let rounded: Vec<f64> = plain.iter().map(|v| (v * 100.0).round() / 100.0).collect();
            for curve in [plain, rounded, vec![0.0; grid.len()]] {
                assert_eq!(resolved(&grid, &[curve]), grid.points_per_octave(), "{q}");
            }
        }
    }

    #[test]
    fn what_is_too_short_for_knots_is_taken_as_it_is() {
        for to_hz in [90.0, 105.0, 150.0] {
            let grid = Grid::logarithmic(50.0, to_hz, 24.0);
            let flat = vec![1.0; grid.len()];
            assert_eq!(resolved(&grid, &[flat]), grid.points_per_octave());
        }
    }
}
