//! How low a speaker goes and how loud it is for its drive: the figures of a data sheet.

use crate::curve::{Grid, Smoother};
use crate::units::{amplitude_to_db, db_to_power, power_to_db};

/// Where sensitivity and the level that low corners refer to are taken, Hz (common practice).
pub const REFERENCE_HZ: (f64, f64) = (300.0, 3000.0);

/// The drive of data sheets, V: one watt in 8 ohm (common practice).
pub const REFERENCE_V: f64 = 2.83;

/// Smoothing before a corner is looked for, octaves: the trade's usual resolution for band limits
/// (common practice).
const SMOOTHING_OCT: f64 = 1.0 / 3.0;

/// Figures of the reference axis, or of the listening window where there is no axis.
#[derive(Debug, Clone, PartialEq)]
pub struct LowEnd {
    /// Where the response has fallen by 3, 6 and 10 dB from its mean over [`REFERENCE_HZ`], Hz;
    /// `None` where it does not within the data.
    pub corners_hz: [Option<f64>; 3],
    /// The lowest frequency at hand, Hz.
    pub data_from_hz: f64,
    /// Level at 1 m for 2.83 V, mean power over [`REFERENCE_HZ`], dB SPL; `None` where drive or
    /// distance of the measurement are not stated.
    pub sensitivity_db: Option<f64>,
}

/// The falls that are looked for, dB: F3, F6 and F10 (common practice).
pub const FALLS_DB: [f64; 3] = [3.0, 6.0, 10.0];

impl LowEnd {
    /// Figures of `levels_db` on `grid`, measured at `distance_m` metres with `drive_v` volts.
    /// `None` when the data do not span [`REFERENCE_HZ`].
    pub fn new(
        grid: &Grid,
        levels_db: &[f64],
        distance_m: Option<f64>,
        drive_v: Option<f64>,
    ) -> Option<LowEnd> {
        let band = grid.range(REFERENCE_HZ.0, REFERENCE_HZ.1);
        if band.is_empty()
            || grid.first_hz() > REFERENCE_HZ.0 * 1.05
            || grid.last_hz() < REFERENCE_HZ.1 / 1.05
        {
            return None;
        }
        let cells_oct = grid.cells_oct();
        let (mut power, mut width) = (0.0, 0.0);
        for i in band.clone() {
            power += cells_oct[i] * db_to_power(levels_db[i]);
            width += cells_oct[i];
        }
        let mean_db = power_to_db(power / width);
        let smooth_db = Smoother::new(grid, SMOOTHING_OCT).apply(levels_db);
        let sensitivity_db = distance_m.zip(drive_v).map(|(distance_m, drive_v)| {
            mean_db + super::free_field_loss_db(distance_m) - amplitude_to_db(drive_v / REFERENCE_V)
        });
        Some(LowEnd {
            corners_hz: FALLS_DB
                .map(|fall| corner_hz(grid, &smooth_db, band.start, mean_db - fall)),
            data_from_hz: grid.first_hz(),
            sensitivity_db,
        })
    }
}

/// The highest frequency below the place `from` at which the curve crosses `level_db`.
fn corner_hz(grid: &Grid, levels_db: &[f64], from: usize, level_db: f64) -> Option<f64> {
    let below = (0..from).rev().find(|i| levels_db[*i] < level_db)?;
    let (low_db, high_db) = (levels_db[below], levels_db[below + 1]);
    let (low_hz, high_hz) = (grid.freqs_hz()[below], grid.freqs_hz()[below + 1]);
    let share = ((level_db - low_db) / (high_db - low_db)).clamp(0.0, 1.0);
    Some(low_hz * (high_hz / low_hz).powf(share))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn corners_of_a_second_order_highpass_are_where_its_formula_has_them() {
        // Butterworth, 50 Hz: -3.01 dB at f0, else f0 / (10^(x/10) - 1)^(1/4).
        let grid = Grid::logarithmic(10.0, 20_000.0, 48.0);
        let levels_db: Vec<f64> = grid
            .freqs_hz()
            .iter()
            .map(|f| 87.0 - 10.0 * (1.0 + (50.0 / f).powi(4)).log10())
            .collect();
        let low_end = LowEnd::new(&grid, &levels_db, Some(2.0), Some(2.0 * REFERENCE_V)).unwrap();
        for (corner_hz, fall_db) in low_end.corners_hz.iter().zip(FALLS_DB) {
            let exact_hz = 50.0 / (10f64.powf(fall_db / 10.0) - 1.0).powf(0.25);
            // Third-octave smoothing of a bend moves it by a little.
            let moved_oct = (corner_hz.unwrap() / exact_hz).log2();
            assert!(moved_oct.abs() < 0.04, "{fall_db}: {moved_oct}");
        }
        // 2 m is 6.02 dB less than 1 m, twice the drive 6.02 dB more.
        assert!((low_end.sensitivity_db.unwrap() - 87.0).abs() < 0.01);
        assert!(
            LowEnd::new(&grid, &levels_db, None, Some(2.83))
                .unwrap()
                .sensitivity_db
                .is_none()
        );
    }
}
