//! The example readers of the filter list, run on lists of all number formats, and the example in
//! the description of the format.

use planish::device::{Coefficient, Feedback, Number};
use planish::filter::{Biquad, Kind, Stage};
use planish::filter_list::{FilterList, ListedStage};
use std::io::Write;
use std::path::Path;
use std::process::{Command, Stdio};

fn list(number: Number, feedback: Feedback) -> FilterList {
    let stages = [
        (Kind::Peaking, 60.0, -6.5, 3.0),
        (Kind::HighPass, 25.0, 0.0, 0.7),
        (Kind::Peaking, 3_150.0, 2.25, 1.5),
        (Kind::HighShelf, 8_000.0, -2.0, 0.71),
    ];
    let held = |value| number.quantise(value).expect("within the format");
    FilterList {
        // A name full of traps for a reader that splits lines carelessly.
        speaker: "b 1 2 3\na \"#\" end 4 crc32=0 - ".into(),
        rate_hz: 48_000.0,
        number,
        feedback,
        gain_db: -2.25,
        stages: stages
            .map(|(kind, f0_hz, gain_db, q)| {
                let stage = Stage {
                    kind,
                    f0_hz,
                    gain_db,
                    q,
                };
                let exact = stage.biquad(48_000.0);
                let biquad = (number != Number::None).then(|| Biquad {
                    b0: held(exact.b0),
                    b1: held(exact.b1),
                    b2: held(exact.b2),
                    a1: held(exact.a1),
                    a2: held(exact.a2),
                });
                ListedStage {
                    stage,
                    biquad,
                    words: None,
                }
            })
            .to_vec(),
    }
}

fn written(list: &FilterList) -> String {
    planish::export::filter_list::write(list, &Coefficient::USUAL_ORDER).unwrap()
}

/// What the reader makes of `samples`; `None` when it refuses the list.
fn filtered(reader: &[&str], list: &str, samples: &[f64]) -> Option<Vec<f64>> {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("filters.txt");
    std::fs::write(&path, list).unwrap();
    let mut child = Command::new(reader[0])
        .args(&reader[1..])
        .arg(&path)
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .stderr(Stdio::null())
        .spawn()
        .unwrap();
    let input: String = samples.iter().map(|x| format!("{x:e}\n")).collect();
    // A reader that refuses the list closes its input early.
    let _ = child.stdin.take().unwrap().write_all(input.as_bytes());
    let output = child.wait_with_output().unwrap();
    output.status.success().then(|| {
        let text = String::from_utf8(output.stdout).unwrap();
        text.lines().map(|line| line.parse().unwrap()).collect()
    })
}

/// Runs a reader on lists of every kind, sound and damaged.
fn try_reader(reader: &[&str]) {
    // An impulse and something after it; few enough for the pipe's buffer.
    let samples: Vec<f64> = (0..400).map(|n| 1.0 / f64::from(1 + n * n % 37)).collect();
    for name in ["f64", "f32", "fixed 5.27", "fixed 8.24"] {
        for feedback in [Feedback::Subtracted, Feedback::Added] {
            let list = list(Number::from_name(name).unwrap(), feedback);
            let out = filtered(reader, &written(&list), &samples).expect("the list is sound");
            let expected = list.bank().run(&samples);
            assert_eq!(out.len(), expected.len());
            for (n, (out, expected)) in out.iter().zip(&expected).enumerate() {
                // Another form of the same filters: rounding only.
                assert!(
                    (out - expected).abs() < 1e-10,
                    "{name}, {n}: {out}, {expected}"
                );
            }
        }
    }
    let sound = written(&list(Number::F64, Feedback::Subtracted));
    for damaged in [
        sound.replace("q=3", "q=4"),
        sound.replace("planish-filters 1", "planish-filters 2"),
        sound.replace("end 4", "end 3"),
        written(&list(Number::None, Feedback::Subtracted)),
    ] {
        assert_ne!(damaged, sound);
        assert_eq!(filtered(reader, &damaged, &samples), None, "{damaged}");
    }
}

/// Whether a program can be started; says so loudly when not, past the capture of test output.
fn is_there(program: &str) -> bool {
    let found = Command::new(program)
        .arg("--version")
        .stdout(Stdio::null())
        .stderr(Stdio::null())
        .status();
    let is_there = found.is_ok_and(|status| status.success());
    if !is_there {
        let _ = writeln!(
            std::io::stderr(),
            "\n*** SKIPPED: no {program} here, its example reader of the filter list was not run ***\n"
        );
    }
    is_there
}

#[test]
fn the_python_reader_filters_like_the_library_and_refuses_damaged_lists() {
    if is_there("python3") {
        try_reader(&["python3", "examples/filter_list/reader.py"]);
    }
}

#[test]
fn the_c_reader_filters_like_the_library_and_refuses_damaged_lists() {
    if !is_there("cc") {
        return;
    }
    let dir = tempfile::tempdir().unwrap();
    let program = dir.path().join("reader");
    let program = program.to_str().unwrap();
    let compiled = Command::new("cc")
        .args(["-std=c99", "-Wall", "-Werror", "-O1", "-o", program])
        .args(["examples/filter_list/reader.c", "-lm"])
        .status()
        .unwrap();
    assert!(compiled.success());
    try_reader(&[program]);
}

#[test]
fn the_list_in_the_description_of_the_format_is_sound() {
    let readme = std::fs::read_to_string("examples/filter_list/README.md").unwrap();
    let (_, rest) = readme.split_once("```text\n").unwrap();
    let (text, _) = rest.split_once("```").unwrap();
    let list = planish::read::filter_list::parse(Path::new("README.md"), text).unwrap();
    let stage = list.stages[0].stage;
    let number = Number::from_name("fixed 5.27").unwrap();
    let exact = stage.biquad(list.rate_hz);
    let listed = list.stages[0].biquad.unwrap();
    assert_eq!(number.quantise(exact.b0), Some(listed.b0));
    assert_eq!(number.quantise(exact.a2), Some(listed.a2));
    assert!(list.bank().peak_db() <= 0.0);
}
