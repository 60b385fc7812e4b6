//! Time of a whole plan and of its parts on a demo speaker: `cargo bench --bench plan`.
//!
//! Prints the median over some runs in milliseconds, files read from memory of the system. The
//! audit should grow no faster than linearly with the angles and with the density of what was
//! measured.

use planish::audit::Subject;
use planish::average::{AveragedCurves, RearWall};
use planish::curve::Grid;
use planish::response::{Orbit, Response};
use planish::run::{self, DEFAULT_TARGET, PlanOptions, Speaker};
use std::path::Path;
use std::process::{Command, Stdio};
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
        trusted: speaker.trusted(),
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

    println!("\naudit over angles and points per octave, ms");
    println!("{:>6} {:>8} {:>8} {:>8}", "angles", 24, 48, 96);
    let whole = speaker.response().expect("the demo speaker has angles");
    for keep_every_deg in [40, 20, 10] {
        let angles = thinned(whole, keep_every_deg);
        print!("{:>6}", angles.members().len());
        for per_oct in [24.0, 48.0, 96.0] {
            let grid = Grid::logarithmic(20.0, 20_000.0, per_oct);
            let response = angles.resampled(&grid).expect("it was measured that far");
            let curves = AveragedCurves::from_response(&response, RearWall::default());
            let subject = Subject {
                response: Some(&response),
                // Few angles make no listening window; all curves are those of all angles.
                curves: if keep_every_deg == 10 {
                    &curves
                } else {
                    &speaker.curves
                },
                ..subject
            };
            let audit =
                || planish::audit::audit(&subject, &options.audit).expect("it can be audited");
            print!(" {:>8.1}", median_ms(|| drop(audit())));
        }
        println!();
    }

    println!("\nas a process");
    let out = std::env::temp_dir().join(format!("planish-bench-{}", std::process::id()));
    let out_text = out.to_string_lossy().into_owned();
    let folder_text = folder.to_string_lossy().into_owned();
    for arguments in [
        vec!["plan", &folder_text, "--out", &out_text],
        vec!["audit", &folder_text],
        vec!["--version"],
    ] {
        let run = || {
            let status = Command::new(env!("CARGO_BIN_EXE_planish"))
                .args(&arguments)
                .stdout(Stdio::null())
                .stderr(Stdio::null())
                .status()
                .expect("the binary can be started");
            assert!(status.success());
        };
        println!("planish {} {:.0} ms", arguments[0], median_ms(run));
    }
    // Left behind it would only take room.
    let _ = std::fs::remove_dir_all(out);
}

/// The angles that are whole multiples of so many degrees.
fn thinned(response: &Response, every_deg: i32) -> Response {
    let kept = response.members().iter().filter(|member| {
        let angle_deg = member.direction.angle_deg().round() as i32;
        angle_deg % every_deg == 0
            && (member.direction.orbit() == Orbit::Horizontal || angle_deg % 180 != 0)
    });
    Response::new(response.grid().clone(), kept.cloned().collect())
        .expect("some of the angles are all different")
}
