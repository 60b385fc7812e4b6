//! Filter mathematics and units against numbers from outside the project.

use biquad::{Coefficients, ToHertz, Type};
use num_complex::Complex64;
use planish::filter::{Bank, Biquad, Kind, Stage};
use planish::units::{erb_hz, erb_number};
use realfft::RealFftPlanner;
use std::collections::HashMap;
use std::f64::consts::{LN_2, PI};
use std::fs;

/// Rows of a reference table by column name; lines that begin with `#` are passed over.
fn rows(file: &str) -> Vec<HashMap<String, String>> {
    let text = fs::read_to_string(format!("tests/data/{file}")).unwrap();
    let mut lines = text.lines().filter(|line| !line.starts_with('#'));
    let names: Vec<&str> = lines.next().unwrap().split(',').collect();
    lines
        .map(|line| {
            names
                .iter()
                .map(|name| name.to_string())
                .zip(line.split(',').map(str::to_string))
                .collect()
        })
        .collect()
}

fn number(row: &HashMap<String, String>, name: &str) -> f64 {
    row[name].parse().unwrap()
}

fn largest_difference(a: &Biquad, b: &Biquad) -> f64 {
    [
        a.b0 - b.b0,
        a.b1 - b.b1,
        a.b2 - b.b2,
        a.a1 - b.a1,
        a.a2 - b.a2,
    ]
    .into_iter()
    .fold(0.0, |worst, d| worst.max(d.abs()))
}

fn coefficients(row: &HashMap<String, String>) -> Biquad {
    Biquad {
        b0: number(row, "b0"),
        b1: number(row, "b1"),
        b2: number(row, "b2"),
        a1: number(row, "a1"),
        a2: number(row, "a2"),
    }
}

/// Q from the width a reference row states.
///
/// Source: Audio EQ Cookbook, W3C Working Group Note, 8 June 2021: the three forms of alpha;
/// `1/Q = 2 sinh(ln2/2 BW w0/sin w0)` and `1/Q = sqrt((A + 1/A)(1/S - 1) + 2)`.
fn q_of(row: &HashMap<String, String>) -> f64 {
    let width = number(row, "width_value");
    let w0 = 2.0 * PI * number(row, "f0_hz") / number(row, "fs_hz");
    let a = 10f64.powf(number(row, "gain_db") / 40.0);
    match row["width_kind"].as_str() {
        "Q" => width,
        "BW" => 0.5 / (0.5 * LN_2 * width * w0 / w0.sin()).sinh(),
        "S" => 1.0 / ((a + 1.0 / a) * (1.0 / width - 1.0) + 2.0).sqrt(),
        other => panic!("width {other}"),
    }
}

/// Coefficients were computed with 60 digits and rounded to double.
const COEFFICIENT: f64 = 1e-12;

/// The gains in the table are printed to 1e-9 dB.
const PRINTED_DB: f64 = 6e-10;

/// Source: `tests/data/biquad_vectors.csv`, 60-digit arithmetic, checked there against the
/// bilinear transform of the analogue prototype.
#[test]
fn biquads_are_those_of_the_reference_vectors() {
    let mut checked = 0;
    for row in rows("biquad_vectors.csv") {
        let kind = match row["type"].as_str() {
            "bandpass_0dB" => Kind::BandPass,
            // The other gain convention of the bandpass; not one of our types.
            "bandpass_skirt" => continue,
            name => Kind::from_name(name).unwrap(),
        };
        let stage = Stage {
            kind,
            f0_hz: number(&row, "f0_hz"),
            gain_db: number(&row, "gain_db"),
            q: q_of(&row),
        };
        let rate_hz = number(&row, "fs_hz");
        let ours = stage.biquad(rate_hz);
        let difference = largest_difference(&ours, &coefficients(&row));
        assert!(difference <= COEFFICIENT, "{row:?}: {difference:e}");
        for (name, f_hz) in [
            ("gain_at_f0_db", stage.f0_hz),
            ("gain_at_2f0_db", 2.0 * stage.f0_hz),
        ] {
            let Ok(wanted_db) = row[name].parse::<f64>() else {
                continue;
            };
            // A notch prints the depth of its rounding at f0.
            if f_hz < 0.5 * rate_hz && wanted_db > -100.0 {
                let got_db = ours.gain_db(2.0 * PI * f_hz / rate_hz);
                assert!((got_db - wanted_db).abs() < PRINTED_DB, "{row:?}: {got_db}");
            }
        }
        checked += 1;
    }
    assert_eq!(checked, 25);
}

/// Source: the crate `biquad`, an independent implementation of the cookbook.
#[test]
fn biquads_are_those_of_an_independent_implementation() {
    let mut worst = 0f64;
    for rate_hz in [44_100.0, 48_000.0, 96_000.0] {
        for f0_hz in [20.0, 315.0, 1000.0, 8000.0, 20_000.0] {
            for q in [0.3, 0.75, 2.0, 10.0] {
                for gain_db in [-18.0, -0.5, 0.0, 6.0] {
                    let both = [
                        (Kind::Peaking, Type::PeakingEQ(gain_db)),
                        (Kind::LowShelf, Type::LowShelf(gain_db)),
                        (Kind::HighShelf, Type::HighShelf(gain_db)),
                        (Kind::LowPass, Type::LowPass),
                        (Kind::HighPass, Type::HighPass),
                        (Kind::Notch, Type::Notch),
                        (Kind::AllPass, Type::AllPass),
                    ];
                    for (kind, theirs) in both {
                        let stage = Stage {
                            kind,
                            f0_hz,
                            gain_db: if kind.has_gain() { gain_db } else { 0.0 },
                            q,
                        };
                        let c =
                            Coefficients::<f64>::from_params(theirs, rate_hz.hz(), f0_hz.hz(), q)
                                .unwrap();
                        let theirs = Biquad {
                            b0: c.b0,
                            b1: c.b1,
                            b2: c.b2,
                            a1: c.a1,
                            a2: c.a2,
                        };
                        let difference = largest_difference(&stage.biquad(rate_hz), &theirs);
                        worst = worst.max(difference);
                        assert!(difference < COEFFICIENT, "{stage:?} {difference:e}");
                    }
                }
            }
        }
    }
    assert!(
        worst > 0.0,
        "two implementations never round alike everywhere"
    );
}

/// The pole frequency of the shelf's published table, Hz, and its further parameters.
///
/// Source: inverted bilinear transform of ITU-R BS.1770, Annex 1, table 1; the values agree
/// with an unofficial write-up of the filters and rebuild the table to 4.4e-16.
const SHELF_POLE_HZ: f64 = 1_681.974_450_955_53;
const SHELF_GAIN_DB: f64 = 3.999_843_854;
const SHELF_Q: f64 = 0.707_175_236_955;

/// The same for the highpass of table 2.
const HIGHPASS_HZ: f64 = 38.135_470_876;
const HIGHPASS_Q: f64 = 0.500_327_037_325;

/// The frequency of a row of `bs1770.csv` in radians per sample: printed with ten digits, it
/// stands for an exact base-10 third octave or for 997 Hz.
fn omega_of(row: &HashMap<String, String>, rate_hz: f64) -> f64 {
    let printed_hz = number(row, "freq_hz");
    let exact_hz = 1000.0 * 10f64.powf((10.0 * (printed_hz / 1000.0).log10()).round() / 10.0);
    let f_hz = if (exact_hz / printed_hz - 1.0).abs() < 1e-9 {
        exact_hz
    } else {
        printed_hz
    };
    2.0 * PI * f_hz / rate_hz
}

fn published(stage: &str) -> Biquad {
    let row = rows("bs1770_coeffs.csv")
        .into_iter()
        .find(|row| row["origin"] == "published" && row["stage"] == stage)
        .unwrap();
    coefficients(&row)
}

/// Source: ITU-R BS.1770, Annex 1, table 1. A cookbook shelf has its gain of half way (in dB)
/// where the poles lie times or over the square root of A; for the high shelf it is over, in the
/// prewarped domain. The middle coefficient of the published numerator is not exactly the root
/// of the gain, which leaves 0.00133 dB.
#[test]
fn the_k_weighting_shelf_is_the_cookbook_shelf() {
    const SHELF_DB: f64 = 0.00134;
    let a = 10f64.powf(SHELF_GAIN_DB / 40.0);
    let rate_hz = 48_000.0;
    let f0_hz = rate_hz / PI * ((PI * SHELF_POLE_HZ / rate_hz).tan() / a.sqrt()).atan();
    assert!((f0_hz - 1500.312304).abs() < 1e-5, "{f0_hz}");
    let ours = Stage {
        kind: Kind::HighShelf,
        f0_hz,
        gain_db: SHELF_GAIN_DB,
        q: SHELF_Q,
    }
    .biquad(rate_hz);
    let table = published("1");
    let mut worst_db = 0f64;
    for row in rows("bs1770.csv") {
        let omega_rad = omega_of(&row, rate_hz);
        assert!((ours.gain_db(omega_rad) - number(&row, "rbj_stage1_db")).abs() < 1e-6);
        assert!((table.gain_db(omega_rad) - number(&row, "stage1_db")).abs() < PRINTED_DB);
        worst_db = worst_db.max((ours.gain_db(omega_rad) - table.gain_db(omega_rad)).abs());
    }
    assert!(worst_db < SHELF_DB, "{worst_db}");
    assert!(
        worst_db > 0.001,
        "the known difference is there: {worst_db}"
    );
}

/// Source: ITU-R BS.1770, Annex 1, table 2: the same poles; its numerator is left at 1, -2, 1,
/// so that it lies 0.043277147 dB above the cookbook's highpass everywhere.
#[test]
fn the_k_weighting_highpass_is_the_cookbook_highpass() {
    let rate_hz = 48_000.0;
    let ours = Stage {
        kind: Kind::HighPass,
        f0_hz: HIGHPASS_HZ,
        gain_db: 0.0,
        q: HIGHPASS_Q,
    }
    .biquad(rate_hz);
    let table = published("2");
    assert!((ours.a1 - table.a1).abs() < COEFFICIENT);
    assert!((ours.a2 - table.a2).abs() < COEFFICIENT);
    for row in rows("bs1770.csv") {
        let omega_rad = omega_of(&row, rate_hz);
        let above_db = table.gain_db(omega_rad) - ours.gain_db(omega_rad);
        assert!((above_db - 0.043277147).abs() < 2e-9, "{above_db}");
        let stage2_db = number(&row, "stage2_db");
        assert!((table.gain_db(omega_rad) - stage2_db).abs() < PRINTED_DB);
    }
}

/// Source: ITU-R BS.1770: a 997 Hz sine at 0 dBFS in one channel reads -3.01 LKFS with the
/// offset of -0.691, so the weighting is +0.691 dB there.
#[test]
fn the_k_weighting_is_0_691_db_at_997_hz() {
    let bank = Bank {
        rate_hz: 48_000.0,
        gain_db: 0.0,
        sections: vec![published("1"), published("2")],
    };
    assert!((bank.gain_at_db(997.0) - 0.691).abs() < 5e-4);
    for row in rows("bs1770.csv") {
        let got_db = bank.gain_at_db(omega_of(&row, 1.0) / (2.0 * PI));
        assert!((got_db - number(&row, "k_weight_db")).abs() < 2.0 * PRINTED_DB);
    }
}

/// Against the spectrum of the impulse that was run through the sections sample by sample, by
/// the FFT of `realfft`.
#[test]
fn the_formula_is_the_spectrum_of_the_filtered_impulse() {
    const LENGTH: usize = 1 << 16;
    let stages = [
        (Kind::Peaking, 120.0, -7.0, 4.0),
        (Kind::LowShelf, 200.0, 4.0, 0.7),
        (Kind::HighShelf, 5000.0, -3.0, 0.8),
        (Kind::HighPass, 45.0, 0.0, 0.9),
        (Kind::LowPass, 18_000.0, 0.0, 0.6),
        (Kind::AllPass, 900.0, 0.0, 2.0),
    ];
    let bank = Bank {
        rate_hz: 48_000.0,
        gain_db: -4.2,
        sections: stages
            .map(|(kind, f0_hz, gain_db, q)| {
                Stage {
                    kind,
                    f0_hz,
                    gain_db,
                    q,
                }
                .biquad(48_000.0)
            })
            .to_vec(),
    };
    let mut impulse = vec![0.0; LENGTH];
    impulse[0] = 1.0;
    let mut output = bank.run(&impulse);
    // The slowest pole (120 Hz, Q of about 6) has fallen below 1e-150 by the end.
    let fft = RealFftPlanner::<f64>::new().plan_fft_forward(LENGTH);
    let mut spectrum = fft.make_output_vec();
    fft.process(&mut output, &mut spectrum).unwrap();
    for (i, bin) in spectrum.iter().enumerate().take(LENGTH / 2).skip(1) {
        let f_hz = 48_000.0 * i as f64 / LENGTH as f64;
        let bin = Complex64::new(bin.re, bin.im);
        let formula = bank.response(f_hz);
        assert!((bin - formula).norm() < 1e-11, "{f_hz}: {bin} {formula}");
        let level_db = 20.0 * formula.norm().log10();
        // Outside this range highpass and lowpass leave the complex form too few digits.
        if (20.0..20_000.0).contains(&f_hz) {
            assert!((level_db - bank.gain_at_db(f_hz)).abs() < 1e-9, "{f_hz}");
        }
    }
}

/// Peaking at +g and -g with one Q are exact inverses; shelves have half their gain at f0.
/// Source: properties of the cookbook's prototypes, by hand.
#[test]
fn peaking_inverts_itself_and_shelves_halve() {
    for f0_hz in [30.0, 1000.0, 15_000.0] {
        let stage = |kind, gain_db| {
            Stage {
                kind,
                f0_hz,
                gain_db,
                q: 0.8,
            }
            .biquad(48_000.0)
        };
        let (boost, cut) = (stage(Kind::Peaking, 5.0), stage(Kind::Peaking, -5.0));
        let low = stage(Kind::LowShelf, 5.0);
        let high = stage(Kind::HighShelf, 5.0);
        let omega0_rad = 2.0 * PI * f0_hz / 48_000.0;
        assert!((low.gain_db(omega0_rad) - 2.5).abs() < 1e-9);
        assert!((high.gain_db(omega0_rad) - 2.5).abs() < 1e-9);
        for i in 1..100 {
            let omega_rad = PI * f64::from(i) / 100.0;
            assert!((boost.response(omega_rad) * cut.response(omega_rad) - 1.0).norm() < 1e-9);
        }
    }
}

/// Source: `tests/data/stability.csv`, pole radii by `numpy.roots`; a pole on the circle counts
/// as unstable.
#[test]
fn stability_is_told_from_the_triangle_and_from_the_poles() {
    let all = rows("stability.csv");
    assert_eq!(all.len(), 18);
    for row in all {
        let section = Biquad {
            a1: number(&row, "a1"),
            a2: number(&row, "a2"),
            ..Biquad::THROUGH
        };
        assert_eq!(section.is_stable(), row["stable"] == "true", "{row:?}");
        // Double poles lose half their digits.
        let radius = section.poles().radius;
        assert!(
            (radius - number(&row, "max_pole_radius")).abs() < 2e-8,
            "{row:?}: {radius}"
        );
    }
}

/// Source: Glasberg and Moore 1990, eqs. 3 and 4, evaluated in `tests/data/erb.csv`.
#[test]
fn auditory_bands_are_those_of_the_reference() {
    let all = rows("erb.csv");
    assert!(all.len() > 20);
    for row in all {
        let f_hz = number(&row, "f_hz");
        assert!((erb_hz(f_hz) - number(&row, "erb_hz")).abs() < PRINTED_DB);
        assert!((erb_number(f_hz) - number(&row, "erb_number")).abs() < PRINTED_DB);
    }
}
