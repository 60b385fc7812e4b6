//! The population trial of the audit: simulated speakers with known defects, planned like any
//! other speaker, scored by what the exported filters do.
//!
//! `cargo run --release --example trial -- --speakers 200 --seed 1000`
//!
//! Seeds below 100000 were used while the audit was written; figures in the README and the
//! tests come from seeds above.

use clap::Parser;
use planish::trial::{Evidence, Physics, ScoreGrid, ScoredDefect, plan_and_score, read, run_one};
use std::collections::BTreeMap;
use std::path::PathBuf;

/// Runs the population trial and prints a table per kind of defect.
#[derive(Parser)]
struct Arguments {
    /// Number of speakers
    #[arg(long, default_value_t = 200)]
    speakers: u64,
    /// Seed of the first one; the others follow
    #[arg(long, default_value_t = 1000)]
    seed: u64,
    /// What the speakers are made of: sphere (caps that move in a rigid sphere), field (points in a
    /// free field) or sketch (directivities and lobes by formula)
    #[arg(long, default_value = "sphere")]
    physics: Physics,
    /// Folder of speaker folders named by their seeds, each with the truth in truth.csv, in place of
    /// speakers drawn here
    #[arg(long, conflicts_with = "physics")]
    told: Option<PathBuf>,
    /// What was measured: full (both orbits), one-side (the horizontal orbit from 0 to 180 degrees),
    /// no-vertical or averages
    #[arg(long, default_value = "full")]
    evidence: Evidence,
    /// Print every defect that was handled wrongly
    #[arg(long)]
    wrong: bool,
}

fn main() -> planish::Result<()> {
    let arguments = Arguments::parse();
    let mut by_kind: BTreeMap<&str, Vec<ScoredDefect>> = BTreeMap::new();
    let mut roughest: f64 = f64::NEG_INFINITY;
    for seed in arguments.seed..arguments.seed + arguments.speakers {
        let evidence = arguments.evidence;
        let outcome = match &arguments.told {
            None => run_one(arguments.physics, seed, evidence)?,
            Some(folder) => {
                let folder = folder.join(seed.to_string());
                plan_and_score(read(&folder, [evidence], &ScoreGrid::grid())?, evidence)?
            }
        };
        roughest = roughest.max(outcome.worst_change_db);
        if arguments.wrong && outcome.worst_change_db > 0.3 {
            println!(
                "seed {seed}: a window angle rougher by {:.2} dB",
                outcome.worst_change_db
            );
        }
        for defect in outcome.defects {
            let score = &defect.score;
            if arguments.wrong && !(score.right && defect.cause_right) {
                println!(
                    "seed {seed}: {} at {:.0} Hz ({:+.1} dB) undone {:.2}, boost {:.1} dB, left {:.2} dB{}{}",
                    score.kind.name(),
                    score.f_hz,
                    score.effect_db,
                    score.undone,
                    score.local_boost_db,
                    score.left_db,
                    if score.right { "" } else { ", wrong" },
                    if defect.cause_right {
                        ""
                    } else {
                        ", cause wrong"
                    },
                );
            }
            by_kind.entry(score.kind.name()).or_default().push(defect);
        }
    }
    println!(
        "{:<20} {:>5} {:>7} {:>7}   undone: {:>6} {:>6} {:>6}",
        "kind", "count", "right", "cause", "5 %", "50 %", "95 %"
    );
    let (mut count, mut right, mut causes) = (0, 0, 0);
    for (kind, scores) in &by_kind {
        let mut undone: Vec<f64> = scores.iter().map(|s| s.score.undone).collect();
        undone.sort_by(f64::total_cmp);
        let at = |share: f64| undone[((undone.len() - 1) as f64 * share).round() as usize];
        let rights = scores.iter().filter(|s| s.score.right).count();
        let cause = scores.iter().filter(|s| s.cause_right).count();
        println!(
            "{kind:<20} {:>5} {:>5.1} % {:>5.1} %   {:>14.2} {:>6.2} {:>6.2}",
            scores.len(),
            100.0 * rights as f64 / scores.len() as f64,
            100.0 * cause as f64 / scores.len() as f64,
            at(0.05),
            at(0.5),
            at(0.95)
        );
        count += scores.len();
        right += rights;
        causes += cause;
    }
    println!(
        "{:<20} {count:>5} {:>5.1} % {:>5.1} %\nroughest window angle: {roughest:+.2} dB rms against before",
        "all",
        100.0 * right as f64 / count as f64,
        100.0 * causes as f64 / count as f64
    );
    Ok(())
}
