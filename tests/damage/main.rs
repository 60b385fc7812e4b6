//! Valid inputs of every kind, damaged at random by the hundred in the suite and by the ten
//! thousand when asked:
//!
//!     PLANISH_DAMAGE=20000 cargo test --release --test damage -- --nocapture
//!
//! Whatever the damage, there is no panic, no reading beyond 2 s of processor time or 512 MiB, and
//! either a result whose numbers are all finite or an error that names file and place.

mod harm;
mod sound;
mod trial;
#[path = "../written_sofa/mod.rs"]
mod written_sofa;

use harm::{Dice, harmed};
use peak_alloc::PeakAlloc;
use sound::Kind;
use std::collections::BTreeMap;
use trial::{Outcome, tried};

/// Counts what is allocated and what was most.
#[global_allocator]
static MEMORY: PeakAlloc = PeakAlloc;

/// The bars. Source: issue 8.
const MOST_S: f64 = 2.0;
const MOST_BYTES: usize = 512 << 20;
const PLACED: f64 = 0.95;

/// A plan is made of every so many of the speakers that were read in spite of their damage; the
/// rest are read and averaged only.
const PLANNED_ONE_IN: usize = 7;

#[test]
fn damage_of_any_kind_ends_in_a_result_or_an_error_that_names_its_place() {
    let rounds: usize = std::env::var("PLANISH_DAMAGE")
        .ok()
        .and_then(|count| count.parse().ok())
        .unwrap_or(420);
    let seed = std::env::var("PLANISH_SEED")
        .ok()
        .and_then(|seed| seed.parse().ok())
        .unwrap_or(8);
    // What panics is told by its seed; the usual words would fill the screen.
    let mut dice = Dice::new(seed);
    let kinds = Kind::all();
    let mut tally: BTreeMap<&str, [usize; 4]> = BTreeMap::new();
    let mut unplaced: BTreeMap<String, usize> = BTreeMap::new();
    let (mut slowest_s, mut most_bytes, mut read) = (0.0f64, 0, 0);
    for round in 0..rounds {
        let kind = &kinds[round % kinds.len()];
        let dir = tempfile::tempdir().unwrap();
        let told = harmed(kind, dir.path(), &mut dice);
        let plans = read % PLANNED_ONE_IN == 0;
        MEMORY.reset_peak_usage();
        let before = MEMORY.current_usage();
        let tried = tried(kind, dir.path(), plans);
        let bytes = MEMORY.peak_usage().saturating_sub(before);
        let name = kind.name;
        let keep = || {
            let kept = std::env::temp_dir().join("planish-damage");
            let _ = std::fs::remove_dir_all(&kept);
            let _ = std::fs::rename(dir.path(), &kept);
            format!(
                "round {round} of seed {seed}, {name}: {told:?}; kept in {}",
                kept.display()
            )
        };
        assert!(
            tried.reading_s < MOST_S,
            "{} s: {}",
            tried.reading_s,
            keep()
        );
        assert!(bytes < MOST_BYTES, "{bytes} bytes: {}", keep());
        slowest_s = slowest_s.max(tried.reading_s);
        most_bytes = most_bytes.max(bytes);
        let counts = tally.entry(name).or_default();
        match tried.outcome {
            Outcome::Result => {
                counts[0] += 1;
                read += 1;
            }
            Outcome::Error {
                message,
                placed: true,
            } => {
                assert!(
                    message.len() < 2000,
                    "a message of {} bytes: {}",
                    message.len(),
                    keep()
                );
                counts[1] += 1;
            }
            Outcome::Error { message, .. } => {
                counts[2] += 1;
                *unplaced
                    .entry(format!("{name}: {}", without_digits(&message)))
                    .or_default() += 1;
            }
            Outcome::NotFinite(what) => panic!("{what}: {}", keep()),
            Outcome::Panic(what) => panic!("{what}: {}", keep()),
        }
    }
    println!("kind: results, errors with file and place, errors without");
    let (mut placed, mut errors) = (0, 0);
    for (name, counts) in &tally {
        println!("{name}: {}, {}, {}", counts[0], counts[1], counts[2]);
        placed += counts[1];
        errors += counts[1] + counts[2];
    }
    let share = placed as f64 / errors as f64;
    println!("placed: {:.1} % of {errors} errors", 100.0 * share);
    println!(
        "longest reading {slowest_s:.2} s, most memory {} MiB",
        most_bytes >> 20
    );
    for (message, count) in &unplaced {
        println!("{count} x {message}");
    }
    assert!(
        errors * 4 > rounds,
        "too little harm was done: {errors} errors in {rounds}"
    );
    assert!(share >= PLACED, "{:.1} %", 100.0 * share);
}

/// Equal but for their numbers, messages are one.
fn without_digits(message: &str) -> String {
    let mut text: String = message
        .chars()
        .map(|c| if c.is_ascii_digit() { '0' } else { c })
        .collect();
    while text.contains("00") {
        text = text.replace("00", "0");
    }
    text.chars().take(160).collect()
}
