//! Wrong inputs of the kinds that people and other programs make, some hundred in the suite and
//! thousands when asked:
//!
//!     PLANISH_MISTAKES=6000 cargo test --test mistakes -- --nocapture
//!
//! Other than in `tests/damage` a mistake is made on purpose: what must be refused is refused,
//! and what it says names file and place in 95 of 100 cases.

#![allow(missing_docs)] // A test program has no public interface.

#[path = "../damage/sound.rs"]
mod sound;
#[path = "../damage/trial.rs"]
mod trial;
#[path = "../written_sofa/mod.rs"]
mod written_sofa;

mod binary;
mod descriptions;
mod lists;
mod tables;

use sound::Kind;
use std::collections::BTreeMap;
use std::path::Path;
use trial::{Outcome, tried};

/// The bars. Source: issue 8.
const MOST_S: f64 = 2.0;
const PLACED: f64 = 0.95;

/// Files by name; [`FOLDER`] as content stands for a folder.
pub type Files = Vec<(String, Vec<u8>)>;

/// Content that stands for a folder.
pub const FOLDER: &[u8] = b"\0a folder";

/// Chance that is the same every time.
pub struct Dice(u64);

impl Dice {
    /// SplitMix64. Source: Steele, Lea, Flood 2014, OOPSLA, fig. 17.
    fn next(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let z = (self.0 ^ (self.0 >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        let z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        z ^ (z >> 31)
    }

    pub fn below(&mut self, count: usize) -> usize {
        (self.next() % count.max(1) as u64) as usize
    }

    pub fn of<'a, T>(&mut self, all: &'a [T]) -> &'a T {
        &all[self.below(all.len())]
    }
}

/// A mistake in the inputs of some kinds.
pub struct Mistake {
    pub name: &'static str,
    /// Names of the kinds it is made in.
    pub kinds: &'static [&'static str],
    /// Whether nothing but a refusal will do.
    pub must_be_refused: bool,
    /// Makes it.
    pub make: fn(&mut Files, &mut Dice),
}

/// A mistake that must be refused.
pub fn refused(
    name: &'static str,
    kinds: &'static [&'static str],
    make: fn(&mut Files, &mut Dice),
) -> Mistake {
    Mistake {
        name,
        kinds,
        must_be_refused: true,
        make,
    }
}

fn write(files: &Files, dir: &Path) {
    for (name, bytes) in files {
        let path = dir.join(name);
        if bytes == FOLDER {
            std::fs::create_dir_all(path).unwrap();
        } else {
            std::fs::write(path, bytes).unwrap();
        }
    }
}

fn setting(name: &str, otherwise: usize) -> usize {
    std::env::var(name).map_or(otherwise, |value| value.parse().unwrap())
}

#[test]
fn mistakes_are_refused_with_the_file_and_the_place() {
    let rounds = setting("PLANISH_MISTAKES", 1200);
    let mut dice = Dice(setting("PLANISH_SEED", 88) as u64);
    let kinds = Kind::all();
    let mistakes: Vec<Mistake> = [
        tables::mistakes(),
        descriptions::mistakes(),
        lists::mistakes(),
        binary::mistakes(),
    ]
    .into_iter()
    .flatten()
    .collect();
    let (mut refused, mut placed, mut slowest_s) = (0, 0, 0.0f64);
    let mut unplaced: BTreeMap<String, usize> = BTreeMap::new();
    let mut accepted: BTreeMap<String, usize> = BTreeMap::new();
    for round in 0..rounds {
        let mistake = &mistakes[round % mistakes.len()];
        let wanted = dice.of(mistake.kinds);
        let kind = kinds
            .iter()
            .find(|kind| kind.name == *wanted)
            .unwrap_or_else(|| panic!("no kind {wanted}"));
        let mut files = kind.files.clone();
        (mistake.make)(&mut files, &mut dice);
        let dir = tempfile::tempdir().unwrap();
        write(&files, dir.path());
        let tried = tried(kind, dir.path(), false);
        let keep = || {
            let kept = std::env::temp_dir().join("planish-mistake");
            let _ = std::fs::remove_dir_all(&kept);
            let _ = std::fs::rename(dir.path(), &kept);
            format!(
                "round {round}, {} in {}; kept in {}",
                mistake.name,
                kind.name,
                kept.display()
            )
        };
        slowest_s = slowest_s.max(tried.reading_s);
        assert!(
            tried.reading_s < MOST_S,
            "{} s: {}",
            tried.reading_s,
            keep()
        );
        match tried.outcome {
            Outcome::Result => {
                let what = format!("{} in {}", mistake.name, kind.name);
                if mistake.must_be_refused {
                    *accepted.entry(what).or_default() += 1;
                    keep();
                }
            }
            Outcome::Error {
                message,
                placed: in_place,
            } => {
                assert!(message.len() < 2000, "{message}: {}", keep());
                refused += 1;
                placed += usize::from(in_place);
                if !in_place {
                    let line = message.lines().next().unwrap_or_default();
                    let what = format!("{} in {}: {line}", mistake.name, kind.name);
                    *unplaced.entry(what).or_default() += 1;
                }
            }
            Outcome::NotFinite(what) | Outcome::Panic(what) => panic!("{what}: {}", keep()),
        }
    }
    let share = f64::from(placed as u32) / f64::from(refused as u32);
    println!(
        "{} mistakes, {rounds} inputs, {refused} refused, {:.1} % of them with file and place, longest reading {slowest_s:.2} s",
        mistakes.len(),
        100.0 * share
    );
    for (what, count) in &unplaced {
        println!("without its place, {count} x {what}");
    }
    assert!(accepted.is_empty(), "accepted: {accepted:#?}");
    assert!(refused * 10 > rounds * 8, "{refused} of {rounds} refused");
    assert!(share >= PLACED, "{:.1} %", 100.0 * share);
}

/// The same through the binary: exit code 2, nothing on standard output, no plan.
#[test]
fn the_binary_ends_with_2_and_writes_nothing() {
    let kinds = Kind::all();
    let mut dice = Dice(8);
    let mistakes = tables::mistakes()
        .into_iter()
        .chain(descriptions::mistakes());
    for mistake in mistakes.chain(binary::mistakes()) {
        let kind = kinds
            .iter()
            .find(|kind| mistake.kinds.contains(&kind.name) && kind.used == sound::Use::Speaker);
        let Some(kind) = kind.filter(|_| mistake.must_be_refused) else {
            continue;
        };
        let mut files = kind.files.clone();
        (mistake.make)(&mut files, &mut dice);
        let dir = tempfile::tempdir().unwrap();
        write(&files, dir.path());
        let sofa = dir.path().join("a.sofa");
        let alone = files.len() == 1 && sofa.is_file();
        let out = dir.path().join("out");
        let output = std::process::Command::new(env!("CARGO_BIN_EXE_planish"))
            .arg("plan")
            .arg(if alone { &sofa } else { dir.path() })
            .arg("--out")
            .arg(&out)
            .output()
            .unwrap();
        let said = String::from_utf8_lossy(&output.stderr);
        assert_eq!(output.status.code(), Some(2), "{}: {said}", mistake.name);
        assert!(output.stdout.is_empty(), "{}", mistake.name);
        assert!(said.starts_with("planish: "), "{}: {said}", mistake.name);
        assert!(!out.exists(), "{}", mistake.name);
    }
}
