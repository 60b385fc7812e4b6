//! The published preference model, computed from averaged curves. Reported, never optimised.
//!
//! Source: S. E. Olive, A Multiple Regression Model for Predicting Loudspeaker Preference Using
//! Objective Measurements, Parts I and II, AES preprints 6113 and 6190 (2004), general model
//! (formula seen restated; the definitions of the terms are from memory).
//!
//! Limits: trained on level-matched mono listening to conventional forward-firing speakers in
//! one kind of room; no term for distortion, maximum level or directivity as such; bass
//! extension outweighs audible midrange faults; a flat in-room curve scores low.

use crate::average::AveragedCurves;
use crate::curve::{Grid, resample_db};

/// The terms of the model and its result.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize)]
pub struct Rating {
    /// Narrow-band deviation of the on-axis curve, dB.
    pub nbd_on_axis_db: f64,
    /// Narrow-band deviation of the predicted in-room response, dB.
    pub nbd_in_room_db: f64,
    /// Frequency of the low-frequency extension term, Hz.
    pub extension_hz: f64,
    /// True when the sound power never falls 6 dB within the data, so that `extension_hz` is
    /// the lowest measured frequency and the rating may be too low or too high.
    pub extension_not_reached: bool,
    /// Smoothness of the predicted in-room response, 0 to 1.
    pub smoothness_in_room: f64,
    /// The preference rating; about 0 to 10.
    pub preference: f64,
}

/// Olive 2004 part II, general model:
/// `12.69 - 2.49 NBD_ON - 2.99 NBD_PIR - 4.31 LFX + 2.32 SM_PIR`, with `LFX = lg f`, f in Hz.
pub fn preference(nbd_on_db: f64, nbd_pir_db: f64, extension_hz: f64, sm_pir: f64) -> f64 {
    12.69 - 2.49 * nbd_on_db - 2.99 * nbd_pir_db - 4.31 * extension_hz.log10() + 2.32 * sm_pir
}

/// Samples per octave of the model's data, and per half-octave band of the deviation term.
const SAMPLES_PER_OCTAVE: f64 = 20.0;
const SAMPLES_PER_BAND: usize = 10;

impl Rating {
    /// The rating of a speaker by its averaged curves; `None` unless on-axis, listening window,
    /// sound power and in-room curves are there from 300 Hz or lower to 16 kHz.
    ///
    /// Choices where the publication is open: half-octave bands of ten samples start at 100 Hz,
    /// the last one ends at 12 kHz and counts as a band; the extension is the first frequency
    /// below 300 Hz at which the sound power lies 6 dB below the listening window's mean level
    /// of 300 Hz to 10 kHz.
    pub fn of(curves: &AveragedCurves) -> Option<Rating> {
        let grid = &curves.grid;
        let on_axis = &curves.on_axis.as_ref()?.levels_db;
        let window = &curves.listening_window.as_ref()?.levels_db;
        let power = &curves.sound_power.as_ref()?.levels_db;
        let in_room = &curves.in_room.as_ref()?.levels_db;
        let (extension_hz, extension_not_reached) = extension_hz(grid, window, power)?;
        let nbd_on_axis_db = narrow_band_deviation_db(grid, on_axis)?;
        let nbd_in_room_db = narrow_band_deviation_db(grid, in_room)?;
        let smoothness_in_room = smoothness(grid, in_room)?;
        Some(Rating {
            nbd_on_axis_db,
            nbd_in_room_db,
            extension_hz,
            extension_not_reached,
            smoothness_in_room,
            preference: preference(
                nbd_on_axis_db,
                nbd_in_room_db,
                extension_hz,
                smoothness_in_room,
            ),
        })
    }
}

/// A curve at the model's density between two frequencies; samples at the middles of their
/// cells. `None` where the curve does not reach.
fn samples_db(grid: &Grid, levels_db: &[f64], from_hz: f64, to_hz: f64) -> Option<Grid20> {
    let count = (SAMPLES_PER_OCTAVE * (to_hz / from_hz).log2()).floor() as usize;
    let freqs_hz: Vec<f64> = (0..count)
        .map(|k| from_hz * ((k as f64 + 0.5) / SAMPLES_PER_OCTAVE).exp2())
        .collect();
    let to = Grid::new(freqs_hz)?;
    let levels_db = resample_db(grid, levels_db, &to)
        .into_iter()
        .collect::<Option<Vec<f64>>>()?;
    Some(Grid20 {
        grid: to,
        levels_db,
    })
}

struct Grid20 {
    grid: Grid,
    levels_db: Vec<f64>,
}

fn narrow_band_deviation_db(grid: &Grid, levels_db: &[f64]) -> Option<f64> {
    let samples = samples_db(grid, levels_db, 100.0, 12000.0)?;
    let bands = samples.levels_db.chunks(SAMPLES_PER_BAND);
    let count = bands.len() as f64;
    let sum: f64 = bands
        .map(|band| {
            let mean = band.iter().sum::<f64>() / band.len() as f64;
            band.iter().map(|v| (v - mean).abs()).sum::<f64>() / band.len() as f64
        })
        .sum();
    Some(sum / count)
}

/// Below this variance of level (dB squared) a curve is flat and its smoothness, 0/0, is taken
/// as 0, the value that the slightest unevenness gives it.
const FLAT_VARIANCE_DB2: f64 = 1e-12;

fn smoothness(grid: &Grid, levels_db: &[f64]) -> Option<f64> {
    let samples = samples_db(grid, levels_db, 100.0, 16000.0)?;
    let n = samples.levels_db.len() as f64;
    let x: Vec<f64> = samples.grid.freqs_hz().iter().map(|f| f.log10()).collect();
    let (mean_x, mean_y) = (
        x.iter().sum::<f64>() / n,
        samples.levels_db.iter().sum::<f64>() / n,
    );
    let (mut sxx, mut sxy, mut syy) = (0.0, 0.0, 0.0);
    for (x, y) in x.iter().zip(&samples.levels_db) {
        sxx += (x - mean_x).powi(2);
        sxy += (x - mean_x) * (y - mean_y);
        syy += (y - mean_y).powi(2);
    }
    if syy / n < FLAT_VARIANCE_DB2 {
        return Some(0.0);
    }
    Some(sxy * sxy / (sxx * syy))
}

fn extension_hz(grid: &Grid, window_db: &[f64], power_db: &[f64]) -> Option<(f64, bool)> {
    let reference = samples_db(grid, window_db, 300.0, 10000.0)?.levels_db;
    let limit_db = reference.iter().sum::<f64>() / reference.len() as f64 - 6.0;
    let freqs_hz = grid.freqs_hz();
    let below = freqs_hz.partition_point(|f| *f < 300.0);
    for i in (0..below).rev() {
        if power_db[i] <= limit_db {
            // Straight line over log frequency to the point above, which lies over the limit
            // unless the band begins below it.
            let above = (i + 1).min(freqs_hz.len() - 1);
            if power_db[above] <= limit_db {
                return Some((freqs_hz[i], false));
            }
            let t = (limit_db - power_db[i]) / (power_db[above] - power_db[i]);
            return Some((freqs_hz[i] * (freqs_hz[above] / freqs_hz[i]).powf(t), false));
        }
    }
    Some((freqs_hz[0], true))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn grid() -> Grid {
        Grid::logarithmic(20.0, 20000.0, 48.0)
    }

    #[test]
    fn the_formula_gives_the_known_ceiling() {
        // Perfect terms with 14.5 Hz: 10.0045; with 20 Hz: 9.4026 (computed from the formula).
        assert!((preference(0.0, 0.0, 14.5, 1.0) - 10.004503910).abs() < 1e-9);
        assert!((preference(0.0, 0.0, 20.0, 1.0) - 9.402560719).abs() < 1e-9);
    }

    #[test]
    fn a_straight_slope_deviates_by_an_eighth_of_it_in_every_band() {
        let line: Vec<f64> = grid().freqs_hz().iter().map(|f| -2.0 * f.log2()).collect();
        let nbd = narrow_band_deviation_db(&grid(), &line).unwrap();
        // Thirteen bands of ten samples give 2/8, the last one of eight gives 2/10.
        let wanted = (13.0 * 2.0 / 8.0 + 2.0 / 10.0) / 14.0;
        assert!((nbd - wanted).abs() < 2e-3, "{nbd} {wanted}");
        assert!((smoothness(&grid(), &line).unwrap() - 1.0).abs() < 1e-6);
    }

    #[test]
    fn smoothness_of_a_slope_with_ripple_follows_its_closed_form() {
        // r^2 = (m^2 L^2 / 12) / (m^2 L^2 / 12 + a^2 / 2), many periods over L octaves.
        let (m, a, octaves) = (1.0, 2.0, 160f64.log2());
        let curve: Vec<f64> = grid()
            .freqs_hz()
            .iter()
            .map(|f| -m * f.log2() + a * (2.0 * std::f64::consts::PI * 3.0 * f.log2()).sin())
            .collect();
        let slope_part = m * m * octaves * octaves / 12.0;
        let wanted = slope_part / (slope_part + a * a / 2.0);
        let got = smoothness(&grid(), &curve).unwrap();
        assert!((got - wanted).abs() < 0.03, "{got} {wanted}");
    }

    #[test]
    fn a_flat_curve_has_smoothness_zero() {
        assert_eq!(smoothness(&grid(), &vec![80.0; grid().len()]), Some(0.0));
    }
}
