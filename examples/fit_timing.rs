//! Times the fit over a folder of wanted curves.
//!
//! `cargo run --release --example fit_timing -- FOLDER [STAGES]`: each `.csv` of the folder is a
//! table of frequency, gain and, if given, weight. Prints stages, remainder and time of each.

#[path = "../tests/fit_problems/mod.rs"]
mod fit_problems;

use fit_problems::device;
use planish::fit::{Options, Wanted, fit};
use planish::read::wanted;
use std::path::PathBuf;
use std::time::Instant;

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let mut arguments = std::env::args().skip(1);
    let folder = PathBuf::from(
        arguments
            .next()
            .ok_or("usage: fit_timing FOLDER [STAGES]")?,
    );
    let stages: usize = arguments.next().map_or(Ok(10), |text| text.parse())?;
    let mut files: Vec<PathBuf> = std::fs::read_dir(&folder)?
        .filter_map(|entry| entry.ok().map(|e| e.path()))
        .filter(|path| path.extension().is_some_and(|e| e == "csv"))
        .collect();
    files.sort();
    println!(
        "{:<32} {:>6} {:>6} {:>9} {:>8}",
        "curve", "rows", "stages", "rms dB", "ms"
    );
    for file in files {
        let name = file
            .file_name()
            .unwrap_or_default()
            .to_string_lossy()
            .into_owned();
        let curve = match wanted::read(&file) {
            Ok(curve) => curve,
            Err(error) => {
                eprintln!("{error}");
                continue;
            }
        };
        let wanted = Wanted {
            freqs_hz: &curve.freqs_hz,
            gain_db: &curve.gain_db,
            weights: &curve.weights,
        };
        let begun = Instant::now();
        let fit = fit(
            &wanted,
            &device(stages),
            &Options {
                stages: Some(stages),
                ..Options::default()
            },
        )?;
        let ms = begun.elapsed().as_secs_f64() * 1e3;
        println!(
            "{name:<32} {:>6} {:>6} {:>9.4} {ms:>8.1}",
            curve.freqs_hz.len(),
            fit.stages.len(),
            fit.rms_db
        );
    }
    Ok(())
}
