//! Measured phase made continuous, whether it was written wrapped or not.

use crate::units::{unwrap_deg, wrap_deg};
use num_complex::Complex64;

/// Steps between neighbours that stay below this, degrees, leave no doubt: a third of a turn,
/// where the other way round would be twice as far.
const NO_DOUBT_DEG: f64 = 120.0;

/// The longest delay looked for, s: ten metres.
const LONGEST_DELAY_S: f64 = 0.03;

/// How finely delays are tried: so many of the periods of the widest step between frequencies.
const TRIES_PER_PERIOD: f64 = 16.0;

/// With the right delay taken out neighbours agree this well (mean cosine of what is left of
/// each step, 1 is perfect); below it no delay is believed. Our own judgement.
const AGREEMENT: f64 = 0.7;

/// A longer delay must agree better by this than none, or turns would be added to linear
/// spectra, where delays a period apart agree alike.
const BETTER_BY: f64 = 0.05;

/// `phase_deg` at `freqs_hz` (ascending, of one length) without jumps.
///
/// Values that span more than a turn were written unwrapped and are left alone: in a coarse table
/// of a long delay neighbours rightly differ by more than half a turn. Wrapped values are
/// unwrapped with the delay taken out with which neighbours agree best, since a table of
/// logarithmic frequencies may step over whole turns of the sound's time of flight.
pub(super) fn continuous(freqs_hz: &[f64], mut phase_deg: Vec<f64>) -> Vec<f64> {
    let (low, high) = phase_deg
        .iter()
        .fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), p| {
            (low.min(*p), high.max(*p))
        });
    if high - low > 360.0 || phase_deg.len() < 2 {
        return phase_deg;
    }
    let steps: Vec<(f64, f64)> = freqs_hz
        .windows(2)
        .zip(phase_deg.windows(2))
        .map(|(f, p)| (f[1] - f[0], wrap_deg(p[1] - p[0])))
        .collect();
    if steps.iter().any(|(_, step)| step.abs() > NO_DOUBT_DEG)
        && let Some(delay_s) = likeliest_delay_s(&steps)
    {
        let (start_deg, turn) = (phase_deg[0], |f_hz: &f64| 360.0 * f_hz * delay_s);
        for (phase, f_hz) in phase_deg.iter_mut().zip(freqs_hz) {
            *phase += turn(f_hz);
        }
        unwrap_deg(&mut phase_deg);
        for (phase, f_hz) in phase_deg.iter_mut().zip(freqs_hz) {
            *phase -= turn(f_hz);
        }
        // The first value stays as it was written.
        let shift_deg = start_deg - phase_deg[0];
        phase_deg.iter_mut().for_each(|phase| *phase += shift_deg);
    } else {
        unwrap_deg(&mut phase_deg);
    }
    phase_deg
}

/// The delay that explains most of the steps (width in Hz, wrapped step in degrees); `None` when
/// none does much better than none at all.
fn likeliest_delay_s(steps: &[(f64, f64)]) -> Option<f64> {
    let widest_hz = steps.iter().map(|(width, _)| *width).fold(0.0, f64::max);
    let try_s = 1.0 / (TRIES_PER_PERIOD * widest_hz);
    let tries = (LONGEST_DELAY_S / try_s).ceil() as usize;
    let tries = tries.min(MOST_WORK / (2 * steps.len())) as i64;
    // Every try turns every step on by as much as the one before: a product in place of a cosine.
    let unit = |deg: f64| Complex64::from_polar(1.0, deg.to_radians());
    let turns: Vec<Complex64> = steps
        .iter()
        .map(|(width_hz, _)| unit(360.0 * width_hz * try_s))
        .collect();
    let mut later: Vec<Complex64> = steps.iter().map(|(_, step)| unit(*step)).collect();
    let mut earlier = later.clone();
    let agreement = |steps: &[Complex64]| {
        let sum: f64 = steps.iter().map(|step| step.re).sum();
        sum / steps.len() as f64
    };
    let without = agreement(&later);
    // From short to long, so that of equals the shortest stays.
    let mut best = (0.0, without);
    for i in 1..=tries {
        for ((later, earlier), turn) in later.iter_mut().zip(&mut earlier).zip(&turns) {
            *later *= turn;
            *earlier *= turn.conj();
        }
        for (i, steps) in [(i, &later), (-i, &earlier)] {
            let agrees = agreement(steps);
            if agrees > best.1 + 1e-9 {
                best = (i as f64 * try_s, agrees);
            }
        }
    }
    (best.1 > AGREEMENT && best.1 > without + BETTER_BY).then_some(best.0)
}

/// The most steps that are looked at for one phase; bounds the work for tables with some
/// frequencies far apart. An ordinary table needs a third of it.
const MOST_WORK: usize = 400_000;

#[cfg(test)]
mod tests {
    use super::*;

    fn logarithmic(per_octave: f64) -> Vec<f64> {
        (0..=(9.0 * per_octave) as usize)
            .map(|i| 40.0 * (i as f64 / per_octave).exp2())
            .collect()
    }

    /// A delay and the phase of a first-order low-pass at 2 kHz.
    fn phase(f_hz: f64, delay_s: f64) -> f64 {
        -360.0 * f_hz * delay_s - (f_hz / 2000.0).atan().to_degrees()
    }

    #[test]
    fn a_wrapped_table_of_a_metre_of_flight_is_unwrapped_whole() {
        // At 24 per octave and 20 kHz neighbours lie 580 Hz apart: 1.7 turns of 2.9 ms.
        let freqs_hz = logarithmic(24.0);
        let wanted: Vec<f64> = freqs_hz.iter().map(|f| phase(*f, 0.0029)).collect();
        let wrapped: Vec<f64> = wanted.iter().map(|p| wrap_deg(*p)).collect();
        let found = continuous(&freqs_hz, wrapped.clone());
        for (a, b) in found.iter().zip(&wanted) {
            assert!((a - b).abs() < 1e-6, "{a} for {b}");
        }
        let mut plain = wrapped;
        unwrap_deg(&mut plain);
        assert!((plain[plain.len() - 1] - wanted[wanted.len() - 1]).abs() > 360.0);
    }

    #[test]
    fn what_was_written_unwrapped_or_needs_no_help_stays() {
        let freqs_hz = logarithmic(6.0);
        let unwrapped: Vec<f64> = freqs_hz.iter().map(|f| phase(*f, 0.0029)).collect();
        assert_eq!(continuous(&freqs_hz, unwrapped.clone()), unwrapped);
        let short: Vec<f64> = freqs_hz.iter().map(|f| phase(*f, 0.00002)).collect();
        let found = continuous(&freqs_hz, short.iter().map(|p| wrap_deg(*p)).collect());
        for (a, b) in found.iter().zip(&short) {
            assert!((a - b).abs() < 1e-9);
        }
    }

    #[test]
    fn linear_bins_get_no_turns_that_are_not_there() {
        let freqs_hz: Vec<f64> = (1..1000).map(|i| 20.0 * f64::from(i)).collect();
        let wanted: Vec<f64> = freqs_hz.iter().map(|f| phase(*f, 0.0029)).collect();
        let found = continuous(&freqs_hz, wanted.iter().map(|p| wrap_deg(*p)).collect());
        for (a, b) in found.iter().zip(&wanted) {
            assert!((a - b).abs() < 1e-6, "{a} for {b}");
        }
    }
}
