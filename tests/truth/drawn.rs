//! Simulated speakers written as a user's folders, and the plans that the program makes of them.
//!
//! The library draws the speakers and does nothing else here.

use super::written::Planned;
use planish::curve::Grid;
use planish::response::{Member, Orbit, Response};
use planish::trial::{Evidence, Physics, draw, measurement};
use std::fmt::Write;
use std::fs;
use std::path::Path;
use std::process::Command;
use std::sync::OnceLock;
use std::sync::atomic::{AtomicUsize, Ordering};
use tempfile::TempDir;

/// The first seed; those from here on are for judging.
const FIRST_SEED: u64 = 100_000;

/// Every population with every kind of evidence in its turn.
const USUAL_COUNT: usize = POPULATIONS.len() * EVIDENCE.len();

const POPULATIONS: [(&str, Physics); 4] = [
    ("market", Physics::Market),
    ("sphere", Physics::Sphere),
    ("field", Physics::Field),
    ("sketch", Physics::Sketch),
];

/// Most people who measure both orbits measure all of them.
const EVIDENCE: [(&str, Evidence); 8] = [
    ("full", Evidence::Full),
    ("full", Evidence::Full),
    ("one side", Evidence::OneSide),
    ("full", Evidence::Full),
    ("averages", Evidence::Averages),
    ("full", Evidence::Full),
    ("no vertical", Evidence::NoVertical),
    ("full", Evidence::Full),
];

/// The plans of all speakers, made once for all tests. `PLANISH_TRUTH` says how many.
pub fn plans() -> &'static [Planned] {
    static PLANS: OnceLock<Vec<Planned>> = OnceLock::new();
    PLANS.get_or_init(|| {
        let count = std::env::var("PLANISH_TRUTH").map_or(USUAL_COUNT, |count| {
            count
                .parse()
                .expect("PLANISH_TRUTH is a number of speakers")
        });
        all(count)
    })
}

fn all(count: usize) -> Vec<Planned> {
    let next = AtomicUsize::new(0);
    let work = || {
        let mut made = Vec::new();
        loop {
            let index = next.fetch_add(1, Ordering::Relaxed);
            if index >= count {
                return made;
            }
            made.push((index, planned(index)));
        }
    };
    let threads = std::thread::available_parallelism().map_or(1, usize::from);
    let mut made: Vec<(usize, Planned)> = std::thread::scope(|scope| {
        let workers: Vec<_> = (0..threads).map(|_| scope.spawn(work)).collect();
        workers
            .into_iter()
            .flat_map(|w| w.join().unwrap())
            .collect()
    });
    made.sort_by_key(|(index, _)| *index);
    made.into_iter().map(|(_, planned)| planned).collect()
}

fn planned(index: usize) -> Planned {
    let (population, physics) = POPULATIONS[index % POPULATIONS.len()];
    let (measured, evidence) = EVIDENCE[index / POPULATIONS.len() % EVIDENCE.len()];
    let seed = FIRST_SEED + index as u64;
    // The true defects on these frequencies are not looked at.
    let unused = Grid::logarithmic(200.0, 12_000.0, 1.0);
    let [response] = draw(physics, seed, [measurement(seed, evidence)], &unused)
        .unwrap()
        .responses;
    let name = format!("{population} {seed} ({measured})");
    let folder = folder_of(&response);
    match evidence {
        Evidence::Averages => of_folder(name, folder_of_averages(folder.path()).path()),
        _ => of_folder(name, folder.path()),
    }
}

fn of_folder(name: String, folder: &Path) -> Planned {
    let out = tempfile::tempdir().unwrap();
    let out = out.path().join("plan");
    planish(&["plan", text_of(folder), "--out", text_of(&out)]);
    let read = |file: &str| fs::read_to_string(out.join(file)).unwrap();
    Planned::new(
        name,
        &read("plan.json"),
        &read("curves.csv"),
        &read("filters.txt"),
    )
}

fn text_of(path: &Path) -> &str {
    path.to_str().unwrap()
}

/// Runs the program, which must succeed; what it prints.
fn planish(arguments: &[&str]) -> String {
    let output = Command::new(env!("CARGO_BIN_EXE_planish"))
        .args(arguments)
        .output()
        .expect("the binary under test can be started");
    let said = String::from_utf8_lossy(&output.stderr);
    assert_eq!(output.status.code(), Some(0), "{arguments:?}: {said}");
    String::from_utf8(output.stdout).unwrap()
}

/// Wide tables of levels, and of phase where there is one, in dB and degrees with two decimals.
fn folder_of(response: &Response) -> TempDir {
    let folder = tempfile::tempdir().unwrap();
    let mut head = String::from("[speaker]\nname = \"Drawn\"\n\n[orbits]\n");
    for orbit in [Orbit::Horizontal, Orbit::Vertical] {
        let members: Vec<&Member> = (response.members().iter())
            .filter(|m| m.direction.orbit() == orbit)
            .collect();
        if members.is_empty() {
            continue;
        }
        let mut write_table = |key: String, columns: Vec<&Vec<f64>>| {
            let text = table(response.grid().freqs_hz(), &members, &columns);
            fs::write(folder.path().join(format!("{key}.csv")), text).unwrap();
            writeln!(head, "{key} = \"{key}.csv\"").unwrap();
        };
        let name = orbit.name();
        write_table(
            name.to_string(),
            members.iter().map(|m| &m.levels_db).collect(),
        );
        let phases: Option<Vec<&Vec<f64>>> = members.iter().map(|m| m.phase_deg.as_ref()).collect();
        if let Some(phases) = phases {
            write_table(format!("{name}_phase"), phases);
        }
    }
    fs::write(folder.path().join("speaker.toml"), head).unwrap();
    folder
}

fn table(freqs_hz: &[f64], members: &[&Member], columns: &[&Vec<f64>]) -> String {
    let mut text = String::from("freq_hz");
    for member in members {
        write!(text, ",{}", member.direction.angle_deg()).unwrap();
    }
    for (row, f_hz) in freqs_hz.iter().enumerate() {
        write!(text, "\n{f_hz}").unwrap();
        for column in columns {
            write!(text, ",{:.2}", column[row]).unwrap();
        }
    }
    text + "\n"
}

/// A folder with nothing but the averaged curves of the speaker in `folder`.
fn folder_of_averages(folder: &Path) -> TempDir {
    let averages = tempfile::tempdir().unwrap();
    let curves = planish(&["curves", text_of(folder)]);
    fs::write(averages.path().join("curves.csv"), curves).unwrap();
    let head = "[speaker]\nname = \"Drawn\"\n\n[curves]\ntable = \"curves.csv\"\n";
    fs::write(averages.path().join("speaker.toml"), head).unwrap();
    averages
}
