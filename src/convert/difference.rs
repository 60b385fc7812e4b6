//! The response of the new list against that of the old one.

use crate::curve::Grid;
use crate::filter::Bank;
use crate::units::erb_numbers_per_octave;

/// Two responses compared.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Difference {
    /// Level of the new one over the old one, dB; taken out of the rest.
    pub level_db: f64,
    /// The largest difference (new less old), dB.
    pub largest_db: f64,
    /// Where it lies, Hz.
    pub largest_hz: f64,
    /// Root mean square over the ERB-rate axis, dB.
    pub rms_db: f64,
    /// The widest band, Hz, in which the two differ by no more than [`SAME_DB`]; `None` where they
    /// do so nowhere.
    pub same_hz: Option<(f64, f64)>,
    /// Lowest frequency compared, Hz.
    pub from_hz: f64,
    /// Highest frequency compared, Hz.
    pub to_hz: f64,
}

/// Responses nearer than this are the same, dB: a tenth of the just noticeable difference of level
/// in everyday listening (1 dB, handbook figure, from memory).
pub const SAME_DB: f64 = 0.1;

/// Hearing (common practice).
const FROM_HZ: f64 = 20.0;
const TO_HZ: f64 = 20_000.0;
/// A device has nothing at half its rate and above.
const TO_PER_RATE: f64 = 0.499;
/// Resolves a stage of Q 30 with several points.
const POINTS_PER_OCTAVE: f64 = 48.0;

impl Difference {
    /// `new` against `old`, levels in front included, over hearing as far as both rates reach.
    pub fn between(old: &Bank, new: &Bank) -> Difference {
        let to_hz = TO_HZ.min(TO_PER_RATE * old.rate_hz.min(new.rate_hz));
        let grid = Grid::logarithmic(FROM_HZ.min(0.5 * to_hz), to_hz, POINTS_PER_OCTAVE);
        let freqs_hz = grid.freqs_hz();
        let differences: Vec<f64> = freqs_hz
            .iter()
            .map(|f| {
                let difference_db = new.gain_at_db(*f) - old.gain_at_db(*f);
                // Two exact zeros at one place differ by nothing.
                if difference_db.is_nan() {
                    0.0
                } else {
                    difference_db
                }
            })
            .collect();
        let level_db = middle(&differences);
        let left_db: Vec<f64> = differences.iter().map(|d| d - level_db).collect();
        let largest = freqs_hz
            .iter()
            .zip(&left_db)
            .max_by(|a, b| a.1.abs().total_cmp(&b.1.abs()));
        let (mut squares, mut weights) = (0.0, 0.0);
        for ((f_hz, left), cell_oct) in freqs_hz.iter().zip(&left_db).zip(grid.cells_oct()) {
            let weight = cell_oct * erb_numbers_per_octave(*f_hz);
            squares += weight * left * left;
            weights += weight;
        }
        Difference {
            level_db,
            largest_db: largest.map_or(0.0, |(_, left)| *left),
            largest_hz: largest.map_or(to_hz, |(f_hz, _)| *f_hz),
            rms_db: (squares / weights).sqrt(),
            same_hz: widest_same(freqs_hz, &left_db),
            from_hz: grid.first_hz(),
            to_hz: grid.last_hz(),
        }
    }

    /// Whether the two are the same over all that was compared.
    pub fn is_none(&self) -> bool {
        self.largest_db.abs() <= SAME_DB
    }
}

/// The middle value: a difference in a narrow band does not move it, as it would the mean.
fn middle(values: &[f64]) -> f64 {
    let mut sorted = values.to_vec();
    sorted.sort_by(f64::total_cmp);
    sorted.get(sorted.len() / 2).copied().unwrap_or(0.0)
}

fn widest_same(freqs_hz: &[f64], left_db: &[f64]) -> Option<(f64, f64)> {
    let mut widest: Option<(f64, f64)> = None;
    let mut from_hz = None;
    for (f_hz, left) in freqs_hz.iter().zip(left_db) {
        if left.abs() > SAME_DB {
            from_hz = None;
            continue;
        }
        let band = (*from_hz.get_or_insert(*f_hz), *f_hz);
        if widest.is_none_or(|w| band.1 / band.0 > w.1 / w.0) {
            widest = Some(band);
        }
    }
    widest
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::filter::{Kind, Stage};

    fn bank(rate_hz: f64, gain_db: f64, f0_hz: f64) -> Bank {
        let stage = Stage {
            kind: Kind::Peaking,
            f0_hz,
            gain_db: -6.0,
            q: 1.0,
        };
        Bank {
            rate_hz,
            gain_db,
            sections: vec![stage.biquad(rate_hz)],
        }
    }

    #[test]
    fn a_level_is_told_apart_from_the_shape() {
        let found = Difference::between(&bank(48e3, 0.0, 500.0), &bank(48e3, -2.5, 500.0));
        assert!((found.level_db + 2.5).abs() < 1e-9 && found.largest_db.abs() < 1e-9);
        assert_eq!(found.same_hz, Some((found.from_hz, found.to_hz)));
    }

    #[test]
    fn another_rate_differs_near_the_top_only() {
        let found = Difference::between(&bank(96e3, 0.0, 12e3), &bank(44.1e3, 0.0, 12e3));
        assert!(
            found.largest_db.abs() > 0.5 && found.largest_hz > 12e3,
            "{found:?}"
        );
        let (from_hz, to_hz) = found.same_hz.unwrap();
        assert!(from_hz < 21.0 && (1e3..12e3).contains(&to_hz), "{found:?}");
    }
}
