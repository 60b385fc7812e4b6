//! Conversions of plain numbers: decibels, octaves, auditory bands, phase. Nothing here knows
//! what a loudspeaker is.

use std::f64::consts::LN_2;

/// Power ratio of a level difference in dB: `10^(x/10)`.
pub fn db_to_power(level_db: f64) -> f64 {
    // exp2 is the fastest exact-enough route; 10^(x/10) = 2^(x lg2(10)/10).
    (level_db * (std::f64::consts::LOG2_10 / 10.0)).exp2()
}

/// Level difference in dB of a power ratio: `10 lg p`. Minus infinity at zero.
pub fn power_to_db(power: f64) -> f64 {
    10.0 * power.log10()
}

/// Amplitude ratio of a level difference in dB: `10^(x/20)`.
pub fn db_to_amplitude(level_db: f64) -> f64 {
    (level_db * (std::f64::consts::LOG2_10 / 20.0)).exp2()
}

/// Level difference in dB of an amplitude ratio: `20 lg a`. Minus infinity at zero.
pub fn amplitude_to_db(amplitude: f64) -> f64 {
    20.0 * amplitude.log10()
}

/// Octaves from `from_hz` up to `to_hz`; negative when `to_hz` is lower. Both above 0.
pub fn octaves(from_hz: f64, to_hz: f64) -> f64 {
    (to_hz / from_hz).log2()
}

/// Width in octaves, at half of its gain in dB, of a peaking stage of `q` (above 0).
///
/// Source: W3C Audio EQ Cookbook, `1/Q = 2 sinh(ln2/2 BW)`, the analog case.
pub fn width_oct_of_q(q: f64) -> f64 {
    2.0 / LN_2 * (0.5 / q).asinh()
}

/// The Q of a peaking stage of `width_oct` octaves (above 0); the inverse of [`width_oct_of_q`].
pub fn q_of_width_oct(width_oct: f64) -> f64 {
    0.5 / (0.5 * LN_2 * width_oct).sinh()
}

/// The middle of `values`, of an even number the mean of the two; 0 of none.
pub fn median(mut values: Vec<f64>) -> f64 {
    values.sort_by(f64::total_cmp);
    match values.len() {
        0 => 0.0,
        n if n % 2 == 1 => values[n / 2],
        n => 0.5 * (values[n / 2 - 1] + values[n / 2]),
    }
}

/// Equivalent rectangular bandwidth in Hz of the auditory filter centred at `f_hz` (above 0).
///
/// Source: Glasberg and Moore 1990, Hearing Research 47, 103-138, eq. 3:
/// `ERB = 24.7 (4.37 F + 1)`, F in kHz; given for 100 Hz to 10 kHz, extended here as it stands.
pub fn erb_hz(f_hz: f64) -> f64 {
    24.7 * (4.37 * f_hz / 1000.0 + 1.0)
}

/// ERB-number (ERB-rate, in Cam) of `f_hz` (0 or above).
///
/// Source: Glasberg and Moore 1990, eq. 4: `21.4 lg(4.37 F + 1)`, F in kHz.
pub fn erb_number(f_hz: f64) -> f64 {
    21.4 * (4.37 * f_hz / 1000.0 + 1.0).log10()
}

/// ERB-numbers per octave at `f_hz`: how much hearing resolves in an octave there.
///
/// The derivative of [`erb_number`] along log2 of frequency. Used as a weight on log grids.
pub fn erb_numbers_per_octave(f_hz: f64) -> f64 {
    let x = 4.37 * f_hz / 1000.0;
    21.4 * std::f64::consts::LOG10_2 * x / (x + 1.0)
}

/// The angle in (-180, 180] that is the same direction or phase as `angle_deg`.
pub fn wrap_deg(angle_deg: f64) -> f64 {
    let wrapped = angle_deg - 360.0 * (angle_deg / 360.0).round();
    if wrapped <= -180.0 {
        wrapped + 360.0
    } else {
        wrapped
    }
}

/// `phase_deg` with jumps of more than half a turn between neighbours taken out, in place.
pub fn unwrap_deg(phase_deg: &mut [f64]) {
    let mut turns_deg = 0.0;
    let mut last_deg = match phase_deg.first() {
        Some(first) => *first,
        None => return,
    };
    for value in phase_deg.iter_mut().skip(1) {
        let raw_deg = *value;
        turns_deg -= 360.0 * ((raw_deg - last_deg) / 360.0).round();
        last_deg = raw_deg;
        *value = raw_deg + turns_deg;
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn width_and_q_are_inverse_to_each_other() {
        // One octave is Q 1.414214, a third 4.318473 (Audio EQ Cookbook, analog formula).
        assert!((q_of_width_oct(1.0) - std::f64::consts::SQRT_2).abs() < 1e-6);
        assert!((width_oct_of_q(4.318473) - 1.0 / 3.0).abs() < 1e-6);
    }

    #[test]
    fn the_median_of_an_even_number_lies_between_the_two_in_the_middle() {
        assert_eq!(median(vec![3.0, 1.0, 9.0]), 3.0);
        assert_eq!(median(vec![9.0, 1.0, 2.0, 4.0]), 3.0);
        assert_eq!(median(Vec::new()), 0.0);
    }

    #[test]
    fn decibels_and_ratios_invert_each_other() {
        for level_db in [-120.0, -6.02, 0.0, 3.0, 40.0] {
            assert!((power_to_db(db_to_power(level_db)) - level_db).abs() < 1e-12);
            assert!((amplitude_to_db(db_to_amplitude(level_db)) - level_db).abs() < 1e-12);
        }
        assert!((db_to_power(10.0) - 10.0).abs() < 1e-13);
        assert!((db_to_amplitude(20.0) - 10.0).abs() < 1e-13);
    }

    #[test]
    fn wrapping_keeps_the_direction_and_prefers_plus_180() {
        assert_eq!(wrap_deg(-180.0), 180.0);
        assert_eq!(wrap_deg(180.0), 180.0);
        assert_eq!(wrap_deg(350.0), -10.0);
        assert_eq!(wrap_deg(540.0), 180.0);
        assert_eq!(wrap_deg(-190.0), 170.0);
    }

    #[test]
    fn unwrapping_takes_out_whole_turns_only() {
        let mut phase_deg: Vec<f64> = (0..50).map(|i| wrap_deg(-37.0 * f64::from(i))).collect();
        unwrap_deg(&mut phase_deg);
        for (i, value) in phase_deg.iter().enumerate() {
            assert!((value + 37.0 * i as f64).abs() < 1e-9);
        }
    }

    #[test]
    fn erb_slope_is_the_derivative_of_the_erb_number() {
        for f_hz in [50.0, 1000.0, 9000.0] {
            let h = 1e-5;
            let by_difference =
                (erb_number(f_hz * 2f64.powf(h)) - erb_number(f_hz * 2f64.powf(-h))) / (2.0 * h);
            assert!((by_difference - erb_numbers_per_octave(f_hz)).abs() < 1e-7);
        }
    }
}
