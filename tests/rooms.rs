//! Data goes one way: a module uses only modules listed above it in `src/lib.rs`, and inside a module
//! no file uses another that uses it.

use std::collections::{BTreeMap, BTreeSet};
use std::fs;
use std::path::{Path, PathBuf};

fn modules() -> Vec<String> {
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

/// The code of a file without comments and unit tests.
fn code_of(path: &Path) -> String {
    let text = fs::read_to_string(path).unwrap();
    let code = text.split("#[cfg(test)]\nmod tests").next().unwrap_or("");
    without_comments(code)
}

fn without_comments(code: &str) -> String {
    code.lines()
        .filter(|line| !line.trim_start().starts_with("//"))
        .map(|line| format!("{line}\n"))
        .collect()
}

/// Every name that stands after `door` in `code`.
fn used_after(code: &str, door: &str) -> Vec<String> {
    let mut used = Vec::new();
    for (at, _) in code.match_indices(door) {
        let rest = &code[at + door.len()..];
        match rest.strip_prefix('{') {
            Some(list) => used.extend(top_level_names(list)),
            None => used.push(first_name(rest)),
        }
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
fn a_module_uses_only_modules_above_it() {
    let modules = modules();
    assert!(modules.len() > 10, "lib.rs lists the modules");
    let mut files = Vec::new();
    sources(Path::new("src"), &mut files);
    let mut seen = 0;
    let mut steps_up = Vec::new();
    for file in files {
        let first = file.components().nth(1).unwrap();
        let name = first.as_os_str().to_string_lossy();
        let name = name.trim_end_matches(".rs");
        let Some(own) = modules.iter().position(|module| *module == name) else {
            assert!(["lib", "main"].contains(&name), "{file:?} is no module");
            continue;
        };
        let code = without_comments(&fs::read_to_string(&file).unwrap());
        for used in used_after(&code, "crate::") {
            // `crate::Error` and `crate::Result` stand for `error`.
            let Some(other) = modules.iter().position(|module| *module == used) else {
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
fn super_never_leaves_a_module() {
    let mut files = Vec::new();
    sources(Path::new("src"), &mut files);
    for file in files {
        let code = code_of(&file);
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

type Uses = BTreeMap<String, BTreeSet<String>>;

/// What each file of a module uses of the others; a folder counts as one file, `mod` is the file at
/// the door. What the door hands on (`pub use file::Item`) is a use of that file.
fn uses_inside(module: &str) -> Uses {
    let folder = Path::new("src").join(module);
    let door = match folder.join("mod.rs") {
        door if door.exists() => door,
        _ => Path::new("src").join(format!("{module}.rs")),
    };
    let mut paths: BTreeMap<String, Vec<PathBuf>> = BTreeMap::new();
    for entry in fs::read_dir(&folder).unwrap() {
        let path = entry.unwrap().path();
        let name = path.file_stem().unwrap().to_str().unwrap().to_string();
        let files = paths.entry(name).or_default();
        match path.is_dir() {
            true => sources(&path, files),
            false if path.extension().is_some_and(|e| e == "rs") => files.push(path),
            false => {}
        }
    }
    paths.retain(|name, files| name != "mod" && !files.is_empty());
    let door = code_of(&door);
    let mut handed_on: BTreeMap<String, String> = BTreeMap::new();
    let mut own_code = String::new();
    for statement in door.split_inclusive(';') {
        match statement.trim_start().strip_prefix("pub use ") {
            Some(rest) => {
                let file = first_name(rest);
                let items = rest.split(|c: char| !(c.is_alphanumeric() || c == '_'));
                handed_on.extend(items.skip(1).map(|item| (item.to_string(), file.clone())));
            }
            None => own_code.push_str(statement),
        }
    }
    let mut uses = Uses::new();
    let of_door = paths.keys().filter(|file| {
        let call = format!("{file}::");
        own_code.match_indices(&call).any(|(at, _)| {
            let before = own_code[..at].chars().next_back();
            before.is_none_or(|c| !(c.is_alphanumeric() || c == '_' || c == ':'))
        })
    });
    uses.insert("mod".into(), of_door.cloned().collect());
    let inside = format!("crate::{module}::");
    for (name, files) in &paths {
        let mut used = BTreeSet::new();
        for path in files {
            let code = code_of(path);
            let mut names = used_after(&code, &inside);
            // From inside a folder `super` is its own door.
            match path.parent() == Some(&folder) || path.ends_with("mod.rs") {
                true => names.extend(used_after(&code, "super::")),
                false => names.extend(used_after(&code, "super::super::")),
            }
            used.extend(names.into_iter().filter(|n| n != "super").map(|item| {
                match (paths.contains_key(&item), handed_on.get(&item)) {
                    (true, _) => item,
                    (false, Some(file)) => file.clone(),
                    (false, None) => "mod".into(),
                }
            }));
        }
        used.remove(name);
        uses.insert(name.clone(), used);
    }
    uses
}

/// The files that stay when those that use nothing are taken away, again and again.
fn circle(mut uses: Uses) -> Uses {
    loop {
        let free: Vec<String> = uses
            .iter()
            .filter(|(_, used)| used.is_empty())
            .map(|(name, _)| name.clone())
            .collect();
        if free.is_empty() {
            return uses;
        }
        uses.retain(|name, _| !free.contains(name));
        for used in uses.values_mut() {
            used.retain(|name| !free.contains(name));
        }
    }
}

#[test]
fn no_file_of_a_module_uses_one_that_uses_it() {
    let mut seen = 0;
    for module in modules() {
        if !Path::new("src").join(&module).is_dir() {
            continue;
        }
        let uses = uses_inside(&module);
        seen += uses.values().map(BTreeSet::len).sum::<usize>();
        let circle = circle(uses);
        assert!(circle.is_empty(), "{module}: {circle:#?}");
    }
    assert!(seen > 300, "the uses are found: {seen}");
}

#[test]
fn only_one_file_of_read_knows_a_file_system() {
    let mut files = Vec::new();
    sources(Path::new("src/read"), &mut files);
    for file in files {
        let text = fs::read_to_string(&file).unwrap();
        let code = text.split("#[cfg(test)]\nmod tests").next().unwrap_or("");
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
    let code = "use crate::{run::{a, b}, units};\nuse crate::fit::Fit;\n// crate::audit\n";
    let used = used_after(&without_comments(code), "crate::");
    assert_eq!(used, ["run", "units", "fit"]);
}

#[test]
fn the_test_sees_a_circle() {
    let of = |pairs: &[(&str, &[&str])]| -> Uses {
        pairs
            .iter()
            .map(|(name, used)| {
                let used = used.iter().map(|u| u.to_string()).collect();
                (name.to_string(), used)
            })
            .collect()
    };
    let around = of(&[("a", &["b"]), ("b", &["c"]), ("c", &["a", "d"]), ("d", &[])]);
    assert_eq!(circle(around).len(), 3);
    assert!(circle(of(&[("a", &["b"]), ("b", &[])])).is_empty());
}
