//! The trial of the room: simulated rooms with seats, planned like any other, scored by what the
//! filters do at every seat.
//!
//! `cargo run --release --example rooms -- --rooms 40 --seed 100000`
//!
//! A room is a box with its modes (`simulate::Shoebox`), a speaker near the front wall, and three to
//! six seats, each measured with noise and at a level of its own. Seeds below 100000 were used while
//! `seats` was written; the figures in the README come from seeds above.

use clap::Parser;
use planish::audit::Subject;
use planish::average::{AveragedCurves, RearWall};
use planish::curve::Grid;
use planish::device::Device;
use planish::filter::Bank;
use planish::predict::Plan;
use planish::response::{Direction, Member, Orbit, Response};
use planish::run::{self, PlanOptions};
use planish::seats::{Room, Seat, SeatLevels, Transition, schroeder_hz};
use planish::simulate::Listening;

/// Plans simulated rooms and prints what became of their peaks, nulls and seats.
#[derive(Parser)]
struct Arguments {
    /// Number of rooms
    #[arg(long, default_value_t = 40)]
    rooms: u64,
    /// Seed of the first one; the others follow
    #[arg(long, default_value_t = 1000)]
    seed: u64,
    /// Device by name or file
    #[arg(long)]
    device: Option<String>,
    /// Stages that the device gives
    #[arg(long, default_value_t = 20)]
    stages: usize,
    /// Rows of a transform this far apart, Hz, instead of 48 per octave
    #[arg(long)]
    linear: Option<f64>,
    /// Print every peak, and every room in which something went wrong
    #[arg(long)]
    wrong: bool,
}

/// A peak counts as shared from this mean height on, dB, when every seat has this share of it.
const SHARED_DB: f64 = 4.0;
const LEAST_SHARE: f64 = 0.6;

/// A dip this deep at one seat is a null, dB.
const NULL_DB: f64 = -10.0;

struct Outcome {
    /// Shared peaks: where, Hz, mean height before and after, dB.
    peaks: Vec<(f64, f64, f64)>,
    /// The same over the running median of two octaves, which knows nothing of the plan.
    by_median: Vec<(f64, f64, f64)>,
    /// Variance after against before, the worst seat.
    worst_variance: f64,
    /// The most that a null is filled, share of its depth.
    null_filled: f64,
    /// The largest boost below the transition, dB.
    boost_db: f64,
    /// Steepest change of the filters round the transition, dB per twelfth of an octave.
    steepest_db: f64,
}

fn main() -> planish::Result<()> {
    let arguments = Arguments::parse();
    let device = Device {
        stages: arguments.stages,
        ..run::device(arguments.device.as_deref())?
    };
    let response = flat_speaker();
    let mut outcomes = Vec::new();
    for seed in arguments.seed..arguments.seed + arguments.rooms {
        let outcome = one(seed, &device, &response, arguments.linear)?;
        if arguments.wrong {
            for (name, peaks) in [("plan", &outcome.peaks), ("median", &outcome.by_median)] {
                for (f_hz, before, after) in peaks {
                    let mark = if after.abs() > 1.0 { " *" } else { "" };
                    println!("{seed} {name:>6} {f_hz:6.1} Hz {before:5.1} -> {after:5.1}{mark}");
                }
            }
            if outcome.worst_variance > 1.0 || outcome.null_filled > 0.1 {
                println!(
                    "{seed} variance {:.3}, null {:.2}",
                    outcome.worst_variance, outcome.null_filled
                );
            }
        }
        outcomes.push(outcome);
    }
    for (name, peaks) in [
        (
            "over the plan's baseline",
            outcomes.iter().map(|o| &o.peaks).collect::<Vec<_>>(),
        ),
        (
            "over two octaves' median",
            outcomes.iter().map(|o| &o.by_median).collect(),
        ),
    ] {
        let all: Vec<f64> = peaks.into_iter().flatten().map(|p| p.2).collect();
        let within =
            |db: f64| all.iter().filter(|a| a.abs() <= db).count() as f64 / all.len() as f64;
        println!(
            "{name}: {} shared peaks, {:.0} % within 1 dB, {:.0} % within 2 dB, mean {:+.2} dB",
            all.len(),
            100.0 * within(1.0),
            100.0 * within(2.0),
            all.iter().sum::<f64>() / all.len() as f64
        );
    }
    let worst =
        |value: fn(&Outcome) -> f64| outcomes.iter().map(value).fold(f64::NEG_INFINITY, f64::max);
    println!(
        "variance of the worst seat after against before: {:.3}; seats' rooms worse: {}",
        worst(|o| o.worst_variance),
        outcomes.iter().filter(|o| o.worst_variance > 1.0).count()
    );
    println!(
        "null filled most: {:.1} %; largest boost: {:.2} dB; steepest in the join: {:.2} dB per 1/12 octave",
        100.0 * worst(|o| o.null_filled),
        worst(|o| o.boost_db),
        worst(|o| o.steepest_db)
    );
    Ok(())
}

fn flat_speaker() -> Response {
    let grid = Grid::logarithmic(20.0, 20_000.0, 24.0);
    let members = (-17..=18)
        .flat_map(|i| [Orbit::Horizontal, Orbit::Vertical].map(|o| (o, f64::from(10 * i))))
        .filter(|(o, a)| *o == Orbit::Horizontal || (*a != 0.0 && *a != 180.0))
        .map(|(orbit, angle_deg)| Member {
            direction: Direction::new(orbit, angle_deg),
            levels_db: grid
                .freqs_hz()
                .iter()
                .map(|f| 2.0 / (1.0 + (3.0 * (f / 1500.0).log2()).powi(2)))
                .collect(),
            phase_deg: None,
            mirrored: false,
        })
        .collect();
    Response::new(grid.clone(), members).expect("members lie on the grid")
}

fn planned(device: &Device, response: &Response, room: Room) -> planish::Result<Plan> {
    let curves = AveragedCurves::from_response(response, RearWall::default());
    let target = planish::read::target::target("flat")?;
    let subject = Subject {
        response: Some(response),
        curves: &curves,
        target: &target,
        trusted: Default::default(),
        second_source: None,
    };
    let options = PlanOptions {
        effort: Some(0.05),
        room: Some(room),
        ..PlanOptions::default()
    };
    run::plan_subject(&subject, "Quayside 5", device, &options)
}

fn one(
    seed: u64,
    device: &Device,
    response: &Response,
    linear: Option<f64>,
) -> planish::Result<Outcome> {
    let seats = 3 + (seed % 4) as usize;
    let listening = Listening::drawn(seed, seats);
    let transition_hz = schroeder_hz(listening.room.volume_m3(), listening.room.rt60_s);
    let grid = match linear {
        None => Grid::logarithmic(18.0, 2.4 * transition_hz, 48.0),
        Some(step) => {
            let rows = (2.4 * transition_hz / step) as usize;
            let freqs_hz = (1..=rows).map(|i| i as f64 * step).filter(|f| *f > 12.0);
            Grid::new(freqs_hz.collect()).expect("rows ascend")
        }
    };
    let levels = listening.levels_db(&grid);
    let named = (1..).zip(levels.clone()).map(|(n, levels_db)| Seat {
        name: format!("seat {n}"),
        levels_db,
    });
    let room = Room {
        transition: Transition::stated(transition_hz)?,
        seats: SeatLevels::new(grid.clone(), named.collect()),
    };
    let plan = planned(device, response, room)?;
    Ok(scored(&plan, transition_hz, &listening))
}

/// Scores on a grid of its own, with the seats as they are without noise.
fn scored(plan: &Plan, transition_hz: f64, listening: &Listening) -> Outcome {
    let grid = Grid::logarithmic(18.0, 2.0 * transition_hz, 96.0);
    let zone = grid.range(20.0, transition_hz);
    let quiet = Listening {
        noise_db: 0.0,
        ..listening.clone()
    };
    let levels = quiet.levels_db(&grid);
    let stages = Bank {
        gain_db: 0.0,
        ..plan.prediction.bank.clone()
    };
    let gains = stages.gains_db(grid.freqs_hz());
    let spread = |values: &[f64]| {
        let part = &values[zone.clone()];
        let mean = part.iter().sum::<f64>() / part.len() as f64;
        part.iter().map(|v| (v - mean).powi(2)).sum::<f64>()
    };
    let ratio = |seat: &Vec<f64>| {
        let after: Vec<f64> = seat.iter().zip(&gains).map(|(s, g)| s + g).collect();
        spread(&after) / spread(seat)
    };
    let judged = plan.situation.room.as_ref().and_then(|r| r.judged.as_ref());
    let by_plan: Vec<f64> = grid
        .freqs_hz()
        .iter()
        .map(|f| judged.map_or(0.0, |j| j.baseline_db[j.grid.nearest(*f)]))
        .collect();
    let by_median = running_median(&levels, zone.clone(), &grid);
    let over = |baseline: &[f64]| -> Vec<Vec<f64>> {
        levels
            .iter()
            .map(|seat| {
                let over: Vec<f64> = seat.iter().zip(baseline).map(|(l, b)| l - b).collect();
                let own = median(over[zone.clone()].to_vec());
                over.iter().map(|o| o - own).collect()
            })
            .collect()
    };
    // The plan's own levels of seats, which peaks do not move.
    let over_plan: Vec<Vec<f64>> = judged.map_or_else(
        || over(&by_plan),
        |j| {
            (0..levels.len())
                .map(|s| {
                    let moved: Vec<f64> = zone
                        .clone()
                        .map(|i| {
                            let k = j.grid.nearest(grid.freqs_hz()[i]);
                            levels[s][i] - by_plan[i] - j.over_db[s][k]
                        })
                        .collect();
                    let own = median(moved);
                    levels[s]
                        .iter()
                        .zip(&by_plan)
                        .map(|(l, b)| l - b - own)
                        .collect()
                })
                .collect()
        },
    );
    if std::env::var("XD").is_ok() {
        for p in judged.map_or(&[][..], |j| &j.peaks) {
            println!(
                "   cut {:.1} Hz Q {:.1} cut {:.1} mean {:.1} shared {:.1} least {:.1}",
                p.f0_hz, p.q, p.cut_db, p.mean_db, p.shared_db, p.least_db
            );
        }
        for s in &plan.fit.stages {
            println!("   stage {s:.2?}");
        }
    }
    let over_median = over(&by_median);
    let peaks = |over: &[Vec<f64>]| -> Vec<(f64, f64, f64)> {
        let count = over.len() as f64;
        let mean: Vec<f64> = (0..grid.len())
            .map(|i| over.iter().map(|s| s[i]).sum::<f64>() / count)
            .collect();
        zone.clone()
            .filter(|i| *i > 4 && mean[i - 4..=i + 4].iter().all(|m| *m <= mean[*i]))
            .filter(|i| mean[*i] > SHARED_DB && over.iter().all(|s| s[*i] > LEAST_SHARE * mean[*i]))
            .map(|i| (grid.freqs_hz()[i], mean[i], mean[i] + gains[i]))
            .collect()
    };
    let filled = over_plan
        .iter()
        .flat_map(|seat| {
            let gains = &gains;
            zone.clone()
                .filter(|i| {
                    *i > 0
                        && seat[*i] <= NULL_DB
                        && seat[*i] <= seat[i - 1]
                        && seat[*i] < seat[i + 1]
                })
                .map(move |i| gains[i].max(0.0) / -seat[i])
        })
        .fold(0.0, f64::max);
    let join = grid.range(0.8 * transition_hz, 1.9 * transition_hz);
    Outcome {
        peaks: peaks(&over_plan),
        by_median: peaks(&over_median),
        worst_variance: levels.iter().map(ratio).fold(0.0, f64::max),
        null_filled: filled,
        boost_db: gains[zone]
            .iter()
            .copied()
            .fold(f64::NEG_INFINITY, f64::max),
        steepest_db: gains[join]
            .windows(9)
            .map(|w| (w[8] - w[0]).abs())
            .fold(0.0, f64::max),
    }
}

/// Median of all seats (each moved to its own median) over two octaves round each frequency.
fn running_median(levels: &[Vec<f64>], zone: std::ops::Range<usize>, grid: &Grid) -> Vec<f64> {
    let moved: Vec<Vec<f64>> = levels
        .iter()
        .map(|seat| {
            let own = median(seat[zone.clone()].to_vec());
            seat.iter().map(|l| l - own).collect()
        })
        .collect();
    grid.freqs_hz()
        .iter()
        .map(|f| {
            let near = grid.range(0.5 * f, 2.0 * f);
            median(
                moved
                    .iter()
                    .flat_map(|seat| seat[near.clone()].to_vec())
                    .collect(),
            )
        })
        .collect()
}

fn median(mut values: Vec<f64>) -> f64 {
    values.sort_by(f64::total_cmp);
    values.get(values.len() / 2).copied().unwrap_or(0.0)
}
