//! Folders from somebody who means harm: the binary as a process reads and writes nothing outside
//! the folders it was given, and takes no more memory than it should, whatever files declare.

#![cfg(unix)]

mod killed;
mod output;
mod paths;
mod sizes;
mod slow;
#[path = "../written_sofa/mod.rs"]
mod written_sofa;

use std::fs;
use std::path::{Path, PathBuf};
use std::process::{Command, Output};
use tempfile::TempDir;

/// A call that ends within this time has not hung: the reading of a folder must be over in 2 s, the
/// rest is for planning and a busy machine.
const PATIENCE_S: u64 = 300;

fn planish(arguments: &[&str]) -> Output {
    // The watch is that of the coreutils; a call that hangs ends with 124.
    Command::new("timeout")
        .arg(PATIENCE_S.to_string())
        .arg(env!("CARGO_BIN_EXE_planish"))
        .args(arguments)
        .output()
        .expect("the binary under test can be started")
}

/// What a call that must be refused says on standard error.
fn refusal(arguments: &[&str]) -> String {
    let output = planish(arguments);
    let said = String::from_utf8_lossy(&output.stderr).into_owned();
    assert_eq!(output.status.code(), Some(2), "{arguments:?}: {said}");
    assert!(output.stdout.is_empty(), "{arguments:?}");
    said
}

fn path(path: &Path) -> &str {
    path.to_str().expect("paths of these tests are UTF-8")
}

/// A table of one angle.
fn one() -> String {
    (0..40)
        .map(|i| format!("{},-1\n", 100.0 * 1.2f64.powi(i)))
        .collect()
}

/// Enough for a listening window.
const ANGLES_DEG: [f64; 7] = [-30.0, -20.0, -10.0, 0.0, 10.0, 20.0, 30.0];

/// A wide table of both sides, with a bump and a lack to be mended.
fn wide() -> String {
    let bell = |i: i32, at: f64, width: f64| (-((f64::from(i) - at) / width).powi(2)).exp();
    let rows: String = (0..40)
        .map(|i| {
            let level_db = 5.0 * bell(i, 11.0, 2.0) - 3.0 * bell(i, 22.0, 4.0);
            let f_hz = 100.0 * 1.14f64.powi(i);
            let levels: String = ANGLES_DEG
                .iter()
                .map(|angle| format!(",{:.2}", level_db - (angle / 30.0f64).powi(2)))
                .collect();
            format!("{f_hz}{levels}\n")
        })
        .collect();
    let header: String = ANGLES_DEG.iter().map(|a| format!(",{a}")).collect();
    format!("freq_hz{header}\n{rows}")
}

/// A folder with files, their folders made as needed.
fn folder(files: &[(&str, &str)]) -> TempDir {
    let dir = tempfile::tempdir().unwrap();
    for (name, text) in files {
        let file = dir.path().join(name);
        fs::create_dir_all(file.parent().unwrap()).unwrap();
        fs::write(file, text).unwrap();
    }
    dir
}

/// A sound speaker folder.
fn sound() -> TempDir {
    folder(&[
        (
            "speaker.toml",
            "[speaker]\nname = \"Test\"\n[orbits]\nhorizontal = \"h.csv\"\n",
        ),
        ("h.csv", &wide()),
    ])
}

/// Every file below a folder with its content, links not followed.
fn content(dir: &Path) -> Vec<(PathBuf, Vec<u8>)> {
    let mut all = Vec::new();
    let mut folders = vec![dir.to_path_buf()];
    while let Some(folder) = folders.pop() {
        for entry in fs::read_dir(folder).unwrap() {
            let entry = entry.unwrap();
            let kind = entry.file_type().unwrap();
            if kind.is_dir() {
                folders.push(entry.path());
            } else if kind.is_file() {
                all.push((entry.path(), fs::read(entry.path()).unwrap()));
            } else {
                all.push((entry.path(), Vec::new()));
            }
        }
    }
    all.sort();
    all
}
