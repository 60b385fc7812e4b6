//! What a device with knobs costs: the continuous optimum, its settings rounded each on its own,
//! and the search on the grid, over made-up curves.
//!
//! `cargo run --release --example fit_knobs -- [curves] [first seed]`
//!
//! Third-octave centres, half-decibel steps, seven values of Q, seven stages. Seeds from 100000
//! had no say while the search was written.

#[path = "../tests/fit_problems/mod.rs"]
mod fit_problems;

use fit_problems::{Class, Draw, knobs, rows};
use planish::fit::{Options, Wanted, fit};
use std::time::Instant;

/// Stages that a receiver with knobs typically has.
const STAGES: usize = 7;
/// The bar: where rounding leaves more than so many times what the continuous optimum leaves,
/// the grid leaves no more than that.
const BAR: f64 = 1.5;

/// Four broad bumps anywhere between the knobs: what a speaker with little wrong asks for.
fn broad_db(seed: u64, freqs_hz: &[f64]) -> Vec<f64> {
    let mut draw = Draw(seed);
    let bumps: Vec<[f64; 3]> = (0..4)
        .map(|_| {
            let at_hz = draw.ratio(40.0, 12000.0);
            let size_db = draw.sign() * draw.between(2.0, 7.0);
            [at_hz, size_db, draw.ratio(0.3, 1.0)]
        })
        .collect();
    let value = |f: &f64| {
        bumps
            .iter()
            .map(|[at_hz, size_db, width_oct]| {
                size_db * (-((f / at_hz).log2() / width_oct).powi(2)).exp()
            })
            .sum()
    };
    freqs_hz.iter().map(value).collect()
}

fn main() {
    let number = |i: usize| std::env::args().nth(i).and_then(|a| a.parse().ok());
    let (curves, first) = (number(1).unwrap_or(20), number(2).unwrap_or(100_000));
    let freqs_hz = rows(240);
    let weights = vec![1.0; freqs_hz.len()];
    let (device, options) = (
        knobs(STAGES),
        Options {
            stages: Some(STAGES),
            ..Options::default()
        },
    );
    println!("class seed continuous_db rounded_db grid_db rounded_ratio grid_ratio ms");
    for class in [
        None,
        Some(Class::Recoverable),
        Some(Class::Wish),
        Some(Class::Waves),
    ] {
        let name = class.map_or("broad", Class::name);
        let (mut needed, mut met, mut worse, mut worst) = (0, 0, 0, 0.0f64);
        for seed in first..first + curves {
            let gain_db = match class {
                None => broad_db(seed, &freqs_hz),
                Some(class) => class.curve(seed, &freqs_hz),
            };
            let wanted = Wanted {
                freqs_hz: &freqs_hz,
                gain_db: &gain_db,
                weights: &weights,
            };
            let begun = Instant::now();
            let fit = fit(&wanted, &device, &options).expect("curve and device are sound");
            let ms = begun.elapsed().as_secs_f64() * 1e3;
            let rounded_db = fit.rounded_rms_db.unwrap_or(f64::NAN);
            let ratio = |rms_db: f64| rms_db / fit.continuous_rms_db;
            println!(
                "{name} {seed} {:.4} {rounded_db:.4} {:.4} {:.3} {:.3} {ms:.0}",
                fit.continuous_rms_db,
                fit.rms_db,
                ratio(rounded_db),
                ratio(fit.rms_db)
            );
            worst = worst.max(ratio(fit.rms_db));
            worse += u64::from(fit.rms_db > rounded_db);
            if ratio(rounded_db) > BAR {
                needed += 1;
                met += u64::from(ratio(fit.rms_db) <= BAR);
            }
        }
        println!(
            "# {name}: rounding leaves more than {BAR} times on {needed} of {curves}, the grid no \
             more than that on {met} of these; worst {worst:.3}; worse than rounding on {worse}"
        );
    }
}
