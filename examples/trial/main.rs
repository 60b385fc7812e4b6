//! The population trial of the audit: simulated speakers with known defects, planned like any
//! other speaker, scored by what the exported filters do.
//!
//! `cargo run --release --example trial -- --speakers 200 --seed 1000`
//!
//! Seeds below 100000 were used while the audit was written; figures in the README and the
//! tests come from seeds above.

mod baselines;
mod tables;

use clap::Parser;
use planish::trial::{Evidence, Outcome, Physics, ScoreGrid, plan_and_score, read, run_one};
use rayon::prelude::*;
use std::path::PathBuf;

/// Runs the population trial: what is gained, defects by kind, findings.
#[derive(Parser)]
struct Arguments {
    /// Number of speakers
    #[arg(long, default_value_t = 200)]
    speakers: u64,
    /// Seed of the first one; the others follow
    #[arg(long, default_value_t = 1000)]
    seed: u64,
    /// What the speakers are made of: sphere (caps that move in a rigid sphere), field (points in a
    /// free field), sketch (directivities and lobes by formula) or market (many parts drawn at
    /// random, mild defects)
    #[arg(long, default_value = "sphere")]
    physics: Physics,
    /// Folder of speaker folders named by their seeds, each with the truth in truth.csv, in place of
    /// speakers drawn here
    #[arg(long, conflicts_with = "physics")]
    told: Option<PathBuf>,
    /// What is measured: full, one-side, no-vertical, averages or thirds
    #[arg(long, default_value = "full")]
    evidence: Evidence,
    /// Print every defect that was handled wrongly
    #[arg(long)]
    wrong: bool,
    /// Write the marks of every finding and whether it was right, as examples/trial/sure.py reads them
    #[arg(long)]
    marks: Option<PathBuf>,
}

fn main() -> planish::Result<()> {
    let arguments = Arguments::parse();
    let seeds = arguments.seed..arguments.seed + arguments.speakers;
    let all: Vec<(u64, Outcome)> = seeds
        .into_par_iter()
        .map(|seed| Ok((seed, outcome(&arguments, seed)?)))
        .collect::<planish::Result<_>>()?;
    if arguments.wrong {
        all.iter()
            .for_each(|(seed, outcome)| tables::wrong(*seed, outcome));
    }
    if let Some(path) = &arguments.marks {
        std::fs::write(path, tables::marks(&all))
            .map_err(|e| planish::Error::call(format!("{}: {e}", path.display())))?;
    }
    tables::gained(&all);
    tables::defects(&all);
    tables::findings(&all);
    Ok(())
}

fn outcome(arguments: &Arguments, seed: u64) -> planish::Result<Outcome> {
    let evidence = arguments.evidence;
    match &arguments.told {
        None => run_one(arguments.physics, seed, evidence),
        Some(folder) => {
            let folder = folder.join(seed.to_string());
            plan_and_score(read(&folder, [evidence], &ScoreGrid::grid())?, evidence)
        }
    }
}
