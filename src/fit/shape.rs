//! Exact digital magnitude of a cookbook stage in dB, with its derivatives.
//!
//! The cookbook's stages are analog prototypes taken through the bilinear transform with the
//! centre prewarped, so at the digital frequency w the response is exactly that of the prototype
//! at `Omega = tan(w/2) / tan(w0/2)`. With `r = Omega`, `A = 10^(g/40)` and
//! `d(x) = (x - 1/x)^2` the squared magnitudes become
//!
//! - peaking: `(d(r) + A^2/Q^2) / (d(r) + 1/(A^2 Q^2))`
//! - lowshelf: `A^2 (d(r/sqrt A) + 1/Q^2) / (d(r sqrt A) + 1/Q^2)`
//! - highshelf: the lowshelf with numerator and denominator exchanged, times `A^2` again
//!
//! Source: R. Bristow-Johnson, Audio EQ Cookbook, W3C Working Group Note, 8 June 2021, the
//! prototypes H(s); `d` is our rearrangement: numerator and denominator divided by `Omega^2`
//! (shelves: `A Omega^2`), which needs neither a power nor a trigonometric function per row.

use super::rows::Rows;
use super::unit::{ln, on_lanes};
use crate::filter::{Kind, Stage};
use pulp::NullaryFnOnce;
use std::f64::consts::{LN_10, PI};

/// dB per neper of power: `10 / ln 10`.
const DB_PER_POWER_NEPER: f64 = 10.0 / LN_10;

/// Settings of one stage as the solver moves them: ln of f0 in Hz, gain in dB, ln of Q.
pub(super) type Settings = [f64; 3];

/// The settings of `stage`.
pub(super) fn settings_of(stage: &Stage) -> Settings {
    [libm::log(stage.f0_hz), stage.gain_db, libm::log(stage.q)]
}

/// The stage of a kind with these settings.
pub(super) fn stage_of(kind: Kind, settings: &Settings) -> Stage {
    Stage {
        kind,
        f0_hz: libm::exp(settings[0]),
        gain_db: settings[1],
        q: libm::exp(settings[2]),
    }
}

/// One stage at one rate, ready to be evaluated at many rows.
///
/// Numerator and denominator are `d(r/split) + above` and `d(r*split) + below` for all three
/// kinds, `factor` in front.
struct Prototype {
    kind: Kind,
    /// `tan(w0/2)`.
    centre: f64,
    /// `sqrt A` for shelves, 1 for peaking.
    split: f64,
    /// Added to d in the numerator.
    above: f64,
    /// Added to d in the denominator.
    below: f64,
    /// `A^2` for shelves, 1 for peaking.
    factor: f64,
    /// d ln tan(w0/2) / d ln f0 = `w0 / sin w0`.
    warp: f64,
}

impl Prototype {
    fn new(kind: Kind, settings: &Settings, rate_hz: f64) -> Prototype {
        let w0 = 2.0 * PI * libm::exp(settings[0]) / rate_hz;
        let a = libm::exp(settings[1] * (LN_10 / 40.0));
        let per_q2 = libm::exp(-2.0 * settings[2]);
        let (split, above, below, factor) = match kind {
            Kind::LowShelf => (a.sqrt(), per_q2, per_q2, a * a),
            // The exchange of numerator and denominator is the split turned round.
            Kind::HighShelf => (a.sqrt().recip(), per_q2, per_q2, a * a),
            _ => (1.0, a * a * per_q2, per_q2 / (a * a), 1.0),
        };
        Prototype {
            kind,
            centre: libm::tan(0.5 * w0),
            split,
            above,
            below,
            factor,
            warp: w0 / libm::sin(w0),
        }
    }
}

/// `(x - 1/x)^2`, with `1/x` given.
#[inline(always)]
fn spread(x: f64, inverse: f64) -> f64 {
    (x - inverse) * (x - inverse)
}

/// Multiplies numerator and denominator of a stage's squared magnitudes into `over` and `under`, one
/// value per row each.
#[inline(always)]
fn multiply_power(p: &Prototype, rows: &Rows, over: &mut [f64], under: &mut [f64]) {
    let (up, up_inverse) = ((p.split * p.centre).recip(), p.split * p.centre);
    let (down, down_inverse) = (p.split / p.centre, p.centre / p.split);
    let places = rows.tangents.iter().zip(&rows.cotangents);
    for ((t, c), (over, under)) in places.zip(over.iter_mut().zip(under)) {
        *over *= p.factor * (spread(t * up, c * up_inverse) + p.above);
        *under *= spread(t * down, c * down_inverse) + p.below;
    }
}

/// Response of a cascade in dB, one value per row.
pub(super) fn response_db(kinds: &[Kind], settings: &[f64], rate_hz: f64, rows: &Rows) -> Vec<f64> {
    let prototypes: Vec<Prototype> = kinds
        .iter()
        .zip(settings.chunks_exact(3))
        .map(|(kind, s)| Prototype::new(*kind, &[s[0], s[1], s[2]], rate_hz))
        .collect();
    on_lanes(Cascade {
        prototypes: &prototypes,
        rows,
    })
}

/// The response of a cascade.
struct Cascade<'a> {
    prototypes: &'a [Prototype],
    rows: &'a Rows,
}

impl NullaryFnOnce for Cascade<'_> {
    type Output = Vec<f64>;

    #[inline(always)]
    fn call(self) -> Vec<f64> {
        /// A numerator or denominator is below 1e60 for rows down to 1e-25 Hz and stages of 120 dB:
        /// so many of them stay within f64, and share one division.
        const STAGES_PER_DIVISION: usize = 4;
        /// A power is at most 10^(gain/10): so many groups of stages of 120 dB do, too.
        const DIVISIONS_PER_LOGARITHM: usize = 3;
        let mut total_db = vec![0.0; self.rows.len()];
        let mut power = vec![1.0; self.rows.len()];
        let (mut over, mut under) = (power.clone(), power.clone());
        let many = STAGES_PER_DIVISION * DIVISIONS_PER_LOGARITHM;
        for stages in self.prototypes.chunks(many) {
            power.fill(1.0);
            for group in stages.chunks(STAGES_PER_DIVISION) {
                over.fill(1.0);
                under.fill(1.0);
                for prototype in group {
                    multiply_power(prototype, self.rows, &mut over, &mut under);
                }
                for ((power, over), under) in power.iter_mut().zip(&over).zip(&under) {
                    *power *= over / under;
                }
            }
            for (total, p) in total_db.iter_mut().zip(&power) {
                *total += DB_PER_POWER_NEPER * ln(*p);
            }
        }
        total_db
    }
}

/// Derivatives of a stage's response in dB with regard to its three settings, each row times
/// its root weight; `columns` holds three columns one after the other.
pub(super) fn weighted_derivatives(
    kind: Kind,
    settings: &Settings,
    rate_hz: f64,
    rows: &Rows,
    columns: &mut [f64],
) {
    let prototype = &Prototype::new(kind, settings, rate_hz);
    on_lanes(Derivatives {
        prototype,
        rows,
        columns,
    });
}

/// The derivatives of one stage, column by column.
struct Derivatives<'a> {
    prototype: &'a Prototype,
    rows: &'a Rows,
    columns: &'a mut [f64],
}

impl NullaryFnOnce for Derivatives<'_> {
    type Output = ();

    #[inline(always)]
    fn call(self) {
        let Derivatives {
            prototype: p,
            rows,
            columns,
        } = self;
        let (by_f0, rest) = columns.split_at_mut(rows.len());
        let (by_gain, by_q) = rest.split_at_mut(rows.len());
        let (up, up_inverse) = ((p.split * p.centre).recip(), p.split * p.centre);
        let (down, down_inverse) = (p.split / p.centre, p.centre / p.split);
        // d(x) for x = e^u has the slope 2 (x^2 - 1/x^2) along u; ln split of the shelves moves
        // by ln(10)/80 per dB, and their factor A^2 by half a dB per dB. The ln of what is added
        // to d moves by ln(10)/20 per dB (peaking only) and by -2 per unit of ln Q.
        let (split_per_db, added_per_db, factor_per_db) = match p.kind {
            Kind::LowShelf => (LN_10 / 80.0, 0.0, 0.5),
            Kind::HighShelf => (-LN_10 / 80.0, 0.0, 0.5),
            _ => (0.0, 0.5, 0.0),
        };
        let f0_scale = -2.0 * DB_PER_POWER_NEPER * p.warp;
        let gain_scale = -2.0 * DB_PER_POWER_NEPER * split_per_db;
        let q_scale = -2.0 * DB_PER_POWER_NEPER;
        let inputs = rows
            .tangents
            .iter()
            .zip(&rows.cotangents)
            .zip(&rows.root_weights);
        let outputs = by_f0.iter_mut().zip(by_gain).zip(by_q);
        for (((t, c), s), ((f0, gain), q)) in inputs.zip(outputs) {
            let (x, y) = (t * up, c * up_inverse);
            let (v, w) = (t * down, c * down_inverse);
            let numerator = spread(x, y) + p.above;
            let denominator = spread(v, w) + p.below;
            // Weight over numerator and over denominator, by one division.
            let per_both = s / (numerator * denominator);
            let (upper, lower) = (per_both * denominator, per_both * numerator);
            let upper_slope = (x - y) * (x + y) * upper;
            let lower_slope = (v - w) * (v + w) * lower;
            let (upper_added, lower_added) = (p.above * upper, p.below * lower);
            *f0 = f0_scale * (upper_slope - lower_slope);
            *gain = gain_scale * (upper_slope + lower_slope)
                + added_per_db * (upper_added + lower_added)
                + factor_per_db * s;
            *q = q_scale * (upper_added - lower_added);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::fit::Wanted;

    const RATE_HZ: f64 = 48000.0;

    fn rows(freqs_hz: &[f64], level_cost: f64) -> Rows {
        let gain_db = vec![0.0; freqs_hz.len()];
        let weights = vec![1.0; freqs_hz.len()];
        let wanted = Wanted {
            freqs_hz,
            gain_db: &gain_db,
            weights: &weights,
        };
        Rows::new(&wanted, RATE_HZ, level_cost).unwrap()
    }

    fn freqs_hz() -> Vec<f64> {
        (0..400)
            .map(|i| 5.0 * 4780f64.powf(f64::from(i) / 399.0))
            .collect()
    }

    fn stages() -> Vec<Stage> {
        let mut stages = Vec::new();
        for kind in [Kind::Peaking, Kind::LowShelf, Kind::HighShelf] {
            for (f0_hz, gain_db, q) in [
                (25.0, 6.0, 0.5),
                (800.0, -11.0, 1.0),
                (3000.0, 0.001, 4.0),
                (15000.0, 9.0, 0.8),
                (22000.0, -4.0, 2.0),
            ] {
                stages.push(Stage {
                    kind,
                    f0_hz,
                    gain_db,
                    q,
                });
            }
        }
        stages
    }

    #[test]
    fn the_prototype_at_the_warped_frequency_is_the_digital_response() {
        // Against the coefficients of the cookbook, evaluated by another formula.
        let freqs_hz = freqs_hz();
        let rows = rows(&freqs_hz, f64::INFINITY);
        for stage in stages() {
            let by_prototype_db = response_db(&[stage.kind], &settings_of(&stage), RATE_HZ, &rows);
            let biquad = stage.biquad(RATE_HZ);
            for (f_hz, value_db) in freqs_hz.iter().zip(by_prototype_db) {
                let by_biquad_db = biquad.gain_db(2.0 * PI * f_hz / RATE_HZ);
                assert!(
                    (value_db - by_biquad_db).abs() < 1e-8,
                    "{stage:?} at {f_hz} Hz: {value_db} {by_biquad_db}"
                );
            }
        }
    }

    #[test]
    fn the_analytic_derivatives_equal_differences() {
        let freqs_hz = freqs_hz();
        let rows = rows(&freqs_hz, f64::INFINITY);
        for stage in stages() {
            let settings = settings_of(&stage);
            let mut columns = vec![0.0; 3 * rows.len()];
            weighted_derivatives(stage.kind, &settings, RATE_HZ, &rows, &mut columns);
            for i in 0..3 {
                const STEP: f64 = 1e-4;
                let moved = |by: f64| {
                    let mut there = settings;
                    there[i] += by;
                    response_db(&[stage.kind], &there, RATE_HZ, &rows)
                };
                let at = [-2.0, -1.0, 1.0, 2.0].map(|k| moved(k * STEP));
                for k in 0..rows.len() {
                    // Central difference of fourth order: near half the rate the warping makes
                    // the one of second order too coarse.
                    let slope = 8.0 * (at[2][k] - at[1][k]) - (at[3][k] - at[0][k]);
                    let by_difference = rows.root_weights[k] * slope / (12.0 * STEP);
                    let analytic = columns[i * rows.len() + k];
                    // Rounding of the response, some 1e-12 dB, over the step.
                    assert!(
                        (by_difference - analytic).abs() < 1e-7 * (1.0 + analytic.abs()),
                        "{stage:?} setting {i} row {k}: {by_difference} {analytic}"
                    );
                }
            }
        }
    }

    #[test]
    fn a_cascade_is_the_sum_of_its_stages() {
        let freqs_hz = freqs_hz();
        let rows = rows(&freqs_hz, f64::INFINITY);
        let many: Vec<Stage> = stages().into_iter().cycle().take(40).collect();
        let kinds: Vec<Kind> = many.iter().map(|s| s.kind).collect();
        let settings: Vec<f64> = many.iter().flat_map(settings_of).collect();
        let total_db = response_db(&kinds, &settings, RATE_HZ, &rows);
        for (f_hz, value_db) in freqs_hz.iter().zip(total_db) {
            let sum_db: f64 = many
                .iter()
                .map(|s| s.biquad(RATE_HZ).gain_db(2.0 * PI * f_hz / RATE_HZ))
                .sum();
            assert!((value_db - sum_db).abs() < 1e-7);
        }
    }
}
