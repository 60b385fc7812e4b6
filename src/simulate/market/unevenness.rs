//! The small unevenness of every real loudspeaker.

use super::transfer::Block;
use crate::curve::Grid;
use crate::simulate::Filter;
use crate::simulate::chance::Chance;
use crate::simulate::vector::{Vector, dot};
use crate::units::{amplitude_to_db, q_of_width_oct};

/// A bell whose size changes slowly over the sphere.
#[derive(Debug, Clone, PartialEq)]
pub struct AngularBell {
    bell: Filter,
    /// Waves over the sphere, rad for each unit of direction.
    waves: Vector,
    phase_rad: f64,
}

/// Unevenness in three parts.
#[derive(Debug, Clone, PartialEq)]
pub struct Unevenness {
    /// Common to all angles.
    pub common: Vec<Block>,
    /// Of each branch.
    pub branches: Vec<Vec<Block>>,
    /// Of each group of neighbouring angles.
    pub angular: Vec<AngularBell>,
}

/// Range of the bells, Hz.
const BELLS_HZ: (f64, f64) = (60.0, 17_000.0);

/// Bells of random width whose levels together are `rms_db` over log frequency.
fn draw_bells(chance: &mut Chance, count: usize, rms_db: f64) -> Vec<Filter> {
    let bells: Vec<(f64, f64, f64)> = (0..count)
        .map(|_| {
            let width_oct = chance.log_between(0.1, 1.0);
            let f_hz = chance.log_between(BELLS_HZ.0, BELLS_HZ.1);
            (f_hz, chance.normal(), q_of_width_oct(width_oct))
        })
        .collect();
    let scaled = |scale: f64| -> Vec<Filter> {
        bells
            .iter()
            .map(|(f_hz, gain_db, q)| Filter::Peaking {
                f_hz: *f_hz,
                gain_db: gain_db * scale,
                q: *q,
            })
            .collect()
    };
    // Bells of small gain add up linearly, so that one trial gives the scale.
    let trial = scaled(0.3);
    let grid = Grid::logarithmic(BELLS_HZ.0, BELLS_HZ.1, 12.0);
    let level_db = |f: &f64| -> f64 {
        let level = trial.iter().map(|bell| bell.response(*f).norm());
        amplitude_to_db(level.product())
    };
    let levels_db: Vec<f64> = grid.freqs_hz().iter().map(level_db).collect();
    let mean_db = levels_db.iter().sum::<f64>() / levels_db.len() as f64;
    let square = levels_db.iter().map(|l| (l - mean_db).powi(2)).sum::<f64>();
    let trial_db = (square / levels_db.len() as f64).sqrt().max(0.01);
    scaled(0.3 * rms_db / trial_db)
}

impl Unevenness {
    /// 0.3 to 0.7 dB rms together, the part common to all angles the largest.
    pub fn draw(chance: &mut Chance, branches: usize) -> Unevenness {
        let rms_db = chance.between(0.3, 0.7);
        let blocks = |bells: Vec<Filter>| bells.into_iter().map(Block::Filter).collect();
        // Squares add up to one; shares are our own judgement.
        let (common, own, angular) = (0.80, 0.45, 0.40);
        Unevenness {
            common: blocks(draw_bells(chance, 24, common * rms_db)),
            branches: (0..branches)
                .map(|_| blocks(draw_bells(chance, 14, own * rms_db)))
                .collect(),
            angular: draw_bells(chance, 10, angular * rms_db)
                .into_iter()
                .map(|bell| AngularBell {
                    bell,
                    waves: std::array::from_fn(|_| chance.between(-4.0, 4.0)),
                    phase_rad: chance.between(-std::f64::consts::PI, std::f64::consts::PI),
                })
                .collect(),
        }
    }

    /// Level of the part of the angles, dB, direction by direction.
    pub fn angular_db(&self, freqs_hz: &[f64], towards: &[Vector]) -> Vec<f64> {
        let n = freqs_hz.len();
        let mut levels_db = vec![0.0; n * towards.len()];
        for part in &self.angular {
            let bell_db: Vec<f64> = freqs_hz
                .iter()
                .map(|f| amplitude_to_db(part.bell.response(*f).norm()))
                .collect();
            for (u, row) in towards.iter().zip(levels_db.chunks_mut(n)) {
                // Mean square over the angles is one.
                let size = std::f64::consts::SQRT_2 * (dot(part.waves, *u) + part.phase_rad).cos();
                row.iter_mut()
                    .zip(&bell_db)
                    .for_each(|(l, b)| *l += size * b);
            }
        }
        levels_db
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn bells_together_have_the_size_that_was_wanted() {
        let bells = draw_bells(&mut Chance::new(5), 24, 0.5);
        let grid = Grid::logarithmic(BELLS_HZ.0, BELLS_HZ.1, 48.0);
        let levels_db: Vec<f64> = grid
            .freqs_hz()
            .iter()
            .map(|f| amplitude_to_db(bells.iter().map(|b| b.response(*f).norm()).product()))
            .collect();
        let mean = levels_db.iter().sum::<f64>() / levels_db.len() as f64;
        let square = levels_db.iter().map(|l| (l - mean).powi(2)).sum::<f64>();
        let rms_db = (square / levels_db.len() as f64).sqrt();
        // Bells add up linearly in dB; the rest is the coarser grid of the scale.
        assert!((rms_db - 0.5).abs() < 0.05, "{rms_db}");
    }

    #[test]
    fn neighbouring_angles_are_alike_and_distant_ones_are_not() {
        let uneven = Unevenness::draw(&mut Chance::new(8), 2);
        let grid = Grid::logarithmic(60.0, 17_000.0, 12.0);
        let u = |deg: f64| [deg.to_radians().cos(), deg.to_radians().sin(), 0.0];
        let directions: Vec<Vector> = (0..36).map(|i| u(10.0 * f64::from(i))).collect();
        let levels_db = uneven.angular_db(grid.freqs_hz(), &directions);
        let rows: Vec<&[f64]> = levels_db.chunks(grid.len()).collect();
        let apart = |step: usize| -> f64 {
            let pairs = (0..36).map(|i| (rows[i], rows[(i + step) % 36]));
            pairs
                .flat_map(|(a, b)| a.iter().zip(b))
                .map(|(a, b)| (a - b).powi(2))
                .sum()
        };
        assert!(apart(1) < 0.35 * apart(9), "{} {}", apart(1), apart(9));
    }
}
