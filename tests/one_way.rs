//! Inside `report`, `cli` and `export`, too, data goes one way: no file uses another that uses it.

use std::collections::{BTreeMap, BTreeSet};
use std::fs;

/// The first names behind each of `marks` in `code`.
fn names_behind(code: &str, marks: &[&str]) -> BTreeSet<String> {
    let first = |text: &str| -> String {
        text.chars()
            .take_while(|c| c.is_alphanumeric() || *c == '_')
            .collect()
    };
    let mut names = BTreeSet::new();
    for mark in marks {
        for (at, _) in code.match_indices(mark) {
            let rest = &code[at + mark.len()..];
            match rest.strip_prefix('{') {
                Some(list) => {
                    let list = &list[..list.find("};").unwrap_or(list.len())];
                    names.extend(list.split(',').map(|name| first(name.trim())));
                }
                None => {
                    names.insert(first(rest));
                }
            }
        }
    }
    names
}

/// What each file of a module uses of the others, unit tests left out; a folder counts as one file.
fn uses(module: &str) -> BTreeMap<String, BTreeSet<String>> {
    let mut found: BTreeMap<String, BTreeSet<String>> = BTreeMap::new();
    let inside = format!("crate::{module}::");
    let mut add = |name: String, path: std::path::PathBuf, marks: &[&str]| {
        let text = fs::read_to_string(path).unwrap();
        let code: String = text
            .split("#[cfg(test)]")
            .next()
            .unwrap()
            .lines()
            .filter(|line| !line.trim_start().starts_with("//"))
            .map(|line| format!("{line}\n"))
            .collect();
        found
            .entry(name)
            .or_default()
            .extend(names_behind(&code, marks));
    };
    for entry in fs::read_dir(format!("src/{module}")).unwrap() {
        let path = entry.unwrap().path();
        let name = path.file_stem().unwrap().to_str().unwrap().to_string();
        if path.is_dir() {
            for inner in fs::read_dir(&path).unwrap() {
                add(
                    name.clone(),
                    inner.unwrap().path(),
                    &[&inside, "super::super::"],
                );
            }
        } else if path.extension().is_some_and(|e| e == "rs") && name != "mod" {
            add(name, path, &[&inside, "super::"]);
        }
    }
    let files: BTreeSet<String> = found.keys().cloned().collect();
    for (name, used) in &mut found {
        used.retain(|other| other != name && files.contains(other));
    }
    found
}

/// The files that stay when those that use nothing are taken away, again and again.
fn circle(mut uses: BTreeMap<String, BTreeSet<String>>) -> BTreeMap<String, BTreeSet<String>> {
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
    for module in ["report", "cli", "export"] {
        let uses = uses(module);
        let seen: usize = uses.values().map(BTreeSet::len).sum();
        assert!(seen > 10, "{module}: the uses were not found");
        let circle = circle(uses);
        assert!(circle.is_empty(), "{module}: {circle:#?}");
    }
}

#[test]
fn a_circle_is_found() {
    let of = |pairs: &[(&str, &[&str])]| {
        pairs
            .iter()
            .map(|(name, used)| {
                let used = used.iter().map(|u| u.to_string()).collect();
                (name.to_string(), used)
            })
            .collect()
    };
    let uses: BTreeMap<String, BTreeSet<String>> =
        of(&[("a", &["b"]), ("b", &["c"]), ("c", &["a", "d"]), ("d", &[])]);
    assert_eq!(circle(uses).len(), 3);
    assert!(circle(of(&[("a", &["b"]), ("b", &[])])).is_empty());
}
