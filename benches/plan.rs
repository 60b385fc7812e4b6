//! Time of a whole plan and of its parts on a demo speaker: `cargo bench --bench plan`.
//!
//! Prints the median over some runs in milliseconds, files read from memory of the system.

use planish::audit::Subject;
use planish::average::RearWall;
use planish::run::{self, DEFAULT_TARGET, PlanOptions, Speaker};
use std::path::Path;
use std::time::Instant;

const RUNS: usize = 15;

fn median_ms(mut work: impl FnMut()) -> f64 {
    let mut times_ms: Vec<f64> = (0..RUNS)
        .map(|_| {
            let begun = Instant::now();
            work();
            begun.elapsed().as_secs_f64() * 1e3
        })
        .collect();
    times_ms.sort_by(f64::total_cmp);
    times_ms[RUNS / 2]
}

fn main() {
    let folder = Path::new("examples/quayside_5");
    let read = || Speaker::read(folder, RearWall::default()).expect("the demo speaker is sound");
    let speaker = read();
    let target = planish::read::target::target(DEFAULT_TARGET).expect("it is built in");
    let options = PlanOptions::default();
    let subject = Subject {
        response: speaker.response(),
        curves: &speaker.curves,
        target: &target,
        trusted_from_hz: speaker.folder.trusted_from_hz,
        trusted_to_hz: speaker.folder.trusted_to_hz,
        second_source: None,
    };
    let audit = || planish::audit::audit(&subject, &options.audit).expect("it can be audited");
    let plan = || run::plan(&speaker, &options).expect("it can be planned");
    println!("reading {:.1} ms", median_ms(|| drop(read())));
    println!("audit {:.1} ms", median_ms(|| drop(audit())));
    println!(
        "plan from what was read {:.1} ms",
        median_ms(|| drop(plan()))
    );
}
