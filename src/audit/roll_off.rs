//! The smooth roll-off of a box at the low end: how it comes up to its level is its tuning, and no
//! deviation that a filter is to mend.
//!
//! A closed box is a high-pass of second order, a vented one of fourth (Small 1972 and 1973, Journal
//! of the Audio Engineering Society 20 and 21, from memory); either rises over its level before it
//! falls when its Q is high.

use super::frame::Frame;
use crate::units::power_to_db;

/// The roll-off is read up to so many times the corner: there a high-pass of Q 0.5 has come up to
/// within half a decibel.
const READ_TO_CORNERS: f64 = 4.0;

/// Differences beyond this count less, dB: a resonance beside the roll-off is none of it.
const OUTLIER_DB: f64 = 0.7;

/// The corner of -6 dB lies within so many octaves of the resonance of any usual box.
const F0_WITHIN_OCT: f64 = 1.2;

/// Q of the pairs of poles of usual boxes: from damped to boomy ones.
const QS: (f64, f64) = (0.5, 1.3);

/// Values of each parameter that are tried first.
const F0_TRIED: usize = 13;
const QS_TRIED: usize = 6;

/// Rounds of halving the steps round the best one.
const ROUNDS: usize = 6;

/// A high-pass of one or two pairs of poles with one frequency.
#[derive(Debug, Clone, Copy, PartialEq)]
struct HighPass {
    f0_hz: f64,
    q: f64,
    /// Q of the second pair, in a high-pass of fourth order.
    second_q: Option<f64>,
}

impl HighPass {
    fn level_db(&self, f_hz: f64) -> f64 {
        let x2 = (f_hz / self.f0_hz).powi(2);
        let pair = |q: f64| x2 * x2 / ((1.0 - x2).powi(2) + x2 / (q * q));
        let power = pair(self.q) * self.second_q.map_or(1.0, pair);
        power_to_db(power)
    }
}

/// The roll-off of the listening window on the frame's grid, dB; zero where no corner is seen.
pub(super) fn roll_off_db(frame: &Frame) -> Vec<f64> {
    let freqs_hz = frame.grid.freqs_hz();
    let Some(corner_hz) = frame.corner_hz else {
        return vec![0.0; freqs_hz.len()];
    };
    // Below half the corner the port's own fall, noise and the room of measurement take over.
    let read = frame
        .grid
        .range(0.5 * corner_hz, READ_TO_CORNERS * corner_hz);
    let (freqs, window) = (&freqs_hz[read.clone()], &frame.window_db[read]);
    let found = fitted(freqs, window, corner_hz);
    freqs_hz.iter().map(|f| found.level_db(*f)).collect()
}

/// The high-pass that comes nearest to `window_db`.
fn fitted(freqs_hz: &[f64], window_db: &[f64], corner_hz: f64) -> HighPass {
    let cost = |tried: &HighPass| -> f64 {
        let left: Vec<f64> = (freqs_hz.iter().zip(window_db))
            .map(|(f, w)| w - tried.level_db(*f))
            .collect();
        // The level is free within the speaker's own unevenness.
        let level_db = crate::units::median(left.clone());
        left.iter().map(|l| outlying(l - level_db)).sum()
    };
    let spread = |share: f64, (low, high): (f64, f64)| low * (high / low).powf(share);
    let steps = |count: usize| (0..count).map(move |i| i as f64 / (count - 1) as f64);
    let f0s_hz = (
        corner_hz / F0_WITHIN_OCT.exp2(),
        corner_hz * F0_WITHIN_OCT.exp2(),
    );
    let mut best: Option<(f64, HighPass)> = None;
    let mut take = |tried: HighPass| {
        let cost = cost(&tried);
        if best.is_none_or(|(least, _)| cost < least) {
            best = Some((cost, tried));
        }
        best.map_or(tried, |(_, best)| best)
    };
    let mut found = HighPass {
        f0_hz: corner_hz,
        q: std::f64::consts::FRAC_1_SQRT_2,
        second_q: None,
    };
    found = take(found);
    for f0 in steps(F0_TRIED) {
        for q in steps(QS_TRIED) {
            let (f0_hz, q_here) = (spread(f0, f0s_hz), spread(q, QS));
            found = take(HighPass {
                f0_hz,
                q: q_here,
                second_q: None,
            });
            for second in steps(QS_TRIED).take_while(|second| *second <= q) {
                found = take(HighPass {
                    f0_hz,
                    q: q_here,
                    second_q: Some(spread(second, QS)),
                });
            }
        }
    }
    // Round the best one, ever nearer.
    let mut ratio = (
        (f0s_hz.1 / f0s_hz.0).powf(1.0 / (F0_TRIED - 1) as f64),
        (QS.1 / QS.0).powf(1.0 / (QS_TRIED - 1) as f64),
    );
    for _ in 0..ROUNDS {
        ratio = (ratio.0.sqrt(), ratio.1.sqrt());
        for (f0, q, second) in [
            (1.0, 0.0, 0.0),
            (-1.0, 0.0, 0.0),
            (0.0, 1.0, 0.0),
            (0.0, -1.0, 0.0),
            (0.0, 0.0, 1.0),
            (0.0, 0.0, -1.0),
            (1.0, -1.0, 0.0),
            (-1.0, 1.0, 0.0),
        ] {
            let limited = |q: f64| q.clamp(QS.0, QS.1);
            found = take(HighPass {
                f0_hz: found.f0_hz * ratio.0.powf(f0),
                q: limited(found.q * ratio.1.powf(q)),
                second_q: found.second_q.map(|q| limited(q * ratio.1.powf(second))),
            });
        }
    }
    found
}

/// The square of a difference, growing ever less beyond [`OUTLIER_DB`] (Geman and McClure 1987, Bulletin
/// of the International Statistical Institute 52, from memory).
fn outlying(difference_db: f64) -> f64 {
    let square = (difference_db / OUTLIER_DB).powi(2);
    square / (1.0 + square)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::curve::Grid;

    #[test]
    fn a_high_pass_is_found_whatever_its_order_and_q_and_with_a_resonance_beside_it() {
        let grid = Grid::logarithmic(20.0, 400.0, 48.0);
        for q in [0.5, 0.7, 1.0, 1.2] {
            for second_q in [None, Some(0.55), Some(q)] {
                let box_of = HighPass {
                    f0_hz: 50.0,
                    q,
                    second_q,
                };
                for bump_db in [0.0, 4.0] {
                    let bump = |f: f64| bump_db * (-(6.0 * (f / 130.0).log2()).powi(2)).exp();
                    let freqs_hz = grid.freqs_hz();
                    let window_db: Vec<f64> = freqs_hz
                        .iter()
                        .map(|f| box_of.level_db(*f) + bump(*f))
                        .collect();
                    let found = fitted(freqs_hz, &window_db, 45.0);
                    let worst_db = (freqs_hz.iter().filter(|f| **f > 40.0))
                        .map(|f| (found.level_db(*f) - box_of.level_db(*f)).abs())
                        .fold(0.0, f64::max);
                    let at_most_db = if bump_db > 0.0 { 0.8 } else { 0.5 };
                    assert!(
                        worst_db < at_most_db,
                        "{box_of:?} {bump_db}: {found:?} {worst_db}"
                    );
                }
            }
        }
    }
}
