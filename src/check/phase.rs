//! Measured against predicted phase. A delay, a polarity and the sound card's roll-offs are free;
//! what is left tells numerators that are read backwards, which no level shows.

use crate::filter::Bank;
use crate::units::wrap_deg;
use std::f64::consts::PI;

/// Phase is judged from here, Hz...
const FROM_HZ: f64 = 40.0;
/// ...to here, Hz: between the roll-offs of the sound card, where their phase is smooth.
const TO_HZ: f64 = 12_000.0;

/// Delays that are looked for, seconds: what buffers and converters of a loopback add.
const DELAYS_S: (f64, f64) = (-0.05, 0.5);

/// Fewer points say nothing about phase. Our own judgement.
const LEAST_POINTS: usize = 24;

/// Root mean square of the phase that a delay, a polarity and roll-offs do not explain, degrees;
/// `None` with too few points.
pub(super) fn left_deg(freqs_hz: &[f64], phase_deg: &[f64], bank: &Bank) -> Option<f64> {
    let points: Vec<(f64, f64)> = freqs_hz
        .iter()
        .zip(phase_deg)
        .filter(|(f, _)| (FROM_HZ..=TO_HZ).contains(*f))
        .map(|(f, measured_deg)| {
            let predicted_deg = bank.response(*f).arg().to_degrees();
            (*f, wrap_deg(measured_deg - predicted_deg).to_radians())
        })
        .collect();
    if points.len() < LEAST_POINTS {
        return None;
    }
    let delay_s = best_delay_s(&points);
    // Near the best delay what is left turns slowly; it is taken on from point to point.
    let mut left: Vec<f64> = points
        .iter()
        .map(|(f, phase)| phase + 2.0 * PI * f * delay_s)
        .collect();
    for i in 1..left.len() {
        left[i] -= 2.0 * PI * ((left[i] - left[i - 1]) / (2.0 * PI)).round();
    }
    Some(rms_beside_roll_offs(&points, &left).to_degrees())
}

/// The delay under which the phases point the same way most. A polarity does not matter to it.
fn best_delay_s(points: &[(f64, f64)]) -> f64 {
    let agreement = |delay_s: f64| {
        let (mut re, mut im) = (0.0, 0.0);
        for (f_hz, phase) in points {
            let (sin, cos) = (phase + 2.0 * PI * f_hz * delay_s).sin_cos();
            re += cos;
            im += sin;
        }
        re * re + im * im
    };
    // A quarter of a turn at the highest frequency from one delay to the next.
    let step_s = 0.25 / TO_HZ;
    let count = ((DELAYS_S.1 - DELAYS_S.0) / step_s) as usize;
    let coarse = (0..=count)
        .map(|k| DELAYS_S.0 + step_s * k as f64)
        .map(|delay_s| (delay_s, agreement(delay_s)))
        .max_by(|a, b| a.1.total_cmp(&b.1))
        .map_or(0.0, |(delay_s, _)| delay_s);
    (-20..=20)
        .map(|k| coarse + 0.05 * step_s * f64::from(k))
        .map(|delay_s| (delay_s, agreement(delay_s)))
        .max_by(|a, b| a.1.total_cmp(&b.1))
        .map_or(coarse, |(delay_s, _)| delay_s)
}

/// What a constant, a delay and the phase of roll-offs leave, root mean square in radians. A
/// high-pass below turns as 1/f, a low-pass above as f and f cubed (first terms of the arctangent).
fn rms_beside_roll_offs(points: &[(f64, f64)], left: &[f64]) -> f64 {
    const TERMS: usize = 4;
    let row = |f_hz: f64| {
        let x = f_hz / TO_HZ;
        [1.0, x, FROM_HZ / f_hz, x * x * x]
    };
    let mut matrix = vec![0.0; TERMS * TERMS];
    let mut right = vec![0.0; TERMS];
    for ((f_hz, _), value) in points.iter().zip(left) {
        let terms = row(*f_hz);
        for i in 0..TERMS {
            right[i] += terms[i] * value;
            for j in 0..TERMS {
                matrix[i * TERMS + j] += terms[i] * terms[j];
            }
        }
    }
    if !crate::algebra::solve_positive_definite(&mut matrix, &mut right) {
        right.fill(0.0);
    }
    let squares: f64 = points
        .iter()
        .zip(left)
        .map(|((f_hz, _), value)| {
            let fitted: f64 = row(*f_hz).iter().zip(&right).map(|(t, c)| t * c).sum();
            (value - fitted).powi(2)
        })
        .sum();
    (squares / points.len() as f64).sqrt()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::curve::Grid;
    use crate::filter::{Biquad, Kind, Stage};

    #[test]
    fn a_delay_and_a_turned_polarity_leave_nothing_but_exchanged_b_numbers_do() {
        let stage = Stage {
            kind: Kind::Peaking,
            f0_hz: 900.0,
            gain_db: -6.0,
            q: 2.0,
        };
        let section = stage.biquad(48000.0);
        let bank = |section: Biquad| Bank {
            rate_hz: 48000.0,
            gain_db: 0.0,
            sections: vec![section],
        };
        let grid = Grid::logarithmic(20.0, 20000.0, 48.0);
        let phase_deg: Vec<f64> = grid
            .freqs_hz()
            .iter()
            .map(|f| {
                wrap_deg(180.0 - 360.0 * f * 0.0123 + bank(section).response(*f).arg().to_degrees())
            })
            .collect();
        let same = left_deg(grid.freqs_hz(), &phase_deg, &bank(section)).unwrap();
        let swapped = Biquad {
            b0: section.b2,
            b2: section.b0,
            ..section
        };
        let other = left_deg(grid.freqs_hz(), &phase_deg, &bank(swapped)).unwrap();
        assert!(same < 0.5, "{same}");
        assert!(other > 20.0, "{other}");
    }
}
