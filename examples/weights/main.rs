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
use std::path::PathBuf;

/// Writes training data, one file for each speaker.
#[derive(Parser)]
struct Arguments {
    /// Number of speakers
    #[arg(long, default_value_t = 3000)]
    speakers: u64,
    /// Seed of the first one; the others follow
    #[arg(long, default_value_t = 161)]
    seed: u64,
    /// What they are made of: sphere, field or sketch
    #[arg(long, default_value = "sphere")]
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
    for seed in arguments.seed..arguments.seed + arguments.speakers {
        let bytes: Vec<u8> = samples(&arguments, seed)?
            .iter()
            .flat_map(|v| (*v as f32).to_le_bytes())
            .collect();
        let path = arguments.out.join(format!("{seed}.f32"));
        std::fs::write(path, bytes).map_err(failed)?;
    }
    Ok(())
}

/// The speaker measured in full, and once more in a lesser way that follows from the seed.
fn samples(arguments: &Arguments, seed: u64) -> Result<Vec<f64>> {
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
    let mut values = Vec::new();
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
        write(
            &mut values,
            &inputs,
            &measured.known.on(&grid, &inputs.grid),
        );
    }
    Ok(values)
}

/// Number of frequencies, first one in Hz, corner in Hz or 0, first and one beyond the last
/// judged, number of defects; what of the window's deviation is not shared; each defect: its kind's
/// place in the list, its frequency, what it changes in the window, in the room, on the axis; the
/// network's inputs.
fn write(values: &mut Vec<f64>, inputs: &Inputs, known: &Known) {
    values.extend([
        inputs.grid.len() as f64,
        inputs.grid.first_hz(),
        inputs.corner_hz.unwrap_or(0.0),
        inputs.judged.start as f64,
        inputs.judged.end as f64,
        known.defects.len() as f64,
    ]);
    // The window's deviation has its level taken out; so has the truth.
    let mut not_shared: Vec<f64> = inputs
        .window_db
        .iter()
        .zip(&known.healthy_window_db)
        .map(|(w, t)| w - (t - inputs.level_db))
        .collect();
    for defect in known.defects.iter().filter(|d| d.kind.is_correctable()) {
        let window = &defect.window_db;
        not_shared.iter_mut().zip(window).for_each(|(n, d)| *n -= d);
    }
    values.extend(not_shared);
    for defect in &known.defects {
        let place = DefectKind::ALL.iter().position(|kind| *kind == defect.kind);
        values.extend([place.map_or(-1.0, |p| p as f64), defect.f_hz]);
        for curve in [&defect.window_db, &defect.room_db, &defect.on_axis_db] {
            values.extend(curve);
        }
    }
    values.extend(inputs.curves.iter().flatten());
}
