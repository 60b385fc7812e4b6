//! Time of the fit over rows and stages: `cargo bench --bench fit`.
//!
//! Prints the median over a few curves in milliseconds; a fit runs two threads. It should grow linearly with
//! the rows at most, and at most with the square of the stages.

#[path = "../tests/fit_problems/mod.rs"]
mod fit_problems;

use fit_problems::{device, rows};
use planish::fit::{Options, Wanted, fit};
use std::time::Instant;

/// Curves timed for each entry of the table.
const CURVES: usize = 5;

/// Waves over log frequency that no number of stages meets.
fn gain_db(f_hz: f64, curve: usize) -> f64 {
    let turn = 1.7 * curve as f64;
    3.0 * (2.1 * f_hz.ln() + turn).sin()
        + 2.0 * (5.3 * f_hz.ln() - turn).sin()
        + (11.0 * f_hz.ln()).cos()
}

fn main() {
    println!(
        "{:>6} {:>9} {:>9} {:>9}",
        "rows", "5 stages", "10 stages", "20 stages"
    );
    for count in [120, 240, 480, 960, 1920] {
        let freqs_hz = rows(count);
        let weights = vec![1.0; freqs_hz.len()];
        print!("{count:>6}");
        for stages in [5, 10, 20] {
            let (device, options) = (
                device(stages),
                Options {
                    stages: Some(stages),
                    ..Options::default()
                },
            );
            let mut times_ms: Vec<f64> = (0..CURVES)
                .map(|curve| {
                    let gain_db: Vec<f64> = freqs_hz.iter().map(|f| gain_db(*f, curve)).collect();
                    let wanted = Wanted {
                        freqs_hz: &freqs_hz,
                        gain_db: &gain_db,
                        weights: &weights,
                    };
                    let begun = Instant::now();
                    let fit = fit(&wanted, &device, &options)
                        .expect("the curve and the device are sound");
                    assert!(fit.rms_db > 0.0);
                    begun.elapsed().as_secs_f64() * 1e3
                })
                .collect();
            times_ms.sort_by(f64::total_cmp);
            print!(" {:>9.1}", times_ms[CURVES / 2]);
        }
        println!();
    }
}
