//! Coefficient words against errors of plain rounding computed elsewhere.

use planish::device::Number;
use planish::filter::{Biquad, Kind, Stage};
use planish::fit::{held, words};
use std::f64::consts::PI;

/// Largest error between 5 Hz and 0.49 of the rate on 6000 log-spaced points, dB: the rule of
/// the table's first line.
fn largest_error_db(held: &Biquad, wanted: &Biquad, rate_hz: f64) -> f64 {
    (0..6000)
        .map(|i| {
            let f_hz = 5.0 * (0.49 * rate_hz / 5.0).powf(f64::from(i) / 5999.0);
            let omega_rad = 2.0 * PI * f_hz / rate_hz;
            (held.gain_db(omega_rad) - wanted.gain_db(omega_rad)).abs()
        })
        .fold(0.0, f64::max)
}

struct Row {
    rate_hz: f64,
    stage: Stage,
    number: Number,
    error_db: f64,
}

fn rows() -> Vec<Row> {
    include_str!("data/fixed_point_error.csv")
        .lines()
        .filter(|line| line.starts_with(|c: char| c.is_ascii_digit()))
        .map(|line| {
            let fields: Vec<&str> = line.split(',').collect();
            let number = |i: usize| fields[i].parse::<f64>().unwrap();
            Row {
                rate_hz: number(0),
                stage: Stage {
                    kind: Kind::Peaking,
                    f0_hz: number(1),
                    q: number(2),
                    gain_db: number(3),
                },
                number: Number::Fixed {
                    integer_bits: 5,
                    fraction_bits: number(4) as u32,
                },
                error_db: number(5),
            }
        })
        .collect()
}

#[test]
fn rounded_coefficients_are_wrong_by_what_extended_precision_says() {
    // tests/data/fixed_point_error.csv, computed with 80-bit floating point.
    let rows = rows();
    assert_eq!(rows.len(), 120);
    for row in rows {
        let wanted = row.stage.biquad(row.rate_hz);
        let round = |c: f64| row.number.quantise(c).unwrap();
        let rounded = Biquad {
            b0: round(wanted.b0),
            b1: round(wanted.b1),
            b2: round(wanted.b2),
            a1: round(wanted.a1),
            a2: round(wanted.a2),
        };
        let error_db = largest_error_db(&rounded, &wanted, row.rate_hz);
        // Six digits are printed; double precision adds some 1e-7 dB at the lowest f0.
        assert!(
            (error_db - row.error_db).abs() < 1e-5 * row.error_db + 1e-6,
            "{:?}: {error_db}, table {}",
            row.stage,
            row.error_db
        );
    }
}

#[test]
fn searched_words_beat_rounded_ones_and_a_stage_moved_within_a_step_is_held() {
    let (mut searched_db, mut rounded_db): (f64, f64) = (0.0, 0.0);
    for row in rows() {
        let own = words(&row.stage, row.rate_hz, row.number).unwrap();
        assert!(own.stable && own.largest_error_db <= own.rounded_error_db);
        if row.error_db > 0.02 {
            searched_db += own.largest_error_db.ln();
            rounded_db += own.rounded_error_db.ln();
        }
        let (moved, words) = held(&row.stage, row.rate_hz, row.number).unwrap();
        println!(
            "{} {:?} {} Hz: rounded {:.4}, searched {:.4}, moved to {} {:.4}",
            row.rate_hz,
            row.number,
            row.stage.f0_hz,
            own.rounded_error_db,
            own.largest_error_db,
            moved.f0_hz,
            words.largest_error_db
        );
        // Even 20 Hz with 22 bits at 96 kHz: 7 steps, f0 within a tenth of itself.
        assert!(words.hold(), "{:?} {words:?}", row.stage);
        assert!((moved.f0_hz / row.stage.f0_hz).ln().abs() < 0.1);
    }
    assert!(searched_db < rounded_db);
}
