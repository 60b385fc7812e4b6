//! The trial of `planish check`: lists drawn at random, boxes with known faults, loopbacks with
//! noise; counts how often the fault is named first and how often a sound box raises an alarm.
//!
//! `cargo run --release --example loopbacks -- --lists 200 --seed 100000`
//!
//! Seeds below 100000 were used while the check was written; figures in the README come from seeds
//! above.

mod boxes;

use boxes::{
    Bench, Dice, Habit, INTERFACES, NAMES, Run, Wrong, change_db, detail_of, draw_list, effect_db,
    loopback, oscillation,
};
use clap::Parser;
use planish::check::{Comparison, compare};
use planish::filter_list::FilterList;
use planish::report::words::fault::fault;
use rayon::prelude::*;

/// Runs the trial of the check and prints how often it was right.
#[derive(Parser)]
struct Arguments {
    /// Lists for each fault and each habit
    #[arg(long, default_value_t = 200)]
    lists: u64,
    /// Seed of the first one; the others follow
    #[arg(long, default_value_t = 1000)]
    seed: u64,
    /// Noise on a point of a loopback with a fault, dB
    #[arg(long, default_value_t = 0.03)]
    noise: f64,
    /// Measure faulty boxes, too, through sound cards with corners at 10 Hz and 20 kHz
    #[arg(long)]
    cards: bool,
    /// Run this row of the table only, as in alarms
    #[arg(long)]
    only: Option<String>,
    /// Print every wrong answer
    #[arg(long)]
    wrong: bool,
}

/// A fault that moves no level by more than this, dB, is drawn anew: with the level free it
/// cannot be told from the box that does what it should.
const VISIBLE_DB: f64 = 0.2;

/// Draws until this many tries led nowhere: no such fault in such lists.
const TRIES: usize = 200;

/// How an answer came out.
#[derive(Clone)]
struct Outcome {
    right: bool,
    /// Rate or stage were right too.
    in_detail: bool,
    told: String,
}

/// What a box is tried with.
#[derive(Clone, Copy, PartialEq)]
enum Trial {
    /// One fault, measured as if the box were stable.
    Single(&'static str),
    /// b0 and b2 exchanged, with phase.
    ByPhase,
    /// The feedback sign, and the box oscillates.
    Oscillating,
    /// Two faults.
    Pair,
}

impl Trial {
    fn name(self) -> &'static str {
        match self {
            Trial::Single(name) => name,
            Trial::ByPhase => "reversed b, phase",
            Trial::Oscillating => "oscillation",
            Trial::Pair => "two faults",
        }
    }
}

fn main() {
    let arguments = Arguments::parse();
    let seeds: Vec<u64> = (arguments.seed..arguments.seed + arguments.lists).collect();
    print!("{:<18}", "fault");
    for habit in Habit::ALL {
        print!("  {:>10}", habit.name());
    }
    println!("  {:>10}  in detail", "all");
    let trials = NAMES.map(Trial::Single).into_iter().chain([
        Trial::ByPhase,
        Trial::Oscillating,
        Trial::Pair,
    ]);
    let mut told = Vec::new();
    let asked = |name: &str| arguments.only.as_deref().is_none_or(|only| only == name);
    for trial in trials.filter(|trial| asked(trial.name())) {
        print!("{:<18}", trial.name());
        let (mut right, mut detail, mut all) = (0, 0, 0);
        for habit in Habit::ALL {
            let outcomes: Vec<Outcome> = seeds
                .par_iter()
                .filter_map(|seed| named(trial, habit, *seed, arguments.noise, arguments.cards))
                .collect();
            let here = outcomes.iter().filter(|o| o.right).count();
            print!("  {:>10}", share(here, outcomes.len()));
            right += here;
            detail += outcomes.iter().filter(|o| o.in_detail).count();
            all += outcomes.len();
            told.extend(
                outcomes
                    .into_iter()
                    .filter(|o| !o.in_detail)
                    .map(|o| o.told),
            );
        }
        println!("  {:>10}  {}", share(right, all), share(detail, all));
    }
    if asked("alarms") {
        alarms(&seeds, &mut told);
    }
    if arguments.wrong {
        for line in told {
            println!("{line}");
        }
    }
}

/// The last row: alarms that sound boxes raise.
fn alarms(seeds: &[u64], told: &mut Vec<String>) {
    print!("{:<18}", "alarms");
    let (mut alarms, mut all) = (0, 0);
    for habit in Habit::ALL {
        let raised: Vec<String> = seeds
            .par_iter()
            .filter_map(|seed| alarm(habit, *seed))
            .collect();
        print!("  {:>10}", format!("{}/{}", raised.len(), seeds.len()));
        alarms += raised.len();
        all += seeds.len();
        told.extend(raised);
    }
    println!("  {:>10}", format!("{alarms}/{all}"));
}

/// Every habit has its own draws.
fn dice_of(habit: Habit, seed: u64) -> Dice {
    Dice(seed ^ ((habit as u64) << 40))
}

fn share(part: usize, whole: usize) -> String {
    if whole == 0 {
        return "-".into();
    }
    format!("{:.1} %", 100.0 * part as f64 / whole as f64)
}

/// A list with faults in its box, measured and judged; `None` where the fault has no meaning.
fn named(
    trial: Trial,
    habit: Habit,
    seed: u64,
    noise_db: f64,
    behind_card: bool,
) -> Option<Outcome> {
    let mut dice = dice_of(habit, seed);
    let (list, wrong, device) = (0..TRIES).find_map(|_| draw_wrong(trial, habit, &mut dice))?;
    let absolute = wrong.names.contains(&"gain-missing");
    let bench = Bench {
        noise_db,
        level_db: if absolute {
            0.0
        } else {
            dice.between(-20.0, 10.0)
        },
        interface: if behind_card {
            dice.below(INTERFACES)
        } else {
            0
        },
        phase: trial == Trial::ByPhase,
    };
    let measured = if trial == Trial::Oscillating {
        oscillation(&mut dice)
    } else {
        loopback(&device, &bench, &mut dice)
    };
    let found = compare(&list, &measured, absolute).expect("the whole band was measured");
    let (right, in_detail) = judged(&found, &wrong);
    Some(Outcome {
        right,
        in_detail,
        told: told(trial, habit, seed, &list, &wrong, &device, &found),
    })
}

fn draw_wrong(trial: Trial, habit: Habit, dice: &mut Dice) -> Option<(FilterList, Wrong, Run)> {
    let list = draw_list(dice, habit);
    let mut wrong = Wrong::default();
    let names: Vec<&'static str> = match trial {
        Trial::Single(name) => vec![name],
        Trial::ByPhase => vec!["reversed-order"],
        Trial::Oscillating => vec!["feedback-sign"],
        Trial::Pair => {
            // Nothing else acts in a box that is bypassed.
            let others: Vec<&str> = NAMES.into_iter().filter(|n| *n != "bypassed").collect();
            let first = dice.below(others.len());
            let second = (first + 1 + dice.below(others.len() - 1)) % others.len();
            vec![others[first], others[second]]
        }
    };
    let mut alone = Vec::new();
    for name in names {
        let mut one = Wrong::default();
        let mut again = Dice(dice.0);
        if !one.add(&list, name, trial == Trial::ByPhase, &mut again)
            || !wrong.add(&list, name, trial == Trial::ByPhase, dice)
        {
            return None;
        }
        alone.push(one);
    }
    let device = Run::of(&list, &wrong);
    let visible = |name: &str, run: &Run| match name {
        "gain-missing" => list.gain_db < -VISIBLE_DB,
        _ => effect_db(&list, run) > VISIBLE_DB,
    };
    let all_visible = alone
        .iter()
        .all(|one| visible(one.names[0], &Run::of(&list, one)));
    // Of two faults each must change what the other one leaves.
    let all_visible = all_visible
        && (trial != Trial::Pair
            || alone.iter().all(|one| {
                let both_without_gain =
                    wrong.names.contains(&"gain-missing") && !one.names.contains(&"gain-missing");
                both_without_gain || change_db(&Run::of(&list, one), &device) > VISIBLE_DB
            }));
    let shown = match trial {
        Trial::ByPhase => true,
        Trial::Oscillating => device.is_unstable(),
        _ => all_visible,
    };
    shown.then_some((list, wrong, device))
}

/// Whether the faults were named, and whether rate and stage were right as well.
fn judged(found: &Comparison, wrong: &Wrong) -> (bool, bool) {
    let Some(first) = found.faults.first() else {
        return (false, false);
    };
    let mut said = vec![&first.fault];
    said.extend(&first.with);
    if found.matches || said.len() != wrong.names.len() {
        return (false, false);
    }
    let place = |name: &str| said.iter().position(|f| f.name() == name);
    let right = wrong.names.iter().all(|name| place(name).is_some());
    let in_detail = right
        && wrong
            .names
            .iter()
            .zip(&wrong.details)
            .all(|(name, detail)| place(name).is_some_and(|k| detail_of(said[k]) == *detail));
    (right, in_detail)
}

fn told(
    trial: Trial,
    habit: Habit,
    seed: u64,
    list: &FilterList,
    wrong: &Wrong,
    device: &Run,
    found: &Comparison,
) -> String {
    let said: Vec<String> = found
        .faults
        .iter()
        .map(|f| {
            let with: Vec<String> = f.with.iter().map(|f| fault(f).to_string()).collect();
            format!(
                "{}{}{} {:.3} {:.3}",
                fault(&f.fault),
                if with.is_empty() { "" } else { " + " },
                with.join(" + "),
                f.explains.unwrap_or(f64::NAN),
                f.left_db.unwrap_or(f64::NAN)
            )
        })
        .collect();
    format!(
        "{} {} seed {seed}: {} stages at {} Hz, {:?} {:?}, effect {:.2} dB; matches {}, noise {:.3}, largest {:.2} at {:.0}: {}",
        trial.name(),
        habit.name(),
        list.stages.len(),
        list.rate_hz,
        wrong.names,
        wrong.details,
        effect_db(list, device),
        found.matches,
        found.noise_db,
        found.largest.0,
        found.largest.1,
        said.join("; ")
    )
}

/// A sound box behind any sound card, 0.1 dB of noise on most: what was said where it did not match.
fn alarm(habit: Habit, seed: u64) -> Option<String> {
    let mut dice = dice_of(habit, seed);
    let list = draw_list(&mut dice, habit);
    let bench = Bench {
        noise_db: if dice.unit() < 0.7 { 0.1 } else { 0.03 },
        level_db: dice.between(-20.0, 10.0),
        interface: dice.below(INTERFACES),
        phase: dice.unit() < 0.3,
    };
    let sound = Wrong::default();
    let device = Run::of(&list, &sound);
    let measured = loopback(&device, &bench, &mut dice);
    let found = compare(&list, &measured, false).expect("the whole band was measured");
    (!found.matches).then(|| {
        let said = told(Trial::Pair, habit, seed, &list, &sound, &device, &found);
        format!("alarm with {bench:?}: {said}")
    })
}
