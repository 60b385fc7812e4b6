//! A device measured from its input to its output, and the part of that which can be judged.

use crate::curve::{Grid, resample_db};
use crate::error::{Error, Result};
use crate::units::{median, octaves};

/// What was measured; all lists of one length, frequencies strictly ascending.
#[derive(Debug, Clone, PartialEq)]
pub struct Loopback {
    /// Frequencies in Hz.
    pub freqs_hz: Vec<f64>,
    /// Output over input in dB; the reference is free unless the caller says otherwise.
    pub levels_db: Vec<f64>,
    /// Phase in degrees, wrapped or not, where it was measured.
    pub phase_deg: Option<Vec<f64>>,
}

/// Lowest frequency judged, Hz: where hearing begins, and above the corner of any sound card.
pub const JUDGED_FROM_HZ: f64 = 20.0;

/// Highest frequency judged, Hz: where hearing ends.
pub const JUDGED_TO_HZ: f64 = 20_000.0;

/// Nothing is judged above this share of the device's rate: the filters of converters begin
/// there (common practice: pass band up to 0.45 of the rate).
pub const JUDGED_SHARE_OF_RATE: f64 = 0.45;

/// Measurements with more points in the band are averaged to [`POINTS_PER_OCTAVE`] first; more
/// points show nothing more and cost time for every fault that is tried.
const MOST_POINTS: usize = 1500;

/// Density that resolves every stage up to a Q of 30 with several points.
pub const POINTS_PER_OCTAVE: f64 = 48.0;

/// Less than this many octaves cannot tell one fault from another. Our own judgement.
const LEAST_BAND_OCT: f64 = 2.0;

/// Fewer points in the judged band are no curve. Source: DESIGN, section 5.
const LEAST_POINTS: usize = 8;

/// At the top a sound card that stops early is cut away: points from this frequency on...
const STOP_BAND_FROM_HZ: f64 = 15_000.0;
/// ...and at the bottom points up to this one...
const STOP_BAND_TO_HZ: f64 = 30.0;
/// ...which lie this far below what was predicted, dB. A roll-off is fitted down to there.
const STOP_BAND_DB: f64 = -10.0;

/// The part of a loopback that is judged.
#[derive(Debug, Clone)]
pub(super) struct Judged {
    pub freqs_hz: Vec<f64>,
    pub levels_db: Vec<f64>,
    pub phase_deg: Option<Vec<f64>>,
    /// How much each point counts, at most 1: points denser than [`POINTS_PER_OCTAVE`] share
    /// the weight of one.
    pub weights: Vec<f64>,
}

impl Judged {
    /// The judged part for a device at `rate_hz` that should have `predicted_db` at a frequency.
    ///
    /// # Errors
    /// When too little of the band was measured.
    pub fn new(
        loopback: &Loopback,
        rate_hz: f64,
        predicted_db: impl Fn(&[f64]) -> Vec<f64>,
    ) -> Result<Judged> {
        let to_hz = JUDGED_TO_HZ.min(JUDGED_SHARE_OF_RATE * rate_hz);
        // A frequency within rounding of the end counts as inside.
        let inside: Vec<usize> = (0..loopback.freqs_hz.len())
            .filter(|i| {
                let f_hz = loopback.freqs_hz[*i];
                f_hz >= JUDGED_FROM_HZ * (1.0 - 1e-6) && f_hz <= to_hz * (1.0 + 1e-6)
            })
            .collect();
        let pick = |values: &[f64]| inside.iter().map(|i| values[*i]).collect::<Vec<f64>>();
        let mut freqs_hz = pick(&loopback.freqs_hz);
        let mut levels_db = pick(&loopback.levels_db);
        let mut phase_deg = loopback.phase_deg.as_deref().map(pick);
        enough(&freqs_hz, to_hz)?;
        if freqs_hz.len() > MOST_POINTS
            && let Some((grid, levels)) = thinned(&freqs_hz, &levels_db)
        {
            // The phase of the measured point nearest to each of the new ones.
            phase_deg = phase_deg.map(|phase| nearest(&freqs_hz, &phase, grid.freqs_hz()));
            freqs_hz = grid.freqs_hz().to_vec();
            levels_db = levels;
        }
        let kept = without_stop_bands(&freqs_hz, &levels_db, &predicted_db(&freqs_hz));
        let freqs_hz = freqs_hz[kept.clone()].to_vec();
        enough(&freqs_hz, to_hz)?;
        let grid = Grid::new(freqs_hz.clone())
            .ok_or_else(|| Error::call("the measured frequencies are not ascending"))?;
        let weights = grid
            .cells_oct()
            .iter()
            .map(|cell_oct| (cell_oct * POINTS_PER_OCTAVE).min(1.0))
            .collect();
        Ok(Judged {
            freqs_hz,
            levels_db: levels_db[kept.clone()].to_vec(),
            phase_deg: phase_deg.map(|phase| phase[kept].to_vec()),
            weights,
        })
    }

    /// Sum of the weights: how many independent points there are at most.
    pub fn count(&self) -> f64 {
        self.weights.iter().sum()
    }
}

fn enough(freqs_hz: &[f64], to_hz: f64) -> Result<()> {
    let band_oct = match (freqs_hz.first(), freqs_hz.last()) {
        (Some(first_hz), Some(last_hz)) => octaves(*first_hz, *last_hz),
        _ => 0.0,
    };
    if freqs_hz.len() >= LEAST_POINTS && band_oct >= LEAST_BAND_OCT {
        return Ok(());
    }
    Err(Error::call(format!(
        "only {} measured points over {band_oct:.1} octaves lie between {JUDGED_FROM_HZ} and {to_hz:.0} Hz and can be judged",
        freqs_hz.len()
    ))
    .with_hint("measure from 20 Hz to 20 kHz with 24 points per octave or more"))
}

fn thinned(freqs_hz: &[f64], levels_db: &[f64]) -> Option<(Grid, Vec<f64>)> {
    let from = Grid::new(freqs_hz.to_vec())?;
    let to = Grid::logarithmic(from.first_hz(), from.last_hz(), POINTS_PER_OCTAVE);
    let levels = resample_db(&from, levels_db, &to)
        .into_iter()
        .collect::<Option<Vec<f64>>>()?;
    Some((to, levels))
}

fn nearest(from_hz: &[f64], values: &[f64], to_hz: &[f64]) -> Vec<f64> {
    to_hz
        .iter()
        .map(|f_hz| {
            let after = from_hz.partition_point(|x| x < f_hz).min(from_hz.len() - 1);
            let before = after.saturating_sub(1);
            if (from_hz[after] - f_hz).abs() < (f_hz - from_hz[before]).abs() {
                values[after]
            } else {
                values[before]
            }
        })
        .collect()
}

/// The points that stay when the stop bands of the sound card are cut away at both ends.
fn without_stop_bands(
    freqs_hz: &[f64],
    levels_db: &[f64],
    predicted_db: &[f64],
) -> std::ops::Range<usize> {
    let difference_db: Vec<f64> = levels_db
        .iter()
        .zip(predicted_db)
        .map(|(m, p)| m - p)
        .collect();
    let middle_db = median(difference_db.clone());
    let stopped = |i: usize| difference_db[i] - middle_db < STOP_BAND_DB;
    let (mut start, mut end) = (0, freqs_hz.len());
    while end > start && freqs_hz[end - 1] >= STOP_BAND_FROM_HZ && stopped(end - 1) {
        end -= 1;
    }
    while start < end && freqs_hz[start] <= STOP_BAND_TO_HZ && stopped(start) {
        start += 1;
    }
    start..end
}

/// Standard deviation of the noise on a curve, dB: from how far each point lies off the straight
/// line (over log frequency) between its neighbours, by the median, so that a few corners of the
/// curve itself do not count.
///
/// For independent normal noise the median of the absolute value is 0.6745 standard deviations
/// (closed form).
pub(super) fn noise_db(freqs_hz: &[f64], values_db: &[f64]) -> f64 {
    let off_line: Vec<f64> = (1..freqs_hz.len().saturating_sub(1))
        .map(|i| {
            let t =
                octaves(freqs_hz[i - 1], freqs_hz[i]) / octaves(freqs_hz[i - 1], freqs_hz[i + 1]);
            let line_db = (1.0 - t) * values_db[i - 1] + t * values_db[i + 1];
            // Variance of this difference for independent noise of 1.
            let variance = 1.0 + t * t + (1.0 - t) * (1.0 - t);
            (values_db[i] - line_db).abs() / variance.sqrt()
        })
        .collect();
    median(off_line) / 0.6745
}

#[cfg(test)]
mod tests {
    use super::*;

    fn log_grid(per_octave: f64) -> Vec<f64> {
        Grid::logarithmic(20.0, 20000.0, per_octave)
            .freqs_hz()
            .to_vec()
    }

    #[test]
    fn the_noise_on_a_smooth_curve_is_measured_within_a_tenth() {
        let freqs_hz = log_grid(48.0);
        // Sum of twelve even draws less 6: nearly normal, deviation 1 (central limit).
        let mut state = 4u64;
        let mut draw = || {
            // Knuth's constants of MMIX (The Art of Computer Programming 2, 3.3.4, from memory).
            state = state
                .wrapping_mul(6_364_136_223_846_793_005)
                .wrapping_add(1_442_695_040_888_963_407);
            (state >> 11) as f64 / 2f64.powi(53)
        };
        let values: Vec<f64> = freqs_hz
            .iter()
            .map(|f| {
                let normal = (0..12).map(|_| draw()).sum::<f64>() - 6.0;
                6.0 * (f / 1000.0).ln().cos() + 0.03 * normal
            })
            .collect();
        let got_db = noise_db(&freqs_hz, &values);
        assert!((got_db - 0.03).abs() < 0.003, "{got_db}");
    }

    #[test]
    fn a_dense_spectrum_is_thinned_and_points_closer_than_a_48th_share_their_weight() {
        let linear = |step_hz: f64| Loopback {
            freqs_hz: (1..)
                .map(|i| step_hz * f64::from(i))
                .take_while(|f| *f < 20000.0)
                .collect(),
            levels_db: (1..)
                .map(|i| step_hz * f64::from(i))
                .take_while(|f| *f < 20000.0)
                .map(|_| -3.0)
                .collect(),
            phase_deg: None,
        };
        let flat = |freqs: &[f64]| vec![0.0; freqs.len()];
        let dense = Judged::new(&linear(1.0), 48000.0, flat).unwrap();
        assert!(dense.freqs_hz.len() < 500);
        let sparse = Judged::new(&linear(20.0), 48000.0, flat).unwrap();
        assert_eq!(sparse.freqs_hz.len(), 999);
        // Ten octaves of 48 points at most, less where the bins are wider apart.
        assert!(sparse.count() < 480.0 && sparse.weights[0] == 1.0 && sparse.weights[900] < 0.1);
    }

    #[test]
    fn a_sound_card_that_stops_at_16_khz_is_not_judged_above() {
        let freqs_hz = log_grid(24.0);
        let levels_db: Vec<f64> = freqs_hz
            .iter()
            .map(|f| if *f > 16000.0 { -70.0 } else { -3.0 })
            .collect();
        let loopback = Loopback {
            freqs_hz,
            levels_db,
            phase_deg: None,
        };
        let judged = Judged::new(&loopback, 48000.0, |f| vec![0.0; f.len()]).unwrap();
        assert!(judged.freqs_hz.last().is_some_and(|f| *f < 16001.0));
    }

    #[test]
    fn too_little_is_refused_with_what_to_do() {
        let loopback = Loopback {
            freqs_hz: vec![100.0, 200.0, 300.0],
            levels_db: vec![0.0; 3],
            phase_deg: None,
        };
        let error = Judged::new(&loopback, 48000.0, |f| vec![0.0; f.len()]).unwrap_err();
        assert!(error.to_string().contains("20 Hz to 20 kHz"), "{error}");
    }
}
