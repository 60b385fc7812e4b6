//! Many speakers in one table, and plans side by side, as a process.

use std::fs;
use std::path::{Path, PathBuf};
use std::process::{Command, Output, Stdio};
use std::time::Duration;

fn planish(arguments: &[&str]) -> Output {
    Command::new(env!("CARGO_BIN_EXE_planish"))
        .args(arguments)
        .output()
        .expect("the binary under test can be started")
}

fn text(bytes: &[u8]) -> String {
    String::from_utf8(bytes.to_vec()).expect("output is UTF-8")
}

/// A copy of a demo speaker under another name.
fn copy(demo: &str, to: &Path, name: &str) {
    fs::create_dir_all(to).unwrap();
    for file in ["horizontal.csv", "vertical.csv"] {
        fs::copy(Path::new("examples").join(demo).join(file), to.join(file)).unwrap();
    }
    let description =
        fs::read_to_string(Path::new("examples").join(demo).join("speaker.toml")).unwrap();
    let lines: Vec<String> = description
        .lines()
        .map(|line| {
            if line.starts_with("name") {
                format!("name = {}", toml::Value::from(name))
            } else {
                line.to_string()
            }
        })
        .collect();
    fs::write(to.join("speaker.toml"), lines.join("\n") + "\n").unwrap();
}

/// Two good speakers on two levels and two broken ones.
fn shelf(root: &Path) {
    copy("quayside_5", &root.join("low/q <5>"), "Quayside \"5\" <b>");
    copy("lantern_8", &root.join("l"), "Lantern 8");
    fs::create_dir_all(root.join("broken")).unwrap();
    fs::write(root.join("broken/speaker.toml"), "[speaker]\n").unwrap();
    copy("lantern_8", &root.join("torn"), "Torn");
    fs::write(root.join("torn/vertical.csv"), "freq_hz,0\n20,n/a\n").unwrap();
    fs::create_dir_all(root.join("no speaker in here")).unwrap();
}

fn all_files(dir: &Path, found: &mut Vec<PathBuf>) {
    for entry in fs::read_dir(dir).unwrap() {
        let path = entry.unwrap().path();
        if path.is_dir() {
            all_files(&path, found);
        } else {
            found.push(path);
        }
    }
    found.sort();
}

#[test]
fn one_thread_and_three_give_the_same_table_and_files_and_broken_folders_are_listed() {
    let root = tempfile::tempdir().unwrap();
    shelf(root.path());
    let mut results = Vec::new();
    for threads in ["1", "3"] {
        let out = tempfile::tempdir().unwrap();
        let output = planish(&[
            "rank",
            root.path().to_str().unwrap(),
            "--threads",
            threads,
            "--out",
            out.path().to_str().unwrap(),
        ]);
        assert_eq!(output.status.code(), Some(0), "{}", text(&output.stderr));
        let mut files = Vec::new();
        all_files(out.path(), &mut files);
        let files: Vec<(PathBuf, Vec<u8>)> = files
            .into_iter()
            .map(|path| {
                let name = path.strip_prefix(out.path()).unwrap().to_path_buf();
                (name, fs::read(path).unwrap())
            })
            .collect();
        results.push((text(&output.stdout), files));
    }
    assert_eq!(results[0], results[1]);
    let (table, files) = &results[0];
    assert!(
        table.lines().all(|line| line.chars().count() <= 80),
        "{table}"
    );
    let place = |words: &str| {
        table
            .find(words)
            .unwrap_or_else(|| panic!("{words}: {table}"))
    };
    assert!(
        place("Quayside") < place("Lantern 8"),
        "more is taken off the first"
    );
    assert!(place("Without a plan") < place("broken: ") && place("broken: ") < place("torn: "));
    let names: Vec<String> = files.iter().map(|f| f.0.display().to_string()).collect();
    assert_eq!(
        names,
        [
            "l/curves.csv",
            "l/filters.txt",
            "l/plan.json",
            "l/report.html",
            "low/q <5>/curves.csv",
            "low/q <5>/filters.txt",
            "low/q <5>/plan.json",
            "low/q <5>/report.html",
            "rank.csv",
            "rank.html",
        ]
    );
    let page = text(&files[9].1);
    for link in ["./l/report.html", "./low/q%20%3C5%3E/report.html"] {
        assert!(page.contains(&format!("href=\"{link}\"")), "{link}");
    }
    assert!(page.contains("Quayside &quot;5&quot; &lt;b&gt;") && !page.contains("<b>\""));
    let csv = text(&files[8].1);
    assert_eq!(csv.lines().count(), 5, "{csv}");
    // The row is the plan's own.
    let plan: serde_json::Value = serde_json::from_slice(&files[2].1).unwrap();
    assert!(csv.contains(&format!(",{},", plan["yield"])), "{csv}");
}

#[test]
fn json_holds_the_table_and_a_folder_without_speakers_is_refused() {
    let root = tempfile::tempdir().unwrap();
    let output = planish(&["rank", root.path().to_str().unwrap()]);
    assert_eq!(output.status.code(), Some(2));
    assert!(text(&output.stderr).contains("speaker.toml"));
    shelf(root.path());
    let output = planish(&["rank", root.path().to_str().unwrap(), "--json"]);
    let document: serde_json::Value = serde_json::from_slice(&output.stdout).unwrap();
    let rows = document["speakers"].as_array().unwrap();
    assert_eq!(rows.len(), 4);
    assert_eq!(rows[0]["grade"], "well");
    assert!(rows[3]["error"].as_str().unwrap().contains("vertical.csv"));
}

/// A file that is there is whole: each kind has its own last words.
fn assert_whole(path: &Path) {
    let content = fs::read_to_string(path).unwrap();
    let whole = match path.extension().and_then(|e| e.to_str()) {
        Some("html") => content.ends_with("</html>"),
        Some("json") => serde_json::from_str::<serde_json::Value>(&content).is_ok(),
        Some("txt") => content
            .lines()
            .last()
            .is_some_and(|line| line.starts_with("end ")),
        Some("csv") => content.ends_with('\n'),
        _ => panic!("{} is no file of ours", path.display()),
    };
    assert!(whole, "{}", path.display());
}

fn on_its_way(path: &Path) -> bool {
    path.components()
        .any(|part| part.as_os_str().to_string_lossy().starts_with(".planish-"))
}

#[test]
fn killed_in_the_middle_it_leaves_whole_files_only() {
    let root = tempfile::tempdir().unwrap();
    for number in 0..12 {
        let demo = if number % 2 == 0 {
            "quayside_5"
        } else {
            "lantern_8"
        };
        copy(
            demo,
            &root.path().join(format!("{number}")),
            &format!("No. {number}"),
        );
    }
    let out = tempfile::tempdir().unwrap();
    let mut child = Command::new(env!("CARGO_BIN_EXE_planish"))
        .arg("rank")
        .arg(root.path())
        .arg("--out")
        .arg(out.path())
        .stdout(Stdio::null())
        .stderr(Stdio::null())
        .spawn()
        .unwrap();
    // As soon as the first speaker is there; the others are on their way.
    while child.try_wait().unwrap().is_none() {
        let mut files = Vec::new();
        all_files(out.path(), &mut files);
        if files
            .iter()
            .any(|path| path.ends_with("report.html") && !on_its_way(path))
        {
            break;
        }
        std::thread::sleep(Duration::from_millis(2));
    }
    child.kill().unwrap();
    child.wait().unwrap();
    let mut files = Vec::new();
    all_files(out.path(), &mut files);
    // What was on its way has a name that no reader takes for output.
    files.retain(|path| !on_its_way(path));
    assert!(!files.is_empty());
    for path in &files {
        assert_whole(path);
    }
    assert!(
        !out.path().join("rank.html").exists(),
        "the kill came too late to prove anything"
    );
}

#[test]
fn plans_of_two_devices_and_two_targets_stand_side_by_side() {
    let out = tempfile::tempdir().unwrap();
    let dir = out.path().to_str().unwrap();
    let output = planish(&[
        "compare",
        "examples/quayside_5",
        "--devices",
        "open-48k,knob-receiver",
        "--targets",
        "flat,near-field",
        "--out",
        dir,
    ]);
    assert_eq!(output.status.code(), Some(0), "{}", text(&output.stderr));
    let table = text(&output.stdout);
    for label in [
        "flat, open-48k",
        "flat, knob-receiver",
        "near-field, open-48k",
        "near-field, knob-re",
    ] {
        assert!(table.contains(label), "{label}: {table}");
    }
    let page = fs::read_to_string(out.path().join("compare.html")).unwrap();
    assert_whole(&out.path().join("compare.html"));
    assert_eq!(
        page.matches("<figure").count(),
        3,
        "one speaker needs no picture of before"
    );
    // The plans by number, and what is said of each under the same number.
    assert_eq!(page.matches("<ol>").count(), 2);
    assert_eq!(
        fs::read_to_string(out.path().join("compare.csv"))
            .unwrap()
            .lines()
            .count(),
        5
    );

    let output = planish(&[
        "compare",
        "examples/quayside_5",
        "examples/lantern_8",
        "--out",
        dir,
    ]);
    assert_eq!(output.status.code(), Some(0), "{}", text(&output.stderr));
    let page = fs::read_to_string(out.path().join("compare.html")).unwrap();
    assert_eq!(page.matches("<figure").count(), 4);
    assert!(page.len() < 600_000, "{} bytes", page.len());
}

#[test]
fn one_plan_alone_is_no_comparison() {
    let output = planish(&["compare", "examples/quayside_5"]);
    assert_eq!(output.status.code(), Some(2));
    assert!(text(&output.stderr).contains("between 2 and 12"));
}

#[test]
fn a_speaker_gets_the_same_filters_from_plan_and_from_rank() {
    let root = tempfile::tempdir().unwrap();
    copy("quayside_5", &root.path().join("q"), "Quayside 5");
    let (many, one) = (tempfile::tempdir().unwrap(), tempfile::tempdir().unwrap());
    let folder = root.path().to_str().unwrap();
    let speaker = root.path().join("q");
    let ran = [
        planish(&["rank", folder, "--out", many.path().to_str().unwrap()]),
        planish(&[
            "plan",
            speaker.to_str().unwrap(),
            "--out",
            one.path().to_str().unwrap(),
        ]),
    ];
    for output in ran {
        assert_eq!(output.status.code(), Some(0), "{}", text(&output.stderr));
    }
    // Comments tell the command.
    let numbers = |path: &Path| -> Vec<String> {
        let list = fs::read_to_string(path).unwrap();
        let lines = list.lines().filter(|line| !line.starts_with('#'));
        lines.map(str::to_string).collect()
    };
    let mut files = Vec::new();
    all_files(many.path(), &mut files);
    let list = files.iter().find(|path| path.ends_with("filters.txt"));
    let found = numbers(list.expect("rank writes the plan of each speaker"));
    assert!(found.len() > 8, "{found:?}");
    assert_eq!(found, numbers(&one.path().join("filters.txt")));
}
