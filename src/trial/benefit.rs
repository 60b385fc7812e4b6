//! What is gained: how near the filters come to the EQ that the truth asks for.

use super::known::Known;
use super::score::Planned;
use crate::curve::Grid;
use crate::units::erb_numbers_per_octave;

/// Gains are measured from here to there, Hz (DESIGN, section 4).
const FROM_HZ: f64 = 200.0;
const TO_HZ: f64 = 12_000.0;

/// Where the correctable defects together stay within so much there is nothing to gain and only harm
/// to be done, dB.
const HEALTHY_WITHIN_DB: f64 = 0.3;

/// How near an EQ comes to the ideal one.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Benefit {
    /// Mean square of the difference from the ideal EQ, level free, dB squared.
    pub error_db2: f64,
    /// Mean square of the ideal EQ itself, level free, dB squared.
    pub ideal_db2: f64,
    /// Where nothing is to be mended: root of the mean square of the difference less that of doing
    /// nothing, dB; 0 where the EQ is better than nothing.
    pub harm_db: f64,
}

impl Benefit {
    /// Of an EQ in dB on `grid`, the grid of `known`.
    pub fn of(known: &Known, grid: &Grid, eq_db: &[f64]) -> Benefit {
        let weights: Vec<f64> = (grid.cells_oct().iter().zip(grid.freqs_hz()))
            .map(|(cell, f)| match (FROM_HZ..=TO_HZ).contains(f) {
                true => cell * erb_numbers_per_octave(*f),
                false => 0.0,
            })
            .collect();
        let ideal_db = without_mean(&known.ideal_eq_db(), &weights);
        let eq_db = without_mean(eq_db, &weights);
        let error_db: Vec<f64> = eq_db.iter().zip(&ideal_db).map(|(e, i)| e - i).collect();
        let healthy: Vec<f64> = (weights.iter().zip(known.correctable_db()))
            .map(|(w, effect)| match effect.abs() <= HEALTHY_WITHIN_DB {
                true => *w,
                false => 0.0,
            })
            .collect();
        let harm_db =
            mean_square(&error_db, &healthy).sqrt() - mean_square(&ideal_db, &healthy).sqrt();
        Benefit {
            error_db2: mean_square(&error_db, &weights),
            ideal_db2: mean_square(&ideal_db, &weights),
            harm_db: harm_db.max(0.0),
        }
    }

    /// The share of what an EQ that knows the truth gains; below 0 where the EQ makes it worse.
    pub fn share(&self) -> f64 {
        1.0 - self.error_db2 / self.ideal_db2.max(1e-9)
    }

    /// The share that is gained of several speakers together.
    pub fn pooled(all: &[Benefit]) -> f64 {
        let sum = |of: fn(&Benefit) -> f64| all.iter().map(of).sum::<f64>();
        1.0 - sum(|b| b.error_db2) / sum(|b| b.ideal_db2).max(1e-9)
    }
}

impl Planned<'_> {
    /// What the filters gain.
    pub fn benefit(&self) -> Benefit {
        Benefit::of(self.known, &self.on.grid, &self.filters_db)
    }
}

fn mean_square(values: &[f64], weights: &[f64]) -> f64 {
    let sum: f64 = weights.iter().sum();
    let squares = values.iter().zip(weights).map(|(v, w)| w * v * v);
    match sum > 0.0 {
        true => squares.sum::<f64>() / sum,
        false => 0.0,
    }
}

fn without_mean(values: &[f64], weights: &[f64]) -> Vec<f64> {
    let sum: f64 = weights.iter().sum();
    let mean = values.iter().zip(weights).map(|(v, w)| w * v).sum::<f64>() / sum.max(1e-12);
    values.iter().map(|v| v - mean).collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::simulate::DefectKind;
    use crate::trial::KnownDefect;

    fn bump() -> (Known, Grid) {
        let grid = Grid::logarithmic(100.0, 16_000.0, 48.0);
        let window_db: Vec<f64> = (grid.freqs_hz().iter())
            .map(|f| 4.0 * (-(3.0 * (f / 1000.0).log2()).powi(2)).exp())
            .collect();
        let known = Known {
            healthy_window_db: vec![85.0; grid.len()],
            shared_unevenness_db: None,
            defects: vec![KnownDefect {
                kind: DefectKind::Resonance,
                f_hz: 1000.0,
                room_db: window_db.clone(),
                on_axis_db: window_db.clone(),
                window_db,
            }],
        };
        (known, grid)
    }

    #[test]
    fn the_ideal_gains_all_half_of_it_three_quarters_and_twice_of_it_nothing() {
        let (known, grid) = bump();
        let ideal_db = known.ideal_eq_db();
        for (size, share) in [(1.0, 1.0), (0.5, 0.75), (0.0, 0.0), (2.0, 0.0)] {
            let eq_db: Vec<f64> = ideal_db.iter().map(|v| 3.0 + size * v).collect();
            let benefit = Benefit::of(&known, &grid, &eq_db);
            assert!(
                (benefit.share() - share).abs() < 1e-9,
                "{size}: {benefit:?}"
            );
        }
    }

    #[test]
    fn a_boost_where_nothing_is_wrong_is_harm_and_the_right_cut_is_none() {
        let (known, grid) = bump();
        let ideal_db = known.ideal_eq_db();
        let right = Benefit::of(&known, &grid, &ideal_db);
        assert!(right.harm_db < 1e-9);
        let with_boost: Vec<f64> = (ideal_db.iter().zip(grid.freqs_hz()))
            .map(|(eq, f)| eq + f64::from(u8::from(*f > 4000.0)) * 2.0)
            .collect();
        assert!(Benefit::of(&known, &grid, &with_boost).harm_db > 0.5);
    }
}
