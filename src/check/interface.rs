//! What the sound card adds to a loopback: a level, a roll-off at the bottom and one at the top.
//!
//! They are fitted to every difference of measurement and prediction before it is judged, so
//! that they raise no alarm. Corners lie outside the judged band's middle, or a missing shelf
//! could hide in them.

use crate::units::median;
use std::f64::consts::PI;

/// The fitted sound card.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Interface {
    /// Level of measurement over prediction, dB.
    pub level_db: f64,
    /// Roll-off at the bottom, where one helps.
    pub high_pass: Option<Roll>,
    /// Roll-off at the top, where one helps.
    pub low_pass: Option<Roll>,
}

/// A roll-off of maximally flat amplitude.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Roll {
    /// Order of the filter.
    pub order: u32,
    /// Its -3 dB corner, Hz.
    pub corner_hz: f64,
    /// Rate at which a digital one runs (bilinear transform), `None` for an analogue one.
    pub rate_hz: Option<f64>,
}

impl Roll {
    /// Attenuation of a high-pass at `f_hz` as a gain in dB, at most 0.
    ///
    /// Source: Butterworth 1930, Experimental Wireless 7, 536-541: `|H|^2 = 1 / (1 + x^2n)`.
    fn high_pass_db(&self, f_hz: f64) -> f64 {
        self.butterworth_db(self.corner_hz / f_hz)
    }

    /// The same of a low-pass.
    fn low_pass_db(&self, f_hz: f64) -> f64 {
        let x = match self.rate_hz {
            None => f_hz / self.corner_hz,
            // Bilinear transform: tan(pi f / rate) takes the place of frequency.
            Some(rate_hz) => {
                let warped = |f: f64| (PI * (f / rate_hz).min(0.4999)).tan();
                warped(f_hz) / warped(self.corner_hz)
            }
        };
        self.butterworth_db(x)
    }

    fn butterworth_db(&self, x: f64) -> f64 {
        -10.0 * (1.0 + x.powi(2 * self.order as i32)).log10()
    }
}

/// Corners of high-passes that are tried, Hz: coupling capacitors of sound cards lie within.
const HIGH_PASS_HZ: (f64, f64) = (1.0, 20.0);
/// Orders of high-passes that are tried: one or two coupling stages, and a rumble filter.
const HIGH_PASS_ORDERS: [u32; 4] = [1, 2, 3, 4];
/// Corners of low-passes that are tried, Hz; the upper end moves 20 kHz by 0.07 dB at most.
const LOW_PASS_HZ: (f64, f64) = (16_000.0, 160_000.0);
/// Orders of low-passes that are tried: from an output capacitor to a converter's filter.
const LOW_PASS_ORDERS: [u32; 7] = [1, 2, 3, 4, 6, 8, 12];
/// Corners tried within the limits before the best is refined.
const CORNERS: usize = 10;
/// Golden sections of a corner: to 3e-5 of it, 0.001 dB at the corner of the steepest.
const GOLDEN_CUTS: usize = 20;
/// The same for a first look: to 1 % of a corner.
const ROUGH_CUTS: usize = 7;
/// Orders whose corner is refined.
const REFINED: usize = 3;
/// High-passes move nothing above this frequency, Hz: 0.01 dB for the highest corner.
const HIGH_PASS_ENDS_HZ: f64 = 420.0;
/// Low-passes move nothing below this frequency, Hz: 0.02 dB for the lowest corner.
const LOW_PASS_BEGINS_HZ: f64 = 1_000.0;

/// Differences far beyond this many dB count hardly more than ones of this size, so that a notch
/// or a dead band does not drown the rest (Geman and McClure's function, IEEE Trans. PAMI 6(6),
/// 1984, 721-741, from memory).
const TURNS_ROBUST_DB: f64 = 3.0;

/// What a difference costs, dB squared.
pub(super) fn cost_db2(difference_db: f64) -> f64 {
    let square = difference_db * difference_db;
    square / (1.0 + square / (TURNS_ROBUST_DB * TURNS_ROBUST_DB))
}

/// The fit of the sound card to one difference.
#[derive(Debug, Clone)]
pub(super) struct Fitted {
    pub interface: Interface,
    /// What no sound card explains, dB.
    pub left_db: Vec<f64>,
    /// Weighted sum of [`cost_db2`] of it.
    pub cost_db2: f64,
}

/// Roll-offs tabulated for a set of frequencies, ready to be fitted to many differences.
pub(super) struct Interfaces<'a> {
    freqs_hz: &'a [f64],
    weights: &'a [f64],
    /// Whether the level is free; otherwise it is 0.
    level_free: bool,
    bottom: End,
    top: End,
}

/// Which end of the band a roll-off sits at.
#[derive(Clone, Copy, PartialEq)]
enum Side {
    Bottom,
    Top,
}

struct End {
    side: Side,
    /// Points that it moves.
    points: std::ops::Range<usize>,
    corners_hz: (f64, f64),
    table: Vec<(Roll, Vec<f64>)>,
}

impl End {
    fn new(side: Side, freqs_hz: &[f64], rates_hz: &[Option<f64>]) -> End {
        let (points, corners_hz, orders) = match side {
            Side::Bottom => (
                0..freqs_hz.partition_point(|f| *f < HIGH_PASS_ENDS_HZ),
                HIGH_PASS_HZ,
                &HIGH_PASS_ORDERS[..],
            ),
            Side::Top => (
                freqs_hz.partition_point(|f| *f < LOW_PASS_BEGINS_HZ)..freqs_hz.len(),
                LOW_PASS_HZ,
                &LOW_PASS_ORDERS[..],
            ),
        };
        let mut table = Vec::new();
        for rate_hz in rates_hz {
            for order in orders {
                for k in 0..CORNERS {
                    let share = k as f64 / (CORNERS - 1) as f64;
                    let (low_hz, high_hz) = limits(corners_hz, *rate_hz);
                    let roll = Roll {
                        order: *order,
                        corner_hz: low_hz * (high_hz / low_hz).powf(share),
                        rate_hz: *rate_hz,
                    };
                    let values = freqs_hz[points.clone()]
                        .iter()
                        .map(|f| gain_db(side, &roll, *f))
                        .collect();
                    table.push((roll, values));
                }
            }
        }
        End {
            side,
            points,
            corners_hz,
            table,
        }
    }

    /// The roll-off that leaves least of `left_db`, `None` where none helps.
    fn best(&self, freqs_hz: &[f64], weights: &[f64], left_db: &[f64]) -> Option<Roll> {
        let left_db = &left_db[self.points.clone()];
        let weights = &weights[self.points.clone()];
        let freqs_hz = &freqs_hz[self.points.clone()];
        let plain: f64 = weights
            .iter()
            .zip(left_db)
            .map(|(w, r)| w * cost_db2(*r))
            .sum();
        let cost = |values: &[f64]| -> f64 {
            weights
                .iter()
                .zip(left_db)
                .zip(values)
                .map(|((w, r), v)| w * cost_db2(r - v))
                .sum()
        };
        // The table's corners lie so far apart that a roll-off of the wrong order may beat the right
        // one there: each order at its best corner, roughly, and the likeliest of them refined.
        let mut likeliest: Vec<(Roll, f64)> = self
            .table
            .chunks(CORNERS)
            .filter_map(|one_order| {
                one_order
                    .iter()
                    .map(|(roll, values)| (*roll, cost(values)))
                    .min_by(|a, b| a.1.total_cmp(&b.1))
            })
            .map(|(roll, _)| self.refined(roll, freqs_hz, ROUGH_CUTS, cost))
            .collect();
        likeliest.sort_by(|a, b| a.1.total_cmp(&b.1));
        let (roll, least) = likeliest
            .into_iter()
            .take(REFINED)
            .map(|(roll, _)| self.refined(roll, freqs_hz, GOLDEN_CUTS, cost))
            .min_by(|a, b| a.1.total_cmp(&b.1))?;
        (least < plain).then_some(roll)
    }

    /// `roll` with the corner at which `cost` of its gains is least, and that cost: golden section,
    /// one table step to either side.
    fn refined(
        &self,
        roll: Roll,
        freqs_hz: &[f64],
        cuts: usize,
        cost: impl Fn(&[f64]) -> f64,
    ) -> (Roll, f64) {
        let (low_hz, high_hz) = limits(self.corners_hz, roll.rate_hz);
        let step = (high_hz / low_hz).powf(1.0 / (CORNERS - 1) as f64);
        let mut from = (roll.corner_hz / step).max(low_hz).ln();
        let mut to = (roll.corner_hz * step).min(high_hz).ln();
        let at = |ln_hz: f64| Roll {
            corner_hz: ln_hz.exp(),
            ..roll
        };
        let golden = 0.5 * (5f64.sqrt() - 1.0);
        let mut values = vec![0.0; freqs_hz.len()];
        let mut cost_at = |ln_hz: f64| {
            let roll = at(ln_hz);
            for (v, f) in values.iter_mut().zip(freqs_hz) {
                *v = gain_db(self.side, &roll, *f);
            }
            cost(&values)
        };
        for _ in 0..cuts {
            let (a, b) = (to - golden * (to - from), from + golden * (to - from));
            if cost_at(a) < cost_at(b) {
                to = b;
            } else {
                from = a;
            }
        }
        let middle = 0.5 * (from + to);
        (at(middle), cost_at(middle))
    }
}

fn limits(corners_hz: (f64, f64), rate_hz: Option<f64>) -> (f64, f64) {
    let highest_hz = rate_hz.map_or(corners_hz.1, |rate| corners_hz.1.min(0.495 * rate));
    (corners_hz.0.min(0.9 * highest_hz), highest_hz)
}

fn gain_db(side: Side, roll: &Roll, f_hz: f64) -> f64 {
    match side {
        Side::Bottom => roll.high_pass_db(f_hz),
        Side::Top => roll.low_pass_db(f_hz),
    }
}

/// Times that level and roll-offs are fitted in turn, at most. A first-order roll-off at 20 kHz is
/// felt down to 1 kHz, so that the level that is begun with is too low, and it takes some rounds
/// until each has its share.
const ROUNDS: usize = 12;

/// A round that lowers what is left by less than this share is the last one.
const SETTLED_SHARE: f64 = 1e-3;

impl<'a> Interfaces<'a> {
    /// For points and weights; digital low-passes are tried at `rate_hz` and 48 kHz.
    pub fn new(freqs_hz: &'a [f64], weights: &'a [f64], rate_hz: f64, level_free: bool) -> Self {
        let mut rates_hz = vec![None, Some(rate_hz)];
        if rate_hz != 48_000.0 {
            rates_hz.push(Some(48_000.0));
        }
        Interfaces {
            freqs_hz,
            weights,
            level_free,
            bottom: End::new(Side::Bottom, freqs_hz, &[None]),
            top: End::new(Side::Top, freqs_hz, &rates_hz),
        }
    }

    /// Fits the sound card to measured less predicted levels.
    pub fn fit(&self, difference_db: &[f64]) -> Fitted {
        let mut interface = Interface {
            level_db: if self.level_free {
                median(difference_db.to_vec())
            } else {
                0.0
            },
            high_pass: None,
            low_pass: None,
        };
        let mut before_db2 = f64::INFINITY;
        for _ in 0..ROUNDS {
            let without = |interface: &Interface| self.left(difference_db, interface);
            interface.high_pass = None;
            interface.high_pass =
                self.bottom
                    .best(self.freqs_hz, self.weights, &without(&interface));
            interface.low_pass = None;
            interface.low_pass = self
                .top
                .best(self.freqs_hz, self.weights, &without(&interface));
            if self.level_free {
                interface.level_db += self.mean_db(&without(&interface));
            }
            let now_db2 = self.cost_db2(&self.left(difference_db, &interface));
            if now_db2 >= before_db2 * (1.0 - SETTLED_SHARE) {
                break;
            }
            before_db2 = now_db2;
        }
        let left_db = self.left(difference_db, &interface);
        let cost_db2 = self.cost_db2(&left_db);
        Fitted {
            interface,
            left_db,
            cost_db2,
        }
    }

    fn cost_db2(&self, left_db: &[f64]) -> f64 {
        self.weights
            .iter()
            .zip(left_db)
            .map(|(w, r)| w * cost_db2(*r))
            .sum()
    }

    fn left(&self, difference_db: &[f64], interface: &Interface) -> Vec<f64> {
        let mut left_db: Vec<f64> = difference_db
            .iter()
            .map(|d| d - interface.level_db)
            .collect();
        for (end, roll) in [
            (&self.bottom, interface.high_pass),
            (&self.top, interface.low_pass),
        ] {
            let Some(roll) = roll else { continue };
            for i in end.points.clone() {
                left_db[i] -= gain_db(end.side, &roll, self.freqs_hz[i]);
            }
        }
        left_db
    }

    /// The level at which the robust cost is least, by weighted means that count far points less.
    fn mean_db(&self, left_db: &[f64]) -> f64 {
        let mut mean_db = 0.0;
        for _ in 0..8 {
            let (mut sum, mut weights) = (0.0, 0.0);
            for (w, r) in self.weights.iter().zip(left_db) {
                let off = (r - mean_db) / TURNS_ROBUST_DB;
                let weight = w / (1.0 + off * off).powi(2);
                sum += weight * r;
                weights += weight;
            }
            if weights > 0.0 {
                mean_db = sum / weights;
            }
        }
        mean_db
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::curve::Grid;

    #[test]
    fn a_level_and_first_order_roll_offs_leave_nothing() {
        let grid = Grid::logarithmic(20.0, 20000.0, 48.0);
        let weights = vec![1.0; grid.len()];
        // Closed form of the first order: 1 / (1 + x^2).
        let difference_db: Vec<f64> = grid
            .freqs_hz()
            .iter()
            .map(|f| {
                -7.3 - 10.0 * (1.0 + (10.0 / f).powi(2)).log10()
                    - 10.0 * (1.0 + (f / 20000.0).powi(2)).log10()
            })
            .collect();
        let fitted = Interfaces::new(grid.freqs_hz(), &weights, 48000.0, true).fit(&difference_db);
        let worst_db = fitted.left_db.iter().fold(0.0f64, |w, r| w.max(r.abs()));
        // The corners are searched in steps; what that leaves is of the order of the noise of a
        // good loopback, 0.03 dB.
        assert!(worst_db < 0.05, "{worst_db} {:?}", fitted.interface);
        assert!((fitted.interface.level_db + 7.3).abs() < 0.02);
    }

    #[test]
    fn a_shelf_in_the_bass_does_not_hide_in_a_roll_off() {
        let grid = Grid::logarithmic(20.0, 20000.0, 48.0);
        let weights = vec![1.0; grid.len()];
        let shelf = crate::filter::Stage {
            kind: crate::filter::Kind::LowShelf,
            f0_hz: 60.0,
            gain_db: -2.0,
            q: 0.7,
        };
        let biquad = shelf.biquad(48000.0);
        let difference_db: Vec<f64> = grid
            .freqs_hz()
            .iter()
            .map(|f| biquad.gain_db(2.0 * PI * f / 48000.0))
            .collect();
        let fitted = Interfaces::new(grid.freqs_hz(), &weights, 48000.0, true).fit(&difference_db);
        let worst_db = fitted.left_db.iter().fold(0.0f64, |w, r| w.max(r.abs()));
        assert!(worst_db > 0.4, "{worst_db} {:?}", fitted.interface);
    }

    #[test]
    fn a_level_that_is_not_free_stays_in_the_difference() {
        let grid = Grid::logarithmic(20.0, 20000.0, 12.0);
        let weights = vec![1.0; grid.len()];
        let fitted =
            Interfaces::new(grid.freqs_hz(), &weights, 48000.0, false).fit(&vec![2.5; grid.len()]);
        assert_eq!(fitted.interface.level_db, 0.0);
        assert!(fitted.left_db.iter().all(|r| (r - 2.5).abs() < 0.02));
    }
}
