//! Coefficients on a device's number grid: searched, not only rounded.
//!
//! At low f0 and high rate the sums `b0+b1+b2` and `1+a1+a2` are a few steps of the grid, and
//! rounding each coefficient on its own moves both: the response at 0 Hz and the place of the
//! poles go wrong. Here the two sums are chosen first, a few steps around what is wanted, and
//! the three coefficients that remain are moved to where the largest error is least.

use crate::device::Number;
use crate::filter::{Biquad, Kind, Stage};
use crate::units::{db_to_amplitude, db_to_power, power_to_db};
use std::f64::consts::PI;

/// Error of the response up to which a device is said to hold a stage, dB: the errors of stages in
/// a row add up in part, and all together have to stay within 0.05 dB, half of the tenth of a dB
/// in which settings are judged.
pub const WORDS_TOLERANCE_DB: f64 = 0.04;
/// Error below which no search is worth its time, dB: ten stages with it add up to a hundredth.
const GOOD_ENOUGH_DB: f64 = 0.001;
/// The poles on the grid keep this share of the distance to the unit circle that the wanted
/// ones have: then the stage rings at most twice as long as it was meant to.
const POLE_MARGIN_SHARE: f64 = 0.5;
/// Where the response is judged: from 20 Hz to 20 kHz or this share of the rate.
const JUDGED_FROM_HZ: f64 = 20.0;
const JUDGED_TO_HZ: f64 = 20000.0;
const JUDGED_TO_PER_RATE: f64 = 0.45;
/// Points per octave at which it is judged, and further ones round f0.
const JUDGED_PER_OCT: f64 = 12.0;
const JUDGED_ROUND_F0: i32 = 24;
/// Where a response is lower than this beneath its highest, its error is that of silence, dB.
const SILENCE_DB: f64 = -60.0;
/// Steps up and down in which the two sums are tried.
const SUM_REACH: i32 = 1;
/// First stride, in steps, of the moves of the other three coefficients.
const FIRST_STRIDE: f64 = 512.0;

/// A stage as the device holds it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Words {
    /// The coefficients, each exactly on the grid.
    pub biquad: Biquad,
    /// Largest error of the response against the stage's own, dB, from 20 Hz to the lower of
    /// 20 kHz and 0.45 of the rate.
    pub largest_error_db: f64,
    /// The same for coefficients that are only rounded; infinite when those are not stable.
    pub rounded_error_db: f64,
    /// Whether the poles are inside the unit circle and keep half the distance from it that
    /// they were meant to have.
    pub stable: bool,
}

impl Words {
    /// Whether the device holds the stage: stable, and within [`WORDS_TOLERANCE_DB`].
    pub fn hold(&self) -> bool {
        self.stable && self.largest_error_db <= WORDS_TOLERANCE_DB
    }
}

/// The coefficients of `stage` at `rate_hz` on the grid of `number` that come nearest to its
/// response; never further from it than rounded ones.
///
/// `None` when a coefficient is outside the format's range, or the stage cannot be at that rate
/// (f0 not within 0 and half the rate, Q not above 0, a number that is not finite).
pub fn words(stage: &Stage, rate_hz: f64, number: Number) -> Option<Words> {
    words_at_level(stage, 0.0, rate_hz, number)
}

/// [`words`] of a stage whose numerator carries a constant level as well, dB: so a boost fits a
/// format that ends below its gain.
pub fn words_at_level(stage: &Stage, level_db: f64, rate_hz: f64, number: Number) -> Option<Words> {
    let possible = stage.f0_hz > 0.0
        && stage.f0_hz < 0.5 * rate_hz
        && stage.q > 0.0
        && [stage.f0_hz, stage.gain_db, stage.q, rate_hz, level_db]
            .iter()
            .all(|v| v.is_finite());
    if !possible {
        return None;
    }
    let wanted = at_level(stage.biquad(rate_hz), level_db);
    let rounded = Biquad {
        b0: number.quantise(wanted.b0)?,
        b1: number.quantise(wanted.b1)?,
        b2: number.quantise(wanted.b2)?,
        a1: number.quantise(wanted.a1)?,
        a2: number.quantise(wanted.a2)?,
    };
    let judge = Judge::new(stage, rate_hz, &wanted);
    let rounded_error_db = judge.error_db(&rounded);
    let search = Search {
        number,
        wanted,
        judge,
    };
    let (biquad, largest_error_db) = if rounded_error_db <= GOOD_ENOUGH_DB {
        (rounded, rounded_error_db)
    } else {
        search.run(rounded, rounded_error_db)
    };
    Some(Words {
        biquad,
        largest_error_db,
        rounded_error_db,
        stable: search.judge.is_stable(&biquad),
    })
}

/// `section` with a level in its numerator, dB; the same to the bit at 0 dB.
fn at_level(section: Biquad, level_db: f64) -> Biquad {
    let factor = db_to_amplitude(level_db);
    Biquad {
        b0: factor * section.b0,
        b1: factor * section.b1,
        b2: factor * section.b2,
        ..section
    }
}

/// `stage` with f0 (and a lowshelf's gain) moved by less than the device can tell apart, to
/// where the grid of `number` holds it, and its coefficients. `stage` itself where that is held
/// already; where nothing near is held, what comes nearest: ask [`Words::hold`].
///
/// In direct form the place of the poles is `1+a1+a2`, about `w0^2`: at 40 Hz and 96 kHz 57
/// steps of 2^-23, so that between neighbours lies a third of a Hz.
///
/// `None` as for [`words`].
pub fn held(stage: &Stage, rate_hz: f64, number: Number) -> Option<(Stage, Words)> {
    held_within(stage, rate_hz, number, |_| true)
}

/// [`held`], moved only to stages that are `allowed`.
pub(super) fn held_within(
    stage: &Stage,
    rate_hz: f64,
    number: Number,
    allowed: impl Fn(&Stage) -> bool,
) -> Option<(Stage, Words)> {
    let own = words(stage, rate_hz, number)?;
    let mut best = (*stage, own);
    let mut best_distance = f64::INFINITY;
    if own.hold() {
        return Some(best);
    }
    let sums = |s: &Stage| {
        let b = s.biquad(rate_hz);
        [1.0 + b.a2 + b.a1, b.b0 + b.b2 + b.b1]
    };
    let step = step(number, stage.biquad(rate_hz).a1);
    let nearest = (sums(stage)[0] / step).round();
    for offset in [0.0, -1.0, 1.0] {
        let below = (nearest + offset) * step;
        let Some(moved) = at_sum(
            stage,
            below,
            |s| sums(s)[0],
            |s, ratio| s.f0_hz *= ratio.sqrt(),
        ) else {
            continue;
        };
        let above = (sums(&moved)[1] / step).round() * step;
        // The gain of a lowshelf at 0 Hz is the ratio of the sums; both have to be on the grid.
        let moved = match stage.kind {
            Kind::LowShelf => at_sum(
                &moved,
                above / below,
                |s| sums(s)[1] / sums(s)[0],
                |s, ratio| s.gain_db += power_to_db(ratio) * 2.0,
            ),
            _ => Some(moved),
        };
        let moved = moved.filter(|m| allowed(m));
        let Some((moved, found)) = moved.and_then(|m| Some((m, words(&m, rate_hz, number)?)))
        else {
            continue;
        };
        let distance = (moved.f0_hz / stage.f0_hz).ln().abs();
        let better = if found.hold() {
            distance < best_distance
        } else {
            best_distance.is_infinite()
                && found.stable
                && found.largest_error_db < best.1.largest_error_db
        };
        if better {
            best = (moved, found);
            best_distance = if found.hold() {
                distance
            } else {
                f64::INFINITY
            };
        }
    }
    Some(best)
}

/// `stage` moved until `value` of it is `wanted`: `correct` moves it by the ratio that is
/// missing. `None` where that leads nowhere.
fn at_sum(
    stage: &Stage,
    wanted: f64,
    value: impl Fn(&Stage) -> f64,
    correct: impl Fn(&mut Stage, f64),
) -> Option<Stage> {
    /// Each correction leaves some hundredths of what was missing.
    const CORRECTIONS: usize = 12;
    let mut moved = *stage;
    for _ in 0..CORRECTIONS {
        let ratio = wanted / value(&moved);
        if !(ratio.is_finite() && ratio > 0.0) {
            return None;
        }
        correct(&mut moved, ratio);
    }
    Some(moved)
}

/// Distance of neighbours on the grid of `number` round `value`.
fn step(number: Number, value: f64) -> f64 {
    match number {
        Number::Fixed { fraction_bits, .. } => (-f64::from(fraction_bits)).exp2(),
        Number::F32 => {
            let near = value.abs() as f32;
            f64::from(near.next_up()) - f64::from(near)
        }
        Number::F64 | Number::None => f64::EPSILON * value.abs(),
    }
}

/// The wanted response and where it is judged.
struct Judge {
    /// `sin^2(w/2)` of each point.
    points: Vec<f64>,
    /// Wanted power there, none below silence.
    wanted_powers: Vec<f64>,
    /// Power below which only silence counts.
    silence: f64,
    /// Largest distance of a pole from the origin that is allowed.
    radius: f64,
}

impl Judge {
    fn new(stage: &Stage, rate_hz: f64, wanted: &Biquad) -> Judge {
        let to_hz = JUDGED_TO_HZ.min(JUDGED_TO_PER_RATE * rate_hz);
        let from_hz = JUDGED_FROM_HZ.min(to_hz);
        let steps = ((to_hz / from_hz).log2() * JUDGED_PER_OCT)
            .ceil()
            .clamp(1.0, 1000.0);
        let mut freqs_hz: Vec<f64> = (0..=steps as i32)
            .map(|i| from_hz * (to_hz / from_hz).powf(f64::from(i) / steps))
            .collect();
        // Out to three times the half bandwidth 1/(2Q), where the slopes are steepest.
        freqs_hz.extend(
            (-JUDGED_ROUND_F0..=JUDGED_ROUND_F0)
                .map(|i| {
                    stage.f0_hz * (1.5 / stage.q * f64::from(i) / f64::from(JUDGED_ROUND_F0)).exp()
                })
                .filter(|f| (from_hz..=to_hz).contains(f)),
        );
        let points: Vec<f64> = freqs_hz
            .iter()
            .map(|f| (PI * f / rate_hz).sin().powi(2))
            .collect();
        let powers: Vec<f64> = points.iter().map(|p| power(wanted, *p)).collect();
        let silence = powers.iter().copied().fold(0.0, f64::max) * db_to_power(SILENCE_DB);
        Judge {
            points,
            wanted_powers: powers.into_iter().map(|p| p.max(silence)).collect(),
            silence,
            radius: 1.0 - POLE_MARGIN_SHARE * (1.0 - wanted.poles().radius),
        }
    }

    fn is_stable(&self, biquad: &Biquad) -> bool {
        biquad.is_stable() && biquad.poles().radius <= self.radius
    }

    /// Largest error of `biquad`, dB; infinite when it is not stable.
    fn error_db(&self, biquad: &Biquad) -> f64 {
        if !self.is_stable(biquad) {
            return f64::INFINITY;
        }
        let (mut least, mut most) = (1.0f64, 1.0f64);
        for (p, wanted) in self.points.iter().zip(&self.wanted_powers) {
            let ratio = power(biquad, *p).max(self.silence) / wanted;
            least = least.min(ratio);
            most = most.max(ratio);
        }
        power_to_db(most).max(-power_to_db(least))
    }
}

/// Squared magnitude where `sin^2(w/2)` is `p`.
///
/// `|c|^2 = s^2 - 4 p (s (c0+c2) - (c0-c2)^2) + 16 c0 c2 p^2` with `s = c0+c1+c2`: the form of
/// [`Biquad::gain_db`] with the sum put in, so that what nearly cancels is subtracted only once.
fn power(biquad: &Biquad, p: f64) -> f64 {
    let square = |c0: f64, c1: f64, c2: f64| {
        let sum = c0 + c2 + c1;
        sum * sum - 4.0 * p * (sum * (c0 + c2) - (c0 - c2) * (c0 - c2)) + 16.0 * c0 * c2 * p * p
    };
    square(biquad.b0, biquad.b1, biquad.b2).max(0.0) / square(1.0, biquad.a1, biquad.a2)
}

/// The search round one stage.
struct Search {
    number: Number,
    wanted: Biquad,
    judge: Judge,
}

impl Search {
    /// The best of the grid round `rounded`, with its error.
    fn run(&self, rounded: Biquad, rounded_error_db: f64) -> (Biquad, f64) {
        let mut best = (rounded, rounded_error_db);
        for below in offsets() {
            for above in offsets() {
                let found = self.settled(below, above);
                if found.1 < best.1 {
                    best = found;
                }
            }
            if best.1 <= GOOD_ENOUGH_DB {
                break;
            }
        }
        best
    }

    /// The best `b0`, `b2` and `a2` for sums that lie so many steps from the wanted ones: moves
    /// of one coefficient or of two, with strides from large to a single step.
    fn settled(&self, below: i32, above: i32) -> (Biquad, f64) {
        let strides =
            [self.wanted.b0, self.wanted.b2, self.wanted.a2].map(|c| step(self.number, c));
        let mut at = [self.wanted.b0, self.wanted.b2, self.wanted.a2];
        let mut best = (self.wanted, f64::INFINITY);
        if let Some(found) = self.placed(at, below, above) {
            best = found;
        }
        let mut stride = FIRST_STRIDE;
        while stride >= 1.0 {
            let before = best.1;
            for direction in DIRECTIONS {
                let there: [f64; 3] =
                    std::array::from_fn(|i| at[i] + f64::from(direction[i]) * stride * strides[i]);
                if let Some(found) = self.placed(there, below, above)
                    && found.1 < best.1
                {
                    best = found;
                    at = there;
                }
            }
            if best.1 >= before {
                stride *= 0.5;
            }
        }
        best
    }

    /// The coefficients on the grid nearest to these, with `b1` and `a1` set to give the sums;
    /// `None` when one does not fit.
    fn placed(&self, [b0, b2, a2]: [f64; 3], below: i32, above: i32) -> Option<(Biquad, f64)> {
        let w = &self.wanted;
        let (b0, b2, a2) = (
            self.number.quantise(b0)?,
            self.number.quantise(b2)?,
            self.number.quantise(a2)?,
        );
        let sum_below = 1.0 + w.a2 + w.a1 + f64::from(below) * step(self.number, w.a1);
        let sum_above = w.b0 + w.b2 + w.b1 + f64::from(above) * step(self.number, w.b1);
        let biquad = Biquad {
            b0,
            b1: self.number.quantise(sum_above - (b0 + b2))?,
            b2,
            a1: self.number.quantise(sum_below - (1.0 + a2))?,
            a2,
        };
        Some((biquad, self.judge.error_db(&biquad)))
    }
}

/// Moves of `b0`, `b2` and `a2`: alone, and in pairs that keep or turn a response.
const DIRECTIONS: [[i32; 3]; 14] = [
    [1, 0, 0],
    [-1, 0, 0],
    [0, 1, 0],
    [0, -1, 0],
    [0, 0, 1],
    [0, 0, -1],
    [1, -1, 0],
    [-1, 1, 0],
    [0, 1, 1],
    [0, -1, -1],
    [1, 0, -1],
    [-1, 0, 1],
    [1, -1, -1],
    [-1, 1, 1],
];

/// 0, 1, -1 and on to the reach: near ones first.
fn offsets() -> impl Iterator<Item = i32> {
    (0..=SUM_REACH).flat_map(|k| if k == 0 { vec![0] } else { vec![k, -k] })
}

#[cfg(test)]
mod tests {
    use super::*;

    const FIXED: Number = Number::Fixed {
        integer_bits: 5,
        fraction_bits: 23,
    };

    fn stage(kind: Kind, f0_hz: f64, gain_db: f64, q: f64) -> Stage {
        Stage {
            kind,
            f0_hz,
            gain_db,
            q,
        }
    }

    #[test]
    fn every_coefficient_is_on_the_grid_and_no_worse_than_rounded() {
        for number in [FIXED, Number::F32] {
            for (kind, q) in [
                (Kind::Peaking, 4.0),
                (Kind::LowShelf, 0.7),
                (Kind::HighShelf, 0.7),
                (Kind::HighPass, 0.7),
            ] {
                for f0_hz in [25.0, 60.0, 200.0, 3000.0] {
                    let words = words(&stage(kind, f0_hz, -5.0, q), 96000.0, number).unwrap();
                    let b = words.biquad;
                    for value in [b.b0, b.b1, b.b2, b.a1, b.a2] {
                        assert_eq!(number.quantise(value), Some(value));
                    }
                    assert!(words.stable, "{kind} {f0_hz}");
                    assert!(words.largest_error_db <= words.rounded_error_db);
                }
            }
        }
    }

    #[test]
    fn double_precision_holds_every_stage_exactly() {
        let words = words(&stage(Kind::Peaking, 30.0, 4.0, 8.0), 192000.0, Number::F64).unwrap();
        assert!(words.hold() && words.largest_error_db == 0.0);
    }

    #[test]
    fn what_is_outside_the_range_of_the_format_is_refused() {
        // |a1| is nearly 2 at low f0, and one integer bit reaches to 1 only.
        let narrow = Number::Fixed {
            integer_bits: 1,
            fraction_bits: 31,
        };
        assert_eq!(
            words(&stage(Kind::Peaking, 100.0, -3.0, 1.0), 48000.0, narrow),
            None
        );
        assert_eq!(
            words(&stage(Kind::Peaking, 0.0, -3.0, 1.0), 48000.0, FIXED),
            None
        );
        assert_eq!(
            words(&stage(Kind::Peaking, 30000.0, -3.0, 1.0), 48000.0, FIXED),
            None
        );
        assert_eq!(
            words(&stage(Kind::Peaking, 100.0, f64::NAN, 1.0), 48000.0, FIXED),
            None
        );
    }

    #[test]
    fn above_40_hz_a_5_23_device_at_96_khz_holds_every_stage_within_a_step_of_f0() {
        // Issue bar: within 0.05 dB of the plan above 40 Hz.
        for kind in [Kind::Peaking, Kind::LowShelf, Kind::HighShelf] {
            let widths: &[f64] = if kind == Kind::Peaking {
                &[0.5, 1.0, 2.5, 5.0, 8.0]
            } else {
                &[0.5, 0.7]
            };
            for f0_hz in [40.0, 47.0, 63.0, 90.0, 160.0, 700.0, 9000.0] {
                for gain_db in [-9.0, -4.0, 3.0] {
                    for q in widths {
                        let wanted = stage(kind, f0_hz, gain_db, *q);
                        let (moved, words) = held(&wanted, 96000.0, FIXED).unwrap();
                        assert!(words.hold(), "{wanted:?}: {words:?}");
                        // Half a step of f0 is fs^2 2^-23 / (16 pi^2 f0), 0.17 Hz at 40 Hz
                        // (1+a1+a2 is about w0^2, or that over A for shelves); one step of slack.
                        let step_hz = 96000f64.powi(2) / 2f64.powi(23) / (8.0 * PI * PI * f0_hz);
                        assert!(
                            (moved.f0_hz - f0_hz).abs() <= 2.0 * step_hz,
                            "{wanted:?} {moved:?}"
                        );
                        assert!(
                            (moved.gain_db - gain_db).abs() <= 0.2 && moved.q == *q,
                            "{moved:?}"
                        );
                    }
                }
            }
        }
    }

    #[test]
    fn where_the_grid_is_too_coarse_the_answer_says_so() {
        // 14 steps of 1+a1+a2 at 20 Hz, and a format with eight bits less.
        let coarse = Number::Fixed {
            integer_bits: 5,
            fraction_bits: 15,
        };
        let (_, words) = held(&stage(Kind::Peaking, 20.0, -6.0, 5.0), 96000.0, coarse).unwrap();
        assert!(!words.hold());
    }
}
