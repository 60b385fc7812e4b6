//! How people measure: density, smoothing, windows in time, small errors.

use crate::curve::{Grid, Smoother};
use crate::simulate::chance::Chance;
use crate::units::{db_to_power, power_to_db};

/// The habits of one measurement.
#[derive(Debug, Clone, PartialEq)]
pub struct Habits {
    /// Points per octave from 20 Hz to 20 kHz; above 0.
    pub points_per_octave: f64,
    /// Noise, dB rms; as wide over frequency as the smoothing.
    pub noise_db: f64,
    /// Width of the smoothing, octaves; `None` without.
    pub smoothing_oct: Option<f64>,
    /// Resolution of a window in time, Hz; `None` in free air.
    pub gate_hz: Option<f64>,
    /// What the bass, measured separately, is too loud by, dB.
    pub join_error_db: f64,
    /// Slow drift of the level over the angles, dB rms.
    pub drift_db: f64,
    /// The axis missed to the side and upwards, degrees.
    pub axis_error_deg: [f64; 2],
    /// Seed of noise and drift.
    pub seed: u64,
}

impl Default for Habits {
    /// Without any error, at 24 points per octave.
    fn default() -> Self {
        Habits {
            points_per_octave: 24.0,
            noise_db: 0.0,
            smoothing_oct: None,
            gate_hz: None,
            join_error_db: 0.0,
            drift_db: 0.0,
            axis_error_deg: [0.0; 2],
            seed: 0,
        }
    }
}

/// Above this many times the resolution of the window its loss of detail is not seen.
const GATE_SEEN_TO: f64 = 12.0;

/// The bass is joined at this many times the resolution of the window.
const JOIN_AT: f64 = 1.3;

/// Half of the stretch over which the bass is joined, octaves.
const JOIN_HALF_OCT: f64 = 0.4;

impl Habits {
    /// Random ones; the same `seed` gives the same.
    pub fn draw(seed: u64) -> Habits {
        let mut chance = Chance::new(seed ^ 0x6a6e_1757);
        let gated = chance.happens(0.5);
        let tilt_deg = chance.between(0.0, 3.0);
        let round_rad = chance.between(-std::f64::consts::PI, std::f64::consts::PI);
        Habits {
            points_per_octave: chance.log_between(12.0, 96.0),
            noise_db: chance.between(0.0, 0.4),
            smoothing_oct: [None, Some(1.0 / 24.0), Some(1.0 / 12.0), Some(1.0 / 6.0)]
                [chance.below(4)],
            gate_hz: gated.then(|| chance.log_between(200.0, 500.0)),
            join_error_db: if gated {
                chance.between(-1.0, 1.0)
            } else {
                0.0
            },
            drift_db: chance.between(0.0, 0.3),
            axis_error_deg: [tilt_deg * round_rad.cos(), tilt_deg * round_rad.sin()],
            seed,
        }
    }

    /// The frequencies; `None` when the density makes no grid.
    pub fn grid(&self) -> Option<Grid> {
        let sound = self.points_per_octave > 0.0 && self.points_per_octave <= 1000.0;
        sound.then(|| Grid::logarithmic(20.0, 20_000.0, self.points_per_octave))
    }

    /// What these habits make of clean levels, angle by angle along each orbit.
    pub fn applied(&self, grid: &Grid, clean_db: Vec<Vec<f64>>) -> Vec<Vec<f64>> {
        let mut chance = Chance::new(self.seed ^ 0x0dd5_eed5);
        let smoother = self
            .smoothing_oct
            .filter(|width| *width > 0.0 && width.is_finite())
            .map(|width| Smoother::new(grid, width));
        let drift_rad: [f64; 2] =
            std::array::from_fn(|_| chance.between(-std::f64::consts::PI, std::f64::consts::PI));
        let angles = clean_db.len() as f64;
        clean_db
            .into_iter()
            .enumerate()
            .map(|(i, mut levels_db)| {
                // One slow wave and one twice as fast while the turntable goes round.
                let turn = 2.0 * std::f64::consts::PI * i as f64 / angles;
                let drift_db = self.drift_db
                    * ((turn + drift_rad[0]).cos() + (2.0 * turn + drift_rad[1]).cos());
                if let Some(gate_hz) = self.gate_hz {
                    levels_db = gated(grid, &levels_db, gate_hz, self.join_error_db);
                }
                if let Some(smoother) = &smoother {
                    let powers: Vec<f64> = levels_db.iter().map(|l| db_to_power(*l)).collect();
                    levels_db = powers_to_db(&smoother.apply(&powers), &levels_db);
                }
                let noise_db = self.noise(smoother.as_ref(), grid.len(), &mut chance);
                levels_db
                    .iter()
                    .zip(noise_db)
                    .map(|(level, noise)| level + noise + drift_db)
                    .collect()
            })
            .collect()
    }

    fn noise(&self, smoother: Option<&Smoother>, n: usize, chance: &mut Chance) -> Vec<f64> {
        let white: Vec<f64> = (0..n).map(|_| chance.normal()).collect();
        let smooth = match smoother {
            Some(smoother) => smoother.apply(&white),
            None => white,
        };
        let square = smooth.iter().map(|v| v * v).sum::<f64>() / n as f64;
        let scale = self.noise_db / square.sqrt().max(1e-6);
        smooth.into_iter().map(|v| v * scale).collect()
    }
}

/// Smoothed powers as levels; where a sharp null makes the local line cross zero, the level before
/// smoothing stays.
fn powers_to_db(powers: &[f64], before_db: &[f64]) -> Vec<f64> {
    powers
        .iter()
        .zip(before_db)
        .map(|(p, before)| match *p > 0.0 {
            true => power_to_db(*p),
            false => *before,
        })
        .collect()
}

/// Levels seen through a window in time of the resolution `gate_hz`: powers averaged over that
/// width, the bass below from a measurement without the window, `join_error_db` too loud.
fn gated(grid: &Grid, levels_db: &[f64], gate_hz: f64, join_error_db: f64) -> Vec<f64> {
    let freqs_hz = grid.freqs_hz();
    let powers: Vec<f64> = levels_db.iter().map(|l| db_to_power(*l)).collect();
    let cells_hz: Vec<f64> = grid
        .cells_oct()
        .iter()
        .zip(freqs_hz)
        .map(|(cell, f)| cell * f)
        .collect();
    let join_hz = JOIN_AT * gate_hz;
    (0..grid.len())
        .map(|i| {
            let octaves = (freqs_hz[i] / join_hz).log2();
            let above = 0.5 + 0.5 * (octaves / JOIN_HALF_OCT).clamp(-1.0, 1.0);
            let above = above * above * (3.0 - 2.0 * above);
            let bass_db = levels_db[i] + join_error_db;
            if above == 0.0 {
                return bass_db;
            }
            let windowed_db = if freqs_hz[i] > GATE_SEEN_TO * gate_hz {
                levels_db[i]
            } else {
                let half_hz = 0.5 * gate_hz;
                let (mut sum, mut weight) = (0.0, 0.0);
                for j in grid.range(freqs_hz[i] - half_hz, freqs_hz[i] + half_hz) {
                    // A triangle, as the power of a half window.
                    let share = 1.0 - ((freqs_hz[j] - freqs_hz[i]) / half_hz).abs();
                    sum += cells_hz[j] * share * powers[j];
                    weight += cells_hz[j] * share;
                }
                match sum > 0.0 {
                    true => power_to_db(sum / weight),
                    false => levels_db[i],
                }
            };
            above * windowed_db + (1.0 - above) * bass_db
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn without_errors_nothing_changes_and_noise_has_the_size_it_states() {
        let grid = Habits::default().grid().unwrap();
        let clean = vec![vec![80.0; grid.len()]; 4];
        assert_eq!(Habits::default().applied(&grid, clean.clone()), clean);
        let noisy = Habits {
            noise_db: 0.3,
            smoothing_oct: Some(1.0 / 6.0),
            ..Habits::default()
        };
        for row in noisy.applied(&grid, clean) {
            let square = row.iter().map(|l| (l - 80.0).powi(2)).sum::<f64>();
            let rms_db = (square / row.len() as f64).sqrt();
            assert!((rms_db - 0.3).abs() < 1e-9);
            // As wide as the smoothing: neighbours at 1/24 octave are alike.
            let steps = row.windows(2).map(|p| (p[1] - p[0]).powi(2)).sum::<f64>();
            assert!((steps / row.len() as f64).sqrt() < 0.2);
        }
    }

    #[test]
    fn a_window_in_time_hides_narrow_dips_low_down_and_lifts_the_bass_by_the_error() {
        let grid = Grid::logarithmic(20.0, 20_000.0, 48.0);
        let mut levels_db = vec![80.0; grid.len()];
        let (low, high) = (grid.nearest(600.0), grid.nearest(9000.0));
        levels_db[low] = 60.0;
        levels_db[high] = 60.0;
        let seen = gated(&grid, &levels_db, 300.0, 0.7);
        assert!(seen[low] > 79.0);
        assert!((seen[high] - 60.0).abs() < 1e-9);
        assert!((seen[0] - 80.7).abs() < 1e-9);
    }
}
