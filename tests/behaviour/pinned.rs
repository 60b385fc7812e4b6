//! The wanted EQ of a few simulated speakers, pinned: wrong evidence, a wrong network or a wrong
//! rule after it moves one of these, while a judgement that is only a little finer does not.
//!
//! The numbers in `pinned.csv` are what the program said on the day they were written, not the
//! truth. After the weights of the audit were learned anew, look at the difference and write them
//! again:
//!
//!     PLANISH_PIN=write cargo test --test behaviour pinned

use super::made::{Made, Orbit, Planned, table, tens};
use planish::curve::Grid;
use planish::response::{Orbit as Circle, Response};
use planish::simulate::{FieldSpeaker, Simulated, SketchSpeaker, Speaker, full_orbits};
use std::fmt::Write;
use std::path::Path;

/// The wanted EQ is made of components of 0.58 dB and more; learned anew it moves by less than
/// this where the judgement stays, and a tenth of it is rounding of other builds.
const PINNED_WITHIN_DB: f64 = 0.3;

/// An octave apart, from where most speakers are judged to where beaming decides.
const PINNED_HZ: [f64; 9] = [
    60.0, 120.0, 240.0, 480.0, 960.0, 1920.0, 3840.0, 7680.0, 14_000.0,
];

/// Of each physics so many speakers, from this seed on; judging seeds, not tuned on.
const SEEDS: std::ops::Range<u64> = 310_000..310_008;

/// What is measured of each.
#[derive(Clone, Copy)]
enum Measured {
    BothOrbits,
    Averages,
}

fn responses() -> Vec<(String, Response)> {
    let grid = Grid::logarithmic(20.0, 20_000.0, 24.0);
    let mut all = Vec::new();
    for seed in SEEDS {
        let directions = full_orbits();
        let drawn = [
            ("sphere", Speaker::draw(seed).response(&grid, &directions)),
            (
                "field",
                FieldSpeaker::draw(seed).response(&grid, &directions),
            ),
            (
                "sketch",
                SketchSpeaker::draw(seed).response(&grid, &directions),
            ),
        ];
        for (physics, response) in drawn {
            all.push((format!("{physics} {seed}"), response.unwrap()));
        }
    }
    all
}

/// The plan of a simulated speaker, through files.
fn planned(response: &Response, measured: Measured) -> Planned {
    let freqs_hz = response.grid().freqs_hz();
    let at = |f_hz: f64| response.grid().nearest(f_hz);
    let level = |f_hz: f64, orbit: Orbit, angle_deg: f64| {
        let circle = match orbit {
            Orbit::Horizontal => Circle::Horizontal,
            Orbit::Vertical => Circle::Vertical,
        };
        response.at(circle, angle_deg).unwrap().levels_db[at(f_hz)]
    };
    let whole = Made::of_angles(freqs_hz, &level, "");
    match measured {
        Measured::BothOrbits => whole.plan(&[]),
        Measured::Averages => {
            let curves = super::made::printed(&["curves", whole.path().to_str().unwrap()]);
            let part = Made::of_averages(freqs_hz, &[("listening_window", &|_| 0.0)]);
            part.write("curves.csv", &curves);
            part.plan(&[])
        }
    }
}

/// One line for each speaker: its name, then the wanted EQ at [`PINNED_HZ`].
fn lines() -> String {
    let mut text = String::from("speaker");
    PINNED_HZ.iter().for_each(|f| write!(text, ",{f}").unwrap());
    text.push('\n');
    for (name, response) in responses() {
        for (measured, words) in [
            (Measured::BothOrbits, ""),
            (Measured::Averages, " averages"),
        ] {
            if matches!(measured, Measured::Averages) && !name.starts_with("sphere") {
                continue;
            }
            let plan = planned(&response, measured);
            write!(text, "{name}{words}").unwrap();
            for f_hz in PINNED_HZ {
                write!(text, ",{:.2}", plan.at("wish_db", f_hz)).unwrap();
            }
            text.push('\n');
        }
    }
    text
}

#[test]
fn pinned_speakers_get_the_eq_they_got() {
    let place = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/behaviour/pinned.csv");
    let now = lines();
    if std::env::var("PLANISH_PIN").is_ok_and(|word| word == "write") {
        std::fs::write(&place, &now).unwrap();
        return;
    }
    let then = std::fs::read_to_string(&place).unwrap();
    assert_eq!(now.lines().count(), then.lines().count());
    let mut moved = String::new();
    for (now, then) in now.lines().zip(then.lines()).skip(1) {
        let [now, then]: [Vec<&str>; 2] = [now, then].map(|line| line.split(',').collect());
        assert_eq!(now[0], then[0]);
        for ((f_hz, now_db), then_db) in PINNED_HZ.iter().zip(&now[1..]).zip(&then[1..]) {
            let [a, b] = [now_db, then_db].map(|v| v.parse::<f64>().unwrap());
            if (a - b).abs() > PINNED_WITHIN_DB {
                writeln!(moved, "{}: {f_hz} Hz {then_db} -> {now_db} dB", now[0]).unwrap();
            }
        }
    }
    assert!(moved.is_empty(), "the wanted EQ has moved:\n{moved}");
}

#[test]
fn pinned_speakers_are_told_something_at_all() {
    let then = include_str!("pinned.csv");
    let values: Vec<f64> = then
        .lines()
        .skip(1)
        .flat_map(|line| line.split(',').skip(1).map(|v| v.parse::<f64>().unwrap()))
        .collect();
    let far = values.iter().filter(|v| v.abs() > 1.0).count();
    assert!(far * 4 > values.len(), "{far} of {}", values.len());
    // The same tables make the same text, so that a name is a place.
    let names: Vec<String> = tens().map(|a| a.to_string()).collect();
    assert_eq!(names.len(), 36);
    assert_eq!(
        table(&[1.0], &names[..1], |_, _| 2.0),
        "freq_hz,-170\n1,2\n"
    );
}
