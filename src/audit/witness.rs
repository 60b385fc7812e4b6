//! Witnesses beside the angles: excess group delay, and the trace of a second source.
//!
//! Each is sufficient and not necessary: a copy that is weaker than the sound it cancels leaves
//! the sum in minimum phase, and not every second source was traced.

use super::frame::{Frame, TREND_OCT};
use super::stretch::stretches;
use super::subject::Subject;
use crate::curve::{Grid, Smoother, resample_db};
use crate::response::Response;
use crate::units::median;
use std::f64::consts::{LN_10, PI};

/// Smoothing of the excess group delay, octaves: what stays of measuring noise is then a tenth of
/// a period for half a decibel.
const DELAY_OCT: f64 = 1.0 / 6.0;

/// From so many periods on the excess group delay speaks against minimum phase. A null of Q 2 that
/// is not minimum phase has 1.3 (an all-pass has `4 Q / w0` seconds at its centre), a crossover of
/// fourth order with its all-pass of Q 0.7, much of it in the trend, less than 0.4.
const EXCESS_PERIODS: f64 = 0.6;

/// From this size on a peak of a second source speaks, dB over its trend.
const SECOND_SOURCE_DB: f64 = 3.0;

/// A witness is heard this far from its frequency, octaves.
const NEAR_OCT: f64 = 1.0 / 6.0;

/// A dip at a peak of the second source is bridged at the median level of so many octaves to either
/// side: wider than any null, narrower than a tonal balance. Our own judgement.
const BRIDGED_LEVEL_OCT: f64 = 2.5;

/// Something else than the angles that says a dip is a cancellation.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Witness {
    /// The phase on the axis is not what the level explains.
    ExcessDelay {
        /// Group delay beyond that of minimum phase and its trend, s.
        delay_s: f64,
    },
    /// A port or passive unit is loud there.
    SecondSource {
        /// Peak of its own trace, Hz.
        peak_hz: f64,
    },
}

/// What the witnesses say, by frequency.
pub(super) struct Witnesses {
    grid: Grid,
    /// Local excess group delay in periods; `None` without phase.
    excess_periods: Option<Vec<f64>>,
    /// Peaks of the second source, Hz.
    peaks_hz: Vec<f64>,
}

impl Witnesses {
    pub fn new(subject: &Subject, frame: &Frame) -> Witnesses {
        let grid = frame.grid.clone();
        Witnesses {
            excess_periods: subject.response.and_then(|r| axis_excess_periods(r, &grid)),
            peaks_hz: subject
                .second_source
                .map_or_else(Vec::new, |(trace, levels_db)| {
                    peaks_hz(trace, levels_db, &grid)
                }),
            grid,
        }
    }

    /// Takes the dips at the peaks of a second source out of a deviation in dB: each is bridged at
    /// the level of what is round it. To forbid a bell with its centre there is not enough, since
    /// bells beside it, and cuts beside these, fill the dip as well.
    pub fn bridge_second_source(&self, deviation_db: &mut [f64]) {
        for peak_hz in &self.peaks_hz {
            let round = |oct: f64| self.grid.range(peak_hz / oct.exp2(), peak_hz * oct.exp2());
            let level_db = median(deviation_db[round(BRIDGED_LEVEL_OCT)].to_vec());
            let lowest = round(NEAR_OCT)
                .min_by(|a, b| deviation_db[*a].total_cmp(&deviation_db[*b]))
                .unwrap_or(0);
            let below = |i: &usize| deviation_db[*i] < level_db;
            if !below(&lowest) {
                continue;
            }
            let start = (0..lowest).rev().take_while(below).last().unwrap_or(lowest);
            let end = (lowest..deviation_db.len()).take_while(below).count() + lowest;
            deviation_db[start..end.max(start)]
                .iter_mut()
                .for_each(|d| *d = d.max(level_db));
        }
    }

    /// Those that speak at `f_hz`.
    pub fn at(&self, f_hz: f64) -> Vec<Witness> {
        let reach = NEAR_OCT.exp2();
        let delay = self.excess_periods.as_ref().and_then(|periods| {
            self.grid
                .range(f_hz / reach, f_hz * reach)
                .filter(|i| periods[*i].abs() >= EXCESS_PERIODS)
                .max_by(|a, b| periods[*a].abs().total_cmp(&periods[*b].abs()))
                .map(|i| Witness::ExcessDelay {
                    delay_s: periods[i] / self.grid.freqs_hz()[i],
                })
        });
        let source = self
            .peaks_hz
            .iter()
            .find(|peak_hz| (f_hz / reach..=f_hz * reach).contains(*peak_hz))
            .map(|peak_hz| Witness::SecondSource { peak_hz: *peak_hz });
        delay.into_iter().chain(source).collect()
    }
}

fn axis_excess_periods(response: &Response, grid: &Grid) -> Option<Vec<f64>> {
    let axis = response
        .members()
        .iter()
        .find(|m| m.direction.off_axis_deg() < 1.0 && m.phase_deg.is_some())?;
    let axis = Response::new(response.grid().clone(), vec![axis.clone()])?.resampled(grid)?;
    let axis = axis.members().first()?;
    let periods = excess_periods(grid, &axis.levels_db, axis.phase_deg.as_ref()?);
    let smooth = Smoother::new(grid, DELAY_OCT).apply(&periods);
    let trend = Smoother::new(grid, TREND_OCT).apply(&smooth);
    Some(smooth.iter().zip(trend).map(|(p, t)| p - t).collect())
}

/// Group delay beyond that of minimum phase, in periods of each frequency; pure delay included.
/// `phase_deg` is unwrapped. Beyond its ends the level is taken as constant, which adds only what
/// changes slowly.
fn excess_periods(grid: &Grid, levels_db: &[f64], phase_deg: &[f64]) -> Vec<f64> {
    let minimum_rad = minimum_phase_rad(grid, levels_db);
    let excess_rad: Vec<f64> = phase_deg
        .iter()
        .zip(&minimum_rad)
        .map(|(p, m)| p.to_radians() - m)
        .collect();
    let freqs_hz = grid.freqs_hz();
    let last = freqs_hz.len() - 1;
    (0..=last)
        .map(|i| {
            let (a, b) = (i.saturating_sub(1), (i + 1).min(last));
            let slope = (excess_rad[b] - excess_rad[a]) / (freqs_hz[b] - freqs_hz[a]);
            -slope * freqs_hz[i] / (2.0 * PI)
        })
        .collect()
}

/// Phase in rad of the minimum-phase system with these levels.
///
/// Source: Bode 1945, Network Analysis and Feedback Amplifier Design, chapter 14:
/// `phi(w0) = 1/pi int dA/du ln coth(|u|/2) du` with `A` in nepers and `u = ln(w/w0)`. The
/// weight over a stretch comes from `int_u^inf ln coth(u/2) du = 2 sum exp(-k u)/k^2` over odd `k`.
fn minimum_phase_rad(grid: &Grid, levels_db: &[f64]) -> Vec<f64> {
    let u: Vec<f64> = grid.freqs_hz().iter().map(|f| f.ln()).collect();
    let beyond = |u: f64| -> f64 {
        if u == 0.0 {
            return 0.25 * PI * PI;
        }
        let terms = (1..2000).step_by(2).map(f64::from);
        2.0 * terms.map(|k| (-k * u).exp() / (k * k)).sum::<f64>()
    };
    // The audit's grid is even in u, so a stretch's weight depends on its distance alone.
    let step = (u[u.len() - 1] - u[0]) / (u.len() - 1) as f64;
    let weights: Vec<f64> = (0..u.len())
        .map(|d| beyond(d as f64 * step) - beyond((d + 1) as f64 * step))
        .collect();
    let nepers: Vec<f64> = levels_db.iter().map(|l| l * LN_10 / 20.0).collect();
    (0..u.len())
        .map(|c| {
            let sum: f64 = nepers
                .windows(2)
                .enumerate()
                .map(|(i, pair)| {
                    let distance = if i >= c { i - c } else { c - 1 - i };
                    (pair[1] - pair[0]) / step * weights[distance]
                })
                .sum();
            sum / PI
        })
        .collect()
}

/// Frequencies at which the trace of a second source stands out, Hz.
fn peaks_hz(trace: &Grid, levels_db: &[f64], grid: &Grid) -> Vec<f64> {
    let inside = grid.range(trace.first_hz(), trace.last_hz());
    let Some(grid) = Grid::new(grid.freqs_hz()[inside].to_vec()) else {
        return Vec::new();
    };
    let levels_db: Vec<f64> = resample_db(trace, levels_db, &grid)
        .into_iter()
        .flatten()
        .collect();
    let trend = Smoother::new(&grid, TREND_OCT).apply(&levels_db);
    let local_db: Vec<f64> = levels_db.iter().zip(trend).map(|(l, t)| l - t).collect();
    stretches(&local_db, 0..grid.len(), SECOND_SOURCE_DB)
        .iter()
        .filter(|s| local_db[s.peak] > 0.0)
        .map(|s| grid.freqs_hz()[s.peak])
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use num_complex::Complex64;

    /// Sound plus a copy of strength `copy` that comes 2 ms late.
    fn with_copy(copy: f64) -> (Grid, Vec<f64>, Vec<f64>) {
        let grid = Grid::logarithmic(20.0, 20_000.0, 48.0);
        let sums: Vec<Complex64> = grid
            .freqs_hz()
            .iter()
            .map(|f| {
                // The copy's band: an octave round 250 Hz.
                let s = Complex64::new(0.0, f / 250.0);
                let band = s / (s * s + s + 1.0);
                1.0 + copy * band * Complex64::from_polar(1.0, -2.0 * PI * f * 0.002)
            })
            .collect();
        let levels_db = sums.iter().map(|s| 20.0 * s.norm().log10()).collect();
        let mut phase_deg: Vec<f64> = sums.iter().map(|s| s.arg().to_degrees()).collect();
        crate::units::unwrap_deg(&mut phase_deg);
        (grid, levels_db, phase_deg)
    }

    #[test]
    fn a_weaker_copy_leaves_minimum_phase_and_a_stronger_one_does_not() {
        // Rouche: 1 + c has no zero in the right half plane as long as |c| < 1 on its edge.
        let (grid, levels_db, phase_deg) = with_copy(0.8);
        let weak = excess_periods(&grid, &levels_db, &phase_deg);
        let near = grid.range(100.0, 1000.0);
        // What is left is the grid, which has eight points across the null.
        let largest = weak[near.clone()]
            .iter()
            .fold(0.0, |m: f64, p| m.max(p.abs()));
        assert!(largest < 0.1, "{largest}");
        let (grid, levels_db, phase_deg) = with_copy(1.3);
        let strong = excess_periods(&grid, &levels_db, &phase_deg);
        assert!(strong[near].iter().any(|p| p.abs() > EXCESS_PERIODS));
    }

    #[test]
    fn minimum_phase_of_a_first_order_low_pass_is_its_own() {
        let grid = Grid::logarithmic(2.0, 200_000.0, 48.0);
        let levels_db: Vec<f64> = grid
            .freqs_hz()
            .iter()
            .map(|f| -10.0 * (1.0 + (f / 1000.0).powi(2)).log10())
            .collect();
        let phase = minimum_phase_rad(&grid, &levels_db);
        for f_hz in [200.0, 1000.0, 3000.0] {
            let wanted = -(f_hz / 1000.0f64).atan();
            // The level is taken as constant beyond 200 kHz: that is what is missing.
            assert!((phase[grid.nearest(f_hz)] - wanted).abs() < 0.02, "{f_hz}");
        }
    }
}
