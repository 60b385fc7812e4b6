//! Every library that goes into the binary may be used under one of the licences listed here.
//! Known faults of libraries need a list from the network: `DEVELOPERS.md` says how they are seen.

use serde_json::Value;
use std::collections::BTreeSet;
use std::process::Command;

/// Licences that ask for no more than that they are named (SPDX identifiers).
const ALLOWED: [&str; 11] = [
    "0BSD",
    "Apache-2.0",
    "Apache-2.0 WITH LLVM-exception",
    "BSD-2-Clause",
    "BSD-3-Clause",
    "BSL-1.0",
    "CC0-1.0",
    "ISC",
    "MIT",
    "Unicode-3.0",
    "Zlib",
];

#[test]
fn every_library_in_the_binary_may_be_used() {
    let host = Command::new("rustc").arg("-vV").output().unwrap().stdout;
    let host = String::from_utf8(host).unwrap();
    let host = host
        .lines()
        .find_map(|line| line.strip_prefix("host: "))
        .unwrap();
    let output = Command::new(env!("CARGO"))
        .args([
            "metadata",
            "--format-version=1",
            "--locked",
            "--offline",
            "--filter-platform",
            host,
        ])
        .output()
        .unwrap();
    assert!(
        output.status.success(),
        "{}",
        String::from_utf8_lossy(&output.stderr)
    );
    let document: Value = serde_json::from_slice(&output.stdout).unwrap();
    let used = used(&document);
    assert!(used.len() > 50, "only {} libraries were found", used.len());
    let refused: Vec<String> = document["packages"]
        .as_array()
        .unwrap()
        .iter()
        .filter(|package| used.contains(package["id"].as_str().unwrap()))
        .filter(|package| !package["license"].as_str().is_some_and(is_allowed))
        .map(|package| {
            format!(
                "{} {}: {}",
                package["name"], package["version"], package["license"]
            )
        })
        .collect();
    assert!(refused.is_empty(), "{refused:#?}");
}

/// What the crate needs to run or to be built, tests left out.
fn used(document: &Value) -> BTreeSet<&str> {
    let nodes = document["resolve"]["nodes"].as_array().unwrap();
    let mut waiting = vec![document["resolve"]["root"].as_str().unwrap()];
    let mut used = BTreeSet::new();
    while let Some(id) = waiting.pop() {
        if !used.insert(id) {
            continue;
        }
        let node = nodes.iter().find(|node| node["id"] == id).unwrap();
        for dependency in node["deps"].as_array().unwrap() {
            let kinds = dependency["dep_kinds"].as_array().unwrap();
            if kinds.iter().any(|kind| kind["kind"] != "dev") {
                waiting.push(dependency["pkg"].as_str().unwrap());
            }
        }
    }
    used
}

/// Whether an SPDX expression can be met by the licences allowed. Source: SPDX 2.3, annex D; the
/// slash is what crates wrote before for OR.
fn is_allowed(expression: &str) -> bool {
    let expression = expression.replace('/', " OR ");
    let mut words = expression.replace('(', " ( ").replace(')', " ) ");
    words = words.replace(" WITH ", "~");
    let words: Vec<String> = words
        .split_whitespace()
        .map(|word| word.replace('~', " WITH "))
        .collect();
    let mut rest = words.as_slice();
    either(&mut rest) == Some(true) && rest.is_empty()
}

/// Whether what comes next is met; `None` where it is no expression.
fn either(rest: &mut &[String]) -> Option<bool> {
    let mut met = both(rest)?;
    while rest.first().is_some_and(|word| word == "OR") {
        *rest = &rest[1..];
        met |= both(rest)?;
    }
    Some(met)
}

fn both(rest: &mut &[String]) -> Option<bool> {
    let mut met = one(rest)?;
    while rest.first().is_some_and(|word| word == "AND") {
        *rest = &rest[1..];
        met &= one(rest)?;
    }
    Some(met)
}

fn one(rest: &mut &[String]) -> Option<bool> {
    let (first, after) = rest.split_first()?;
    *rest = after;
    if first != "(" {
        return Some(ALLOWED.contains(&first.as_str()));
    }
    let met = either(rest)?;
    let (closing, after) = rest.split_first()?;
    *rest = after;
    (closing == ")").then_some(met)
}

#[test]
fn expressions_are_read_as_they_are_meant() {
    for met in [
        "MIT",
        "MIT OR GPL-3.0",
        "GPL-3.0/Apache-2.0",
        "(MIT OR X) AND Unicode-3.0",
        "Apache-2.0 WITH LLVM-exception OR X",
    ] {
        assert!(is_allowed(met), "{met}");
    }
    for not in [
        "GPL-3.0",
        "MIT AND GPL-3.0",
        "MPL-2.0",
        "",
        "MIT OR",
        "(X OR MIT) AND Y",
        "MIT MIT",
    ] {
        assert!(!is_allowed(not), "{not}");
    }
}
