//! The house has one direction: a room uses only rooms listed above it in `src/lib.rs`.

use std::fs;
use std::path::{Path, PathBuf};

fn rooms() -> Vec<String> {
    let lib = fs::read_to_string("src/lib.rs").unwrap();
    lib.lines()
        .filter_map(|line| line.strip_prefix("pub mod ")?.strip_suffix(';'))
        .map(str::to_string)
        .collect()
}

fn sources(dir: &Path, found: &mut Vec<PathBuf>) {
    for entry in fs::read_dir(dir).unwrap() {
        let path = entry.unwrap().path();
        if path.is_dir() {
            sources(&path, found);
        } else if path.extension().is_some_and(|e| e == "rs") {
            found.push(path);
        }
    }
}

/// Every `crate::name` in the code, doc links and comments left out.
fn rooms_used(text: &str) -> Vec<String> {
    used_after(text, "crate::")
}

/// Every name that stands after `door` in the code, doc links and comments left out.
fn used_after(text: &str, door: &str) -> Vec<String> {
    let code: String = text
        .lines()
        .filter(|line| !line.trim_start().starts_with("//"))
        .map(|line| format!("{line}\n"))
        .collect();
    let mut used = Vec::new();
    for (at, _) in code.match_indices(door) {
        let rest = &code[at + door.len()..];
        let names: Vec<String> = match rest.strip_prefix('{') {
            Some(list) => top_level_names(list),
            None => vec![first_name(rest)],
        };
        used.extend(names);
    }
    used
}

fn first_name(text: &str) -> String {
    text.chars()
        .take_while(|c| c.is_alphanumeric() || *c == '_')
        .collect()
}

/// First names of `a::{..}, b::c, d}` up to the closing brace.
fn top_level_names(list: &str) -> Vec<String> {
    let mut names = Vec::new();
    let (mut depth, mut fresh) = (0, true);
    for (at, c) in list.char_indices() {
        match c {
            '{' => depth += 1,
            '}' if depth == 0 => break,
            '}' => depth -= 1,
            ',' if depth == 0 => fresh = true,
            c if fresh && (c.is_alphabetic() || c == '_') => {
                names.push(first_name(&list[at..]));
                fresh = false;
            }
            _ => {}
        }
    }
    names
}

#[test]
fn a_room_uses_only_rooms_above_it() {
    let rooms = rooms();
    assert!(rooms.len() > 10, "lib.rs lists the rooms");
    let mut files = Vec::new();
    sources(Path::new("src"), &mut files);
    let mut seen = 0;
    let mut steps_up = Vec::new();
    for file in files {
        let parts: Vec<String> = file
            .components()
            .map(|c| {
                c.as_os_str()
                    .to_string_lossy()
                    .trim_end_matches(".rs")
                    .to_string()
            })
            .collect();
        let Some(own) = rooms.iter().position(|room| *room == parts[1]) else {
            assert!(
                ["lib", "main"].contains(&parts[1].as_str()),
                "{file:?} is no room"
            );
            continue;
        };
        let text = fs::read_to_string(&file).unwrap();
        for used in rooms_used(&text) {
            // `crate::Error` and `crate::Result` stand for `error`.
            let Some(other) = rooms.iter().position(|room| *room == used) else {
                continue;
            };
            seen += 1;
            if other > own {
                steps_up.push(format!("{} uses {used}, which lies below", file.display()));
            }
        }
    }
    assert!(seen > 30, "the imports are found");
    assert!(steps_up.is_empty(), "{}", steps_up.join("\n"));
}

#[test]
fn super_never_leaves_a_room() {
    let mut files = Vec::new();
    sources(Path::new("src"), &mut files);
    for file in files {
        let text = fs::read_to_string(&file).unwrap();
        let code: String = text.split("#[cfg(test)]").next().unwrap_or("").to_string();
        // Depth below src: src/a.rs and src/a/mod.rs stand at the door, src/a/b.rs inside.
        let depth = file.components().count() - 1;
        let at_the_door =
            depth == 1 || file.file_name().is_some_and(|n| n == "mod.rs") && depth == 2;
        if at_the_door {
            assert!(!code.contains("super::"), "{}", file.display());
        }
        assert!(
            depth > 3 || !code.contains("super::super::"),
            "{}",
            file.display()
        );
    }
}

/// The files of the module `read` in their order, and of each the others that it uses.
fn files_of_read() -> Vec<(String, Vec<String>)> {
    let text = fs::read_to_string("src/read/mod.rs").unwrap();
    let names = text.lines().filter_map(|line| {
        let line = line.strip_prefix("pub ").unwrap_or(line);
        line.strip_prefix("mod ")?.strip_suffix(';')
    });
    let used = |name: &str| {
        let own = PathBuf::from(format!("src/read/{name}.rs"));
        let mut files = Vec::new();
        if own.exists() {
            files.push(own);
        } else {
            sources(&Path::new("src/read").join(name), &mut files);
        }
        // Another file is `super::other` from a file of its own or the door of a sub-folder, and
        // `crate::read::other` from inside a sub-folder.
        let used_by = |file: PathBuf| {
            let is_inside = file.components().count() > 3 && !file.ends_with("mod.rs");
            let door = if is_inside {
                "crate::read::"
            } else {
                "super::"
            };
            used_after(&fs::read_to_string(&file).unwrap(), door)
        };
        files.into_iter().flat_map(used_by).collect()
    };
    names.map(|name| (name.to_string(), used(name))).collect()
}

#[test]
fn a_file_of_read_uses_only_files_above_it() {
    let files = files_of_read();
    assert!(files.len() > 30, "mod.rs lists the files");
    let order = |name: &str| files.iter().position(|(own, _)| own == name);
    let mut seen = 0;
    for (at, (own, used)) in files.iter().enumerate() {
        for other in used {
            if let Some(above) = order(other) {
                seen += 1;
                assert!(above <= at, "{own} uses {other}, which stands below it");
            }
        }
    }
    assert!(seen > 80, "the imports are found: {seen}");
}

#[test]
fn only_one_file_of_read_knows_a_file_system() {
    let mut files = Vec::new();
    sources(Path::new("src/read"), &mut files);
    for file in files {
        let text = fs::read_to_string(&file).unwrap();
        let code = text.split("#[cfg(test)]").next().unwrap_or("");
        let knows = [
            "std::fs",
            "canonicalize",
            "metadata(",
            ".is_file()",
            ".is_dir()",
        ]
        .iter()
        .any(|word| code.contains(word));
        assert_eq!(knows, file.ends_with("disk.rs"), "{}", file.display());
    }
}

#[test]
fn the_test_sees_a_step_upward() {
    assert_eq!(
        rooms_used("use crate::{run::{a, b}, units};\nuse crate::fit::Fit;\n// crate::audit\n"),
        ["run", "units", "fit"]
    );
}
