//! Writes what `train.py` beside it learns the audit's weights from: speakers with known defects,
//! the network's inputs, and what is true of them.
//!
//! `cargo run --release --example weights -- --speakers 3000 --physics sphere --out FOLDER`
//!
//! Seeds stay below 100000: those above judge.

use clap::Parser;
use planish::Result;
use planish::audit::{self, Evidence as Inputs, Subject};
use planish::average::{AveragedCurves, RearWall};
use planish::curve::Grid;
use planish::simulate::DefectKind;
use planish::trial::{Evidence, Known, Physics, draw, measurement, read};
use std::io::Write;
use std::path::PathBuf;

/// Writes training data, one file for each call.
#[derive(Parser)]
struct Arguments {
    /// Number of speakers
    #[arg(long, default_value_t = 3000)]
    speakers: u64,
    /// Seed of the first one; the others follow
    #[arg(long, default_value_t = 161)]
    seed: u64,
    /// What they are made of: market, sphere, field or sketch
    #[arg(long, default_value = "market")]
    physics: Physics,
    /// Folder of speaker folders named by their seeds, each with the truth in truth.csv, in place of
    /// speakers drawn here
    #[arg(long, conflicts_with = "physics")]
    told: Option<PathBuf>,
    /// Folder to write to
    #[arg(long)]
    out: PathBuf,
}

fn main() -> Result<()> {
    let arguments = Arguments::parse();
    let failed = |e: std::io::Error| planish::Error::call(format!("cannot write: {e}"));
    std::fs::create_dir_all(&arguments.out).map_err(failed)?;
    let path = arguments.out.join(format!("{}.bin", arguments.seed));
    let mut file = std::io::BufWriter::new(std::fs::File::create(path).map_err(failed)?);
    for seed in arguments.seed..arguments.seed + arguments.speakers {
        file.write_all(&samples(&arguments, seed)?)
            .map_err(failed)?;
    }
    file.flush().map_err(failed)
}

/// The speaker measured in full, and once more in a lesser way that follows from the seed.
fn samples(arguments: &Arguments, seed: u64) -> Result<Vec<u8>> {
    let lesser = match seed.wrapping_mul(0x9e37_79b9_7f4a_7c15) >> 33 {
        draw if draw % 10 < 3 => Evidence::OneSide,
        draw if draw % 10 < 7 => Evidence::NoVertical,
        _ => Evidence::Averages,
    };
    let grid = Grid::logarithmic(20.0, 20_000.0, 48.0);
    let ways = [Evidence::Full, lesser];
    let measured = match &arguments.told {
        None => {
            // Another density and noise for the second measurement.
            let way = |k: u64| measurement(seed + k, ways[k as usize]);
            draw(arguments.physics, seed, [way(0), way(1)], &grid)?
        }
        Some(folder) => read(&folder.join(seed.to_string()), ways, &grid)?,
    };
    let mut bytes = Vec::new();
    for (evidence, response) in ways.into_iter().zip(measured.responses) {
        let response = response.mirrored().0;
        let curves = AveragedCurves::from_response(&response, RearWall::default());
        let subject = Subject {
            response: (evidence != Evidence::Averages).then_some(&response),
            curves: &curves,
            target: &planish::read::target::target("flat")?,
            trusted: Default::default(),
            second_source: None,
        };
        let inputs = audit::evidence(&subject, &audit::Options::default())?;
        write(&mut bytes, &inputs, &measured.known.on(&grid, &inputs.grid));
    }
    Ok(bytes)
}

/// Units of the network's inputs, which lie between -4 and 4, and of curves in dB.
const INPUTS_PER_UNIT: f64 = 8000.0;
const PER_DB: f64 = 500.0;

/// Appends one measurement: as 32-bit floats number of frequencies, first one in Hz, corner in Hz or 0,
/// first and one beyond the last judged, number of defects, and for each the place of its kind in the
/// list and its frequency; then as 16-bit integers, in 1/500 dB, what is weighed, what of it all angles
/// share, what of it they may share or not, and what each defect changes in the window, in the room, on
/// the axis; then the network's inputs in 1/8000 of their unit.
fn write(bytes: &mut Vec<u8>, inputs: &Inputs, known: &Known) {
    let head = [
        inputs.grid.len() as f64,
        inputs.grid.first_hz(),
        inputs.corner_hz.unwrap_or(0.0),
        inputs.judged.start as f64,
        inputs.judged.end as f64,
        known.defects.len() as f64,
    ];
    let defects = known.defects.iter().flat_map(|defect| {
        let place = DefectKind::ALL.iter().position(|kind| *kind == defect.kind);
        [place.map_or(-1.0, |p| p as f64), defect.f_hz]
    });
    for value in head.into_iter().chain(defects) {
        bytes.extend((value as f32).to_le_bytes());
    }
    let mut curve = |values: &[f64], units: f64| {
        for value in values {
            let whole = (value * units).round().clamp(-32_000.0, 32_000.0);
            bytes.extend((whole as i16).to_le_bytes());
        }
    };
    curve(&inputs.deviation_db, PER_DB);
    let (shared_db, open_db) = shared(inputs, known);
    curve(&shared_db, PER_DB);
    curve(&open_db, PER_DB);
    for defect in &known.defects {
        for effect_db in [&defect.window_db, &defect.room_db, &defect.on_axis_db] {
            curve(effect_db, PER_DB);
        }
    }
    for input in &inputs.curves {
        curve(input, INPUTS_PER_UNIT);
    }
}

/// What of the window's deviation all angles share, dB: the correctable defects, and the unevenness
/// that is known to be shared; then what they may share or not: the healthy speaker's deviation where
/// nothing is known of it.
fn shared(inputs: &Inputs, known: &Known) -> (Vec<f64>, Vec<f64>) {
    let correctable_db = known.correctable_db();
    let none_db = vec![0.0; correctable_db.len()];
    match &known.shared_unevenness_db {
        Some(uneven_db) => {
            let pairs = correctable_db.iter().zip(uneven_db);
            (
                pairs.map(|(effect, uneven)| effect + uneven).collect(),
                none_db,
            )
        }
        None => {
            let healthy_db = (known.healthy_window_db.iter().enumerate()).map(|(i, level_db)| {
                // Without the roll-off that was taken out of what is weighed.
                let roll_off_db = inputs.window_db[i] - inputs.deviation_db[i];
                level_db - inputs.level_db - roll_off_db
            });
            (correctable_db, healthy_db.collect())
        }
    }
}
