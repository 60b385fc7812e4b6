//! Coefficients, responses, stability, number formats and auditory bands against published
//! values, independent arithmetic and a general-purpose library.

use biquad::{Coefficients, Type};
use planish::device::Number;
use planish::filter::{Bank, Biquad, Kind, Stage};
use planish::filter_list::{word, word_digits};
use planish::units::{erb_hz, erb_number};
use std::collections::HashMap;
use std::f64::consts::{LN_2, PI};

/// The rows of a table in `tests/data` by the names of its columns; its first line is a comment.
fn rows(name: &str) -> Vec<HashMap<String, String>> {
    let text = std::fs::read_to_string(format!("tests/data/{name}")).unwrap();
    let mut reader = csv::ReaderBuilder::new()
        .comment(Some(b'#'))
        .from_reader(text.as_bytes());
    reader.deserialize().map(Result::unwrap).collect()
}

fn number(row: &HashMap<String, String>, column: &str) -> f64 {
    row[column].parse().unwrap()
}

fn list(section: &Biquad) -> [f64; 5] {
    [section.b0, section.b1, section.b2, section.a1, section.a2]
}

/// Q of a width given as octaves or shelf slope. Source: Audio EQ Cookbook, W3C Working Group
/// Note, 8 June 2021, the formulas for alpha solved for Q (octaves with bilinear warping).
fn q(kind: &str, width: f64, gain_db: f64, omega_rad: f64) -> f64 {
    let a = 10f64.powf(gain_db / 40.0);
    match kind {
        "Q" => width,
        "BW" => 1.0 / (2.0 * (LN_2 / 2.0 * width * omega_rad / omega_rad.sin()).sinh()),
        "S" => 1.0 / ((a + 1.0 / a) * (1.0 / width - 1.0) + 2.0).sqrt(),
        other => panic!("{other}"),
    }
}

/// The reference was computed with 60 digits; the formulas in 64 bits lose a few of the last.
const COEFFICIENT: f64 = 1e-12;

#[test]
fn coefficients_and_gains_agree_with_those_of_sixty_digit_arithmetic() {
    let rows = rows("biquad_vectors.csv");
    assert_eq!(rows.len(), 26);
    for row in rows {
        let (rate_hz, f0_hz) = (number(&row, "fs_hz"), number(&row, "f0_hz"));
        let gain_db = number(&row, "gain_db");
        let omega_rad = 2.0 * PI * f0_hz / rate_hz;
        let q = q(
            &row["width_kind"],
            number(&row, "width_value"),
            gain_db,
            omega_rad,
        );
        // The library's bandpass has 0 dB at f0; the other form is Q times as large.
        let (kind, factor) = match row["type"].as_str() {
            "bandpass_0dB" => (Kind::BandPass, 1.0),
            "bandpass_skirt" => (Kind::BandPass, q),
            name => (Kind::from_name(name).unwrap(), 1.0),
        };
        let mut section = Stage {
            kind,
            f0_hz,
            gain_db,
            q,
        }
        .biquad(rate_hz);
        for b in [&mut section.b0, &mut section.b1, &mut section.b2] {
            *b *= factor;
        }
        for (got, name) in list(&section)
            .into_iter()
            .zip(["b0", "b1", "b2", "a1", "a2"])
        {
            let wanted = number(&row, name);
            assert!(
                (got - wanted).abs() < COEFFICIENT,
                "{name} {got} {wanted} {row:?}"
            );
        }
        // Printed with nine decimals; "-inf" at the notch, "nan" above half the rate.
        for (column, f_hz) in [("gain_at_f0_db", f0_hz), ("gain_at_2f0_db", 2.0 * f0_hz)] {
            let wanted = number(&row, column);
            let got = section.gain_db(2.0 * PI * f_hz / rate_hz);
            if wanted.is_finite() {
                assert!(
                    (got - wanted).abs() < 1e-8,
                    "{column} {got} {wanted} {row:?}"
                );
            } else if wanted.is_infinite() {
                // A coefficient rounded to 64 bits moves the zero a little.
                assert!(got < -80.0, "{column} {got} {row:?}");
            }
        }
    }
}

/// Two ways of ordering the same double arithmetic.
const ORDER_OF_ARITHMETIC: f64 = 2e-14;

#[test]
fn coefficients_agree_with_a_general_purpose_library_over_the_whole_range() {
    for rate_hz in [44100.0, 48000.0, 192000.0] {
        for f0_hz in [10.0, 63.0, 1000.0, 7777.0, 21000.0] {
            for q in [0.1, 0.7, 5.0, 50.0] {
                for gain_db in [-24.0, -0.1, 3.0, 24.0] {
                    for kind in Kind::ALL {
                        let (theirs, factor) = match kind {
                            Kind::Peaking => (Type::PeakingEQ(gain_db), 1.0),
                            Kind::LowShelf => (Type::LowShelf(gain_db), 1.0),
                            Kind::HighShelf => (Type::HighShelf(gain_db), 1.0),
                            Kind::HighPass => (Type::HighPass, 1.0),
                            Kind::LowPass => (Type::LowPass, 1.0),
                            // Theirs is the form with constant skirt.
                            Kind::BandPass => (Type::BandPass, q),
                            Kind::Notch => (Type::Notch, 1.0),
                            Kind::AllPass => (Type::AllPass, 1.0),
                        };
                        let stage = Stage {
                            kind,
                            f0_hz,
                            gain_db,
                            q,
                        };
                        let ours = stage.biquad(rate_hz);
                        let theirs =
                            Coefficients::from_normalized_params(theirs, 2.0 * f0_hz / rate_hz, q)
                                .unwrap();
                        let theirs = [theirs.b0, theirs.b1, theirs.b2, theirs.a1, theirs.a2];
                        let ours = [
                            factor * ours.b0,
                            factor * ours.b1,
                            factor * ours.b2,
                            ours.a1,
                            ours.a2,
                        ];
                        let scale = theirs.iter().fold(1.0, |m: f64, v| m.max(v.abs()));
                        for (a, b) in ours.iter().zip(theirs) {
                            assert!(
                                (a - b).abs() < ORDER_OF_ARITHMETIC * scale,
                                "{stage:?} at {rate_hz}: {ours:?} {theirs:?}"
                            );
                        }
                    }
                }
            }
        }
    }
}

/// Parameters of the two stages of ITU-R BS.1770 Annex 1 by inverting the bilinear transform:
/// pole frequency in Hz, gain in dB, Q.
const SHELF: (f64, f64, f64) = (1_681.974_450_955_53, 3.999_843_854, 0.707_175_236_957);
const HIGH_PASS: (f64, f64) = (38.135_470_876, 0.500_327_037_325);

/// The shelf as the cookbook parametrises it: its frequency of half the gain is the pole
/// frequency divided by the square root of A, in the prewarped domain.
fn k_shelf(rate_hz: f64) -> Biquad {
    let (pole_hz, gain_db, q) = SHELF;
    let root_a = 10f64.powf(gain_db / 80.0);
    Stage {
        kind: Kind::HighShelf,
        f0_hz: rate_hz / PI * ((PI * pole_hz / rate_hz).tan() / root_a).atan(),
        gain_db,
        q,
    }
    .biquad(rate_hz)
}

fn k_high_pass(rate_hz: f64) -> Biquad {
    Stage {
        kind: Kind::HighPass,
        f0_hz: HIGH_PASS.0,
        gain_db: 0.0,
        q: HIGH_PASS.1,
    }
    .biquad(rate_hz)
}

fn published(rate_hz: &str, stage: &str) -> Biquad {
    let rows = rows("bs1770_coeffs.csv");
    let row = rows
        .iter()
        .find(|row| row["fs_hz"] == rate_hz && row["stage"] == stage)
        .unwrap();
    Biquad {
        b0: number(row, "b0"),
        b1: number(row, "b1"),
        b2: number(row, "b2"),
        a1: number(row, "a1"),
        a2: number(row, "a2"),
    }
}

/// Levels of the reference are printed with nine decimals.
const PRINTED_DB: f64 = 1e-8;

/// The published shelf is no cookbook shelf to the last digit: its mid-band factor is not
/// exactly the square root of its gain. 0.00133 dB at most, at 1.34 kHz.
const SHELF_DIFFERENCE_DB: f64 = 0.0014;

#[test]
fn k_weighting_comes_out_of_the_published_coefficients_and_of_the_cookbook_stages() {
    let (shelf, high_pass) = (published("48000", "1"), published("48000", "2"));
    let rows = rows("bs1770.csv");
    assert_eq!(rows.len(), 35);
    let mut largest_db: f64 = 0.0;
    for row in rows {
        let omega_rad = 2.0 * PI * number(&row, "freq_hz") / 48000.0;
        let near = |got: f64, column: &str| {
            let wanted = number(&row, column);
            assert!(
                (got - wanted).abs() < PRINTED_DB,
                "{column} {got} {wanted} {row:?}"
            );
        };
        near(shelf.gain_db(omega_rad), "stage1_db");
        near(high_pass.gain_db(omega_rad), "stage2_db");
        near(
            shelf.gain_db(omega_rad) + high_pass.gain_db(omega_rad),
            "k_weight_db",
        );
        near(k_shelf(48000.0).gain_db(omega_rad), "rbj_stage1_db");
        near(
            k_high_pass(48000.0).gain_db(omega_rad),
            "rbj_stage2_db_unity_hf",
        );
        let difference_db = k_shelf(48000.0).gain_db(omega_rad) - shelf.gain_db(omega_rad);
        largest_db = largest_db.max(difference_db.abs());
        // The Recommendation leaves the numerator 1, -2, 1: a constant 0.043277147 dB.
        let offset_db = high_pass.gain_db(omega_rad) - k_high_pass(48000.0).gain_db(omega_rad);
        assert!((offset_db - 0.043_277_147).abs() < PRINTED_DB);
    }
    assert!(
        largest_db < SHELF_DIFFERENCE_DB && largest_db > 0.001,
        "{largest_db}"
    );
    // At 997 Hz the K gain is 0.691 dB, the offset in the Recommendation's loudness formula.
    let omega_rad = 2.0 * PI * 997.0 / 48000.0;
    assert!((shelf.gain_db(omega_rad) + high_pass.gain_db(omega_rad) - 0.691).abs() < 1e-4);
}

#[test]
fn the_same_analog_filters_come_out_at_other_rates() {
    for rate in ["44100", "96000"] {
        let rate_hz: f64 = rate.parse().unwrap();
        let (shelf, high_pass) = (published(rate, "1"), published(rate, "2"));
        let ours = k_high_pass(rate_hz);
        assert!((ours.a1 - high_pass.a1).abs() < 1e-11 && (ours.a2 - high_pass.a2).abs() < 1e-11);
        for i in 1..200 {
            let omega_rad = PI * f64::from(i) / 200.0;
            let difference_db = k_shelf(rate_hz).gain_db(omega_rad) - shelf.gain_db(omega_rad);
            assert!(
                difference_db.abs() < SHELF_DIFFERENCE_DB,
                "{rate} {difference_db}"
            );
        }
    }
}

/// Length of the spectrum; the slowest section below has fallen by 220 dB at its end.
const SAMPLES: usize = 1 << 16;

/// What 65,536 sums of double arithmetic may lose, relative to the largest value.
const SPECTRUM: f64 = 1e-9;

#[test]
fn the_response_by_formula_is_the_spectrum_of_the_filtered_impulse() {
    let stages = [
        (Kind::Peaking, 100.0, -6.0, 4.0),
        (Kind::LowShelf, 80.0, 5.0, 0.8),
        (Kind::HighShelf, 9000.0, -3.0, 0.7),
        (Kind::HighPass, 40.0, 0.0, 1.3),
        (Kind::LowPass, 17000.0, 0.0, 0.6),
        (Kind::BandPass, 1000.0, 0.0, 0.5),
        (Kind::Notch, 2500.0, 0.0, 3.0),
        (Kind::AllPass, 600.0, 0.0, 1.0),
    ]
    .map(|(kind, f0_hz, gain_db, q)| Stage {
        kind,
        f0_hz,
        gain_db,
        q,
    });
    let all = stages.to_vec();
    let banks = stages
        .iter()
        .map(|stage| vec![*stage])
        .chain([all])
        .map(|set| Bank {
            rate_hz: 48000.0,
            gain_db: -4.5,
            sections: set.iter().map(|stage| stage.biquad(48000.0)).collect(),
        });
    let transform = realfft::RealFftPlanner::<f64>::new().plan_fft_forward(SAMPLES);
    for bank in banks {
        let mut impulse = vec![0.0; SAMPLES];
        impulse[0] = 1.0;
        let mut output = bank.run(&impulse);
        let mut spectrum = transform.make_output_vec();
        transform.process(&mut output, &mut spectrum).unwrap();
        let largest = spectrum.iter().fold(0.0, |m: f64, v| m.max(v.norm()));
        for (bin, value) in spectrum.iter().enumerate() {
            let f_hz = 48000.0 * bin as f64 / SAMPLES as f64;
            let wanted = bank.response(f_hz);
            // Component by component: two versions of the complex type may meet here.
            let away = (wanted.re - value.re).hypot(wanted.im - value.im);
            assert!(away < SPECTRUM * largest, "{f_hz} {wanted} {value}");
            if value.norm() > 1e-3 * largest {
                let gain_db = 20.0 * value.norm().log10();
                assert!((bank.gain_at_db(f_hz) - gain_db).abs() < 1e-5);
            }
        }
    }
}

#[test]
fn stability_and_pole_radius_agree_with_numerical_roots() {
    let rows = rows("stability.csv");
    assert_eq!(rows.len(), 18);
    for row in rows {
        let section = Biquad {
            a1: number(&row, "a1"),
            a2: number(&row, "a2"),
            ..Biquad::THROUGH
        };
        assert_eq!(
            section.is_stable().to_string(),
            row["stable"],
            "{row:?}, on the edge is not stable"
        );
        let wanted = number(&row, "max_pole_radius");
        // Printed with twelve decimals.
        assert!(
            (section.poles().radius - wanted).abs() < 1e-12,
            "{row:?} {:?}",
            section.poles()
        );
    }
}

#[test]
fn fixed_point_words_agree_with_integer_arithmetic_and_what_does_not_fit_is_refused() {
    let (mut held, mut refused) = (0, 0);
    for row in rows("qformat.csv") {
        let name = row["format"].strip_prefix('Q').unwrap();
        let format = Number::from_name(&format!("fixed {name}")).unwrap();
        let quantised = format.quantise(number(&row, "value"));
        // The reference saturates; a coefficient that saturates is another filter, so ours is
        // refused instead.
        if row["saturated"] == "true" {
            assert_eq!(quantised, None, "{row:?}");
            refused += 1;
        } else {
            let digits = word_digits(format);
            let word = word(format, quantised.unwrap()).unwrap();
            assert_eq!(format!("0x{word:0digits$X}"), row["hex"], "{row:?}");
            held += 1;
        }
    }
    assert!(held > 25 && refused > 5, "{held} {refused}");
}

#[test]
fn halves_are_rounded_away_from_zero_so_that_both_signs_round_alike() {
    // The reference rounds halves up, which no row of it shows. Away from zero a negated
    // coefficient rounds to the negated word, so both sign conventions hold the same filter.
    let format = Number::from_name("fixed 5.3").unwrap();
    assert_eq!(format.quantise(0.0625), Some(0.125));
    assert_eq!(format.quantise(-0.0625), Some(-0.125));
    for row in rows("qformat.csv") {
        let fraction_bits: i32 = row["format"].split_once('.').unwrap().1.parse().unwrap();
        let steps = number(&row, "value") * 2f64.powi(fraction_bits);
        assert!(steps.fract().abs() != 0.5, "{row:?}");
    }
}

#[test]
fn auditory_bands_agree_with_the_published_formulas() {
    let rows = rows("erb.csv");
    assert!(rows.len() > 20);
    for row in rows {
        let f_hz = number(&row, "f_hz");
        // Printed with nine decimals.
        assert!((erb_hz(f_hz) - number(&row, "erb_hz")).abs() < 1e-9);
        assert!((erb_number(f_hz) - number(&row, "erb_number")).abs() < 1e-9);
    }
}
