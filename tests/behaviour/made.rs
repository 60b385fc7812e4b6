//! Speakers made by formula and written as folders, and plans of them made by the program.

use serde_json::Value;
use std::fmt::Write;
use std::fs;
use std::path::{Path, PathBuf};
use std::process::{Command, Output};
use tempfile::TempDir;

/// An orbit.
#[derive(Clone, Copy, PartialEq)]
pub enum Orbit {
    Horizontal,
    Vertical,
}

/// Level in dB by frequency, orbit and angle in degrees.
pub type Levels<'a> = &'a dyn Fn(f64, Orbit, f64) -> f64;

/// Peaking stage of the W3C Audio EQ Cookbook, analog prototype: level in dB at `f_hz`.
pub fn bell_db(f_hz: f64, f0_hz: f64, gain_db: f64, q: f64) -> f64 {
    let a = 10f64.powf(gain_db / 40.0);
    let x = f_hz / f0_hz;
    let skew = (1.0 - x * x).powi(2);
    10.0 * ((skew + (x * a / q).powi(2)) / (skew + (x / (a * q)).powi(2))).log10()
}

/// How much less a usual speaker sends to the side, dB: nothing at low frequencies.
pub fn beaming_db(f_hz: f64, angle_deg: f64) -> f64 {
    -((f_hz / 20_000.0) * (angle_deg / 30.0).powi(2)).min(25.0)
}

/// Frequencies in equal steps from 20 Hz to 20 kHz, both included.
pub fn per_octave(count: f64) -> Vec<f64> {
    let steps = (1000f64.log2() * count).ceil() as i32;
    (0..=steps)
        .map(|i| 20.0 * 1000f64.powf(f64::from(i) / f64::from(steps)))
        .collect()
}

/// The angles of an orbit in steps of ten degrees.
pub fn tens() -> impl Iterator<Item = f64> {
    (-17..=18).map(|i| 10.0 * f64::from(i))
}

/// A table with `freq_hz` and named columns.
pub fn table(freqs_hz: &[f64], names: &[String], level_db: impl Fn(f64, usize) -> f64) -> String {
    let mut text = String::from("freq_hz");
    for name in names {
        write!(text, ",{name}").unwrap();
    }
    text.push('\n');
    for f_hz in freqs_hz {
        write!(text, "{f_hz}").unwrap();
        for column in 0..names.len() {
            write!(text, ",{}", level_db(*f_hz, column)).unwrap();
        }
        text.push('\n');
    }
    text
}

/// A folder of a made-up speaker that vanishes with this value.
pub struct Made {
    dir: TempDir,
}

impl Made {
    /// A speaker measured on both orbits at `freqs_hz`; `more` follows in its description.
    pub fn of_angles(freqs_hz: &[f64], level_db: Levels, more: &str) -> Made {
        let made = Made::empty(&format!(
            "[orbits]\nhorizontal = \"h.csv\"\nvertical = \"v.csv\"\n{more}"
        ));
        let angles: Vec<f64> = tens().collect();
        let names: Vec<String> = angles.iter().map(f64::to_string).collect();
        for (orbit, file) in [(Orbit::Horizontal, "h.csv"), (Orbit::Vertical, "v.csv")] {
            let level = |f_hz: f64, column: usize| level_db(f_hz, orbit, angles[column]);
            made.write(file, &table(freqs_hz, &names, level));
        }
        made
    }

    /// A speaker at the usual 24 points per octave whose angles all have `shared_db`, beside the
    /// usual beaming.
    pub fn alike(shared_db: impl Fn(f64) -> f64, more: &str) -> Made {
        let level = |f_hz: f64, _: Orbit, angle_deg: f64| {
            85.0 + shared_db(f_hz) + beaming_db(f_hz, angle_deg)
        };
        Made::of_angles(&per_octave(24.0), &level, more)
    }

    /// A speaker of which only averaged curves are at hand.
    pub fn of_averages(freqs_hz: &[f64], curves: &[(&str, &dyn Fn(f64) -> f64)]) -> Made {
        let made = Made::empty("[curves]\ntable = \"curves.csv\"\n");
        let names: Vec<String> = curves.iter().map(|c| c.0.to_string()).collect();
        let level = |f_hz: f64, column: usize| curves[column].1(f_hz);
        made.write("curves.csv", &table(freqs_hz, &names, level));
        made
    }

    fn empty(more: &str) -> Made {
        let dir = tempfile::tempdir().unwrap();
        let made = Made { dir };
        made.write(
            "speaker.toml",
            &format!("[speaker]\nname = \"Made\"\n{more}"),
        );
        made
    }

    /// Puts a file into the folder.
    pub fn write(&self, name: &str, text: &str) -> PathBuf {
        let path = self.dir.path().join(name);
        fs::write(&path, text).unwrap();
        path
    }

    pub fn path(&self) -> &Path {
        self.dir.path()
    }

    /// The plan of this speaker with further arguments.
    pub fn plan(&self, arguments: &[&str]) -> Planned {
        Planned::of(self.path(), arguments)
    }
}

/// Runs the program.
pub fn planish(arguments: &[&str]) -> Output {
    Command::new(env!("CARGO_BIN_EXE_planish"))
        .args(arguments)
        .output()
        .expect("the binary under test can be started")
}

/// Runs the program, which must succeed; what it prints.
pub fn printed(arguments: &[&str]) -> String {
    let output = planish(arguments);
    let said = String::from_utf8_lossy(&output.stderr);
    assert_eq!(output.status.code(), Some(0), "{arguments:?}: {said}");
    String::from_utf8(output.stdout).expect("output is UTF-8")
}

/// A plan as it was written, in a folder that vanishes with this value.
pub struct Planned {
    dir: TempDir,
    pub json: Value,
}

impl Planned {
    pub fn of(speaker: &Path, arguments: &[&str]) -> Planned {
        let dir = tempfile::tempdir().unwrap();
        let mut all = vec!["plan", speaker.to_str().unwrap(), "--json", "--out"];
        all.push(dir.path().to_str().unwrap());
        all.extend(arguments);
        let json = serde_json::from_str(&printed(&all)).expect("--json prints one document");
        Planned { dir, json }
    }

    /// A file of the plan.
    pub fn file(&self, name: &str) -> String {
        fs::read_to_string(self.dir.path().join(name)).unwrap()
    }

    /// A number of the JSON document.
    pub fn number(&self, key: &str) -> f64 {
        number(&self.json[key], key)
    }

    /// A list of numbers of the JSON document.
    pub fn list(&self, key: &str) -> Vec<f64> {
        let values = self.json[key].as_array();
        let values = values.unwrap_or_else(|| panic!("{key} is no list"));
        values.iter().map(|v| number(v, key)).collect()
    }

    /// A curve of the JSON document at the frequency nearest to `f_hz`, dB.
    pub fn at(&self, key: &str, f_hz: f64) -> f64 {
        let freqs_hz = self.list("freq_hz");
        let apart = |f: f64| (f / f_hz).ln().abs();
        let nearest = (0..freqs_hz.len())
            .min_by(|a, b| apart(freqs_hz[*a]).total_cmp(&apart(freqs_hz[*b])))
            .unwrap();
        self.list(key)[nearest]
    }

    /// The largest value of a curve of the JSON document from `from_hz` to `to_hz`, dB.
    pub fn largest(&self, key: &str, from_hz: f64, to_hz: f64) -> f64 {
        let rows = self.list("freq_hz").into_iter().zip(self.list(key));
        rows.filter(|(f, _)| (from_hz..=to_hz).contains(f))
            .fold(f64::NEG_INFINITY, |most, (_, value)| most.max(value))
    }
}

fn number(value: &Value, key: &str) -> f64 {
    value
        .as_f64()
        .unwrap_or_else(|| panic!("{key} is {value}, no number"))
}
