//! What planish prints and writes today, whole: terminal, page, JSON and files of some dozen calls.
//!
//! These texts prove that nothing changed, not that it is right; what is right is tested elsewhere.
//! `PLANISH_GOLDEN=write cargo test --test golden` writes them anew after a change on purpose; the
//! difference is then part of the change and is read before it is committed.

mod cases;
mod digest;

use cases::{CASES, Case};
use std::fmt::Write;
use std::fs;
use std::path::Path;
use std::process::Command;

/// Everything a case prints and writes, one text.
fn outcome(case: &Case) -> String {
    let place = tempfile::tempdir().expect("a temporary folder");
    let work = place.path();
    (case.prepare)(work);
    let mut text = String::new();
    for call in case.calls {
        let words: Vec<String> = call.split_whitespace().map(String::from).collect();
        let output = Command::new(env!("CARGO_BIN_EXE_planish"))
            .args(&words)
            .current_dir(work)
            .env("NO_COLOR", "1")
            .output()
            .expect("the binary runs");
        let code = output.status.code().unwrap_or(-1);
        let _ = writeln!(text, "$ planish {call}\nexit {code}");
        let printed = String::from_utf8(output.stdout).expect("UTF-8");
        section(&mut text, "standard output", &digest::printed(&printed));
        let said = String::from_utf8(output.stderr).expect("UTF-8");
        section(&mut text, "standard error", &said);
    }
    let written = work.join("out");
    if written.is_dir() {
        for path in files_below(&written) {
            let name = path.strip_prefix(work).expect("below").display();
            let bytes = fs::read(&path).expect("a written file");
            section(&mut text, &name.to_string(), &digest::file(&path, &bytes));
        }
    }
    text
}

fn section(text: &mut String, heading: &str, body: &str) {
    let _ = writeln!(text, "--- {heading}");
    text.push_str(body);
    if !body.is_empty() && !body.ends_with('\n') {
        text.push('\n');
    }
}

/// All files below a folder, by name.
fn files_below(folder: &Path) -> Vec<std::path::PathBuf> {
    let mut found = Vec::new();
    let mut folders = vec![folder.to_path_buf()];
    while let Some(next) = folders.pop() {
        for entry in fs::read_dir(next).expect("a folder") {
            let path = entry.expect("an entry").path();
            if path.is_dir() {
                folders.push(path);
            } else {
                found.push(path);
            }
        }
    }
    found.sort();
    found
}

/// The first line in which two texts differ, with its number.
fn first_difference(is: &str, was: &str) -> String {
    let (mut is_lines, mut was_lines) = (is.lines(), was.lines());
    for number in 1.. {
        match (is_lines.next(), was_lines.next()) {
            (None, None) => return "only the last line end differs".into(),
            (a, b) if a != b => {
                return format!(
                    "line {number}\n  was {}\n  is  {}",
                    b.unwrap_or("(ended)"),
                    a.unwrap_or("(ended)")
                );
            }
            _ => {}
        }
    }
    unreachable!("texts end")
}

#[test]
fn what_is_printed_and_written_is_what_it_was() {
    let write = std::env::var_os("PLANISH_GOLDEN").is_some_and(|value| value == "write");
    let mut changed = Vec::new();
    for case in CASES {
        let is = outcome(case);
        let path = Path::new("tests/golden/texts").join(format!("{}.txt", case.name));
        if write {
            fs::create_dir_all("tests/golden/texts").expect("the folder of the texts");
            fs::write(&path, &is).expect("the text is written");
            continue;
        }
        let was = fs::read_to_string(&path).unwrap_or_default();
        if is != was {
            let first = first_difference(&is, &was);
            changed.push(format!("{}: {first}", case.name));
        }
    }
    assert!(
        changed.is_empty(),
        "not what it was (PLANISH_GOLDEN=write after a change on purpose):\n{}",
        changed.join("\n")
    );
}

#[test]
fn every_text_belongs_to_a_case() {
    for path in files_below(Path::new("tests/golden/texts")) {
        let name = path.file_stem().expect("a name").to_string_lossy();
        assert!(CASES.iter().any(|case| case.name == name), "{name}");
    }
}
