//! The fixed-point grid of a list, and the noise that rounding on it makes at the output.
//!
//! The model, stated wherever the figure is: every stage runs in direct form 1 with an
//! accumulator that is wide enough, and its output is rounded once to the fraction bits of the
//! list's format, full scale being 1.0. Each rounding adds white noise of one twelfth of a step
//! squared, independent of the signal and of the other stages. (Source: the usual linear model;
//! Oppenheim and Schafer, Discrete-Time Signal Processing, section 6.9 in the second edition,
//! from memory.) It says nothing of limit cycles at very low signals.

use crate::device::Number;
use crate::filter::Biquad;
use crate::units::power_to_db;
use std::f64::consts::PI;

/// The grid and what it costs.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct GridNoise {
    /// Distance of neighbouring numbers.
    pub step: f64,
    /// Lowest number.
    pub lowest: f64,
    /// Highest number.
    pub highest: f64,
    /// Noise at the output, dB re a full-scale sine, over the whole band; `None` when a stage is
    /// not stable.
    pub noise_db: Option<f64>,
}

/// Power of a full-scale sine.
const FULL_SCALE_SINE: f64 = 0.5;

/// The grid of a fixed format with the noise of `sections` on it; `None` for other formats.
pub fn grid_noise(number: Number, sections: &[Biquad], rate_hz: f64) -> Option<GridNoise> {
    let Number::Fixed {
        integer_bits,
        fraction_bits,
    } = number
    else {
        return None;
    };
    let step = (-f64::from(fraction_bits)).exp2();
    let highest = (f64::from(integer_bits) - 1.0).exp2();
    let stable = sections.iter().all(Biquad::is_stable);
    let noise_db = (stable && !sections.is_empty()).then(|| {
        let gain: f64 = (0..sections.len())
            .map(|k| noise_gain(&sections[k..], rate_hz))
            .sum();
        power_to_db(step * step / 12.0 * gain / FULL_SCALE_SINE)
    });
    Some(GridNoise {
        step,
        lowest: -highest,
        highest: highest - step,
        noise_db,
    })
}

/// Power gain for white noise that enters at the output sum of the first of `sections`: the mean
/// of `|1/A_1|^2 |H_2|^2 ...` over frequency.
fn noise_gain(sections: &[Biquad], rate_hz: f64) -> f64 {
    let own = Biquad {
        b0: 1.0,
        b1: 0.0,
        b2: 0.0,
        ..sections[0]
    };
    let power = |omega: f64| {
        let gain_db: f64 =
            own.gain_db(omega) + sections[1..].iter().map(|s| s.gain_db(omega)).sum::<f64>();
        crate::units::db_to_power(gain_db.max(LOWEST_DB))
    };
    let omegas = nodes(sections, rate_hz);
    // Simpson's rule in each interval.
    omegas
        .windows(2)
        .map(|w| {
            let middle = power(0.5 * (w[0] + w[1]));
            (w[1] - w[0]) / 6.0 * (power(w[0]) + 4.0 * middle + power(w[1]))
        })
        .sum::<f64>()
        / PI
}

/// Zeros of a numerator count as this, dB; they add nothing to a mean.
const LOWEST_DB: f64 = -300.0;

/// Frequencies, radians per sample, between which the power is smooth: evenly spaced, and
/// closer and closer towards every pole, whose half-width is the distance to the unit circle.
fn nodes(sections: &[Biquad], rate_hz: f64) -> Vec<f64> {
    let mut omegas: Vec<f64> = (0..=512).map(|k| PI * f64::from(k) / 512.0).collect();
    // Low shelves and low peaks live in the first of these steps.
    let lowest = 2.0 * PI / rate_hz;
    omegas.extend((0..200).map(|k| lowest * (PI / lowest).powf(f64::from(k) / 200.0)));
    for section in sections {
        let radius = section.poles().radius;
        let half_width = (1.0 - radius).max(1e-9);
        let cosine = if section.a2 > 0.0 {
            -0.5 * section.a1 / section.a2.sqrt()
        } else {
            1.0
        };
        let centre = cosine.clamp(-1.0, 1.0).acos();
        for k in -16..48 {
            let off = half_width * 1.5f64.powi(k);
            omegas.extend([centre - off, centre + off]);
        }
        omegas.push(centre);
    }
    omegas.retain(|w| (0.0..=PI).contains(w));
    omegas.sort_by(f64::total_cmp);
    omegas.dedup();
    omegas
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::filter::{Kind, Stage};

    #[test]
    fn the_noise_gain_of_two_poles_is_the_closed_form() {
        // Mean of |1/A|^2 for A = 1 + a1/z + a2/z^2:
        // (1 + a2) / ((1 - a2) ((1 + a2)^2 - a1^2)) (textbook closed form).
        for (f0_hz, q, rate_hz) in [(1000.0, 0.7, 48e3), (30.0, 5.0, 96e3), (20.0, 10.0, 192e3)] {
            let s = Stage {
                kind: Kind::Peaking,
                f0_hz,
                gain_db: -6.0,
                q,
            }
            .biquad(rate_hz);
            let closed = (1.0 + s.a2) / ((1.0 - s.a2) * ((1.0 + s.a2).powi(2) - s.a1 * s.a1));
            let off_db = power_to_db(noise_gain(&[s], rate_hz) / closed);
            assert!(off_db.abs() < 0.02, "{f0_hz}: {off_db} dB");
        }
    }

    #[test]
    fn the_estimate_is_what_a_fixed_point_cascade_makes_of_noise() {
        let number = Number::Fixed {
            integer_bits: 5,
            fraction_bits: 19,
        };
        let step = 2f64.powi(-19);
        let sections: Vec<Biquad> = [(200.0, -6.0, 2.0), (60.0, 3.0, 1.0)]
            .into_iter()
            .map(|(f0_hz, gain_db, q)| {
                let s = Stage {
                    kind: Kind::Peaking,
                    f0_hz,
                    gain_db,
                    q,
                }
                .biquad(48000.0);
                let hold = |v| number.quantise(v).unwrap();
                Biquad {
                    b0: hold(s.b0),
                    b1: hold(s.b1),
                    b2: hold(s.b2),
                    a1: hold(s.a1),
                    a2: hold(s.a2),
                }
            })
            .collect();
        // A busy input on the grid, so that rounding errors are independent of it.
        let mut state = 1u64;
        let input: Vec<f64> = (0..200_000)
            .map(|_| {
                state = state
                    .wrapping_mul(6_364_136_223_846_793_005)
                    .wrapping_add(1_442_695_040_888_963_407);
                ((state >> 40) as f64 / 2f64.powi(24) - 0.5) * 0.5
            })
            .map(|x| (x / step).round() * step)
            .collect();
        let cascade = |round: bool| {
            sections.iter().fold(input.clone(), |signal, s| {
                let (mut x1, mut x2, mut y1, mut y2) = (0.0, 0.0, 0.0, 0.0);
                signal
                    .into_iter()
                    .map(|x| {
                        let exact = s.b0 * x + s.b1 * x1 + s.b2 * x2 - s.a1 * y1 - s.a2 * y2;
                        let y = if round {
                            (exact / step).round() * step
                        } else {
                            exact
                        };
                        (x2, x1, y2, y1) = (x1, x, y1, y);
                        y
                    })
                    .collect()
            })
        };
        let (rounded, exact) = (cascade(true), cascade(false));
        let skip = 10_000;
        let power = rounded[skip..]
            .iter()
            .zip(&exact[skip..])
            .map(|(a, b)| (a - b).powi(2))
            .sum::<f64>()
            / (rounded.len() - skip) as f64;
        let simulated_db = power_to_db(power / FULL_SCALE_SINE);
        let estimated_db = grid_noise(number, &sections, 48000.0)
            .unwrap()
            .noise_db
            .unwrap();
        // The noise is narrow-band: some hundred independent samples, 0.5 dB.
        assert!(
            (simulated_db - estimated_db).abs() < 0.7,
            "{simulated_db} {estimated_db}"
        );
    }
}
