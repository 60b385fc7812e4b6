//! Killed at any moment, a call leaves the old output or the new one, whole.

use super::*;
use std::collections::BTreeMap;
use std::process::Stdio;
use std::time::{Duration, Instant};

/// How often a process is killed in the suite; `PLANISH_KILLS=1000` for more.
fn kills() -> usize {
    std::env::var("PLANISH_KILLS")
        .ok()
        .and_then(|count| count.parse().ok())
        .unwrap_or(30)
}

/// The output in a folder by name, hidden files left out: those are no output.
fn output(dir: &Path) -> BTreeMap<String, Vec<u8>> {
    let entries = fs::read_dir(dir).into_iter().flatten();
    entries
        .map(|entry| entry.unwrap())
        .filter(|entry| !entry.file_name().to_string_lossy().starts_with('.'))
        .map(|entry| {
            let name = entry.file_name().into_string().unwrap();
            (name, fs::read(entry.path()).unwrap())
        })
        .collect()
}

fn started(arguments: &[&str]) -> std::process::Child {
    Command::new(env!("CARGO_BIN_EXE_planish"))
        .args(arguments)
        .stdout(Stdio::null())
        .stderr(Stdio::null())
        .spawn()
        .unwrap()
}

/// Lets a call run for `wait`, or until the output is no longer what it was, and kills it.
fn run_and_kill(arguments: &[&str], wait: Option<Duration>, has_changed: impl Fn() -> bool) {
    let mut child = started(arguments);
    match wait {
        Some(wait) => std::thread::sleep(wait),
        // The most delicate moment: the first of the files has just been replaced.
        None => {
            while !has_changed() && child.try_wait().unwrap().is_none() {
                std::hint::spin_loop();
            }
        }
    }
    // It may have ended already.
    let _ = child.kill();
    child.wait().unwrap();
}

#[test]
fn a_plan_that_is_killed_leaves_the_old_files_or_the_new_ones() {
    let speaker = sound();
    let out = tempfile::tempdir().unwrap();
    let plan = out.path().join("plan");
    let call = |target| {
        [
            "plan",
            path(speaker.path()),
            "--target",
            target,
            "--out",
            path(&plan),
        ]
    };
    let (flat, near) = (call("flat"), call("near-field"));
    let begun = Instant::now();
    assert!(planish(&flat).status.success());
    let takes = begun.elapsed();
    let old = output(&plan);
    assert!(planish(&near).status.success());
    let new = output(&plan);
    assert_eq!(old.len(), 4);
    assert!(old.iter().all(|(name, content)| new[name] != *content));
    let (mut was_old, mut was_new) = (0, 0);
    let (mut now, mut other) = (&new, &old);
    for round in 0..kills() {
        let wait = (round % 3 != 0).then(|| takes.mul_f64((round * 37 % 101) as f64 / 100.0));
        let wanted = if std::ptr::eq(other, &old) {
            &flat
        } else {
            &near
        };
        let first = plan.join("curves.csv");
        let standing = &now["curves.csv"];
        run_and_kill(wanted, wait, || {
            fs::read(&first).is_ok_and(|found| found != *standing)
        });
        let found = output(&plan);
        if found == *now {
            was_old += 1;
        } else if found == *other {
            was_new += 1;
            std::mem::swap(&mut now, &mut other);
        } else {
            let states: Vec<String> = found
                .iter()
                .map(|(name, content)| {
                    format!(
                        "{name}: old {}, new {}",
                        now.get(name) == Some(content),
                        other.get(name) == Some(content)
                    )
                })
                .collect();
            panic!("round {round}: neither the old output nor the new one: {states:?}");
        }
    }
    assert!(was_old > 0 && was_new > 0, "{was_old} old, {was_new} new");
    // Whatever was left behind is cleared away by the next call that comes to its end.
    assert!(planish(&flat).status.success());
    assert_eq!(fs::read_dir(out.path()).unwrap().count(), 1);
    assert_eq!(fs::read_dir(&plan).unwrap().count(), 4);
}

#[test]
fn a_first_plan_that_is_killed_leaves_all_files_or_no_folder() {
    let speaker = sound();
    let out = tempfile::tempdir().unwrap();
    let plan = out.path().join("a/plan");
    let call = ["plan", path(speaker.path()), "--out", path(&plan)];
    let begun = Instant::now();
    assert!(planish(&call).status.success());
    let takes = begun.elapsed();
    let whole = output(&plan);
    for round in 0..kills() / 2 {
        fs::remove_dir_all(out.path().join("a")).unwrap_or_default();
        let wait = (round % 3 != 0).then(|| takes.mul_f64((round * 37 % 101) as f64 / 100.0));
        run_and_kill(&call, wait, || plan.exists());
        let found = output(&plan);
        assert!(found.is_empty() || found == whole, "{:?}", found.keys());
        assert_eq!(found.is_empty(), !plan.exists());
    }
}

#[test]
fn a_ranking_that_is_killed_leaves_each_speaker_old_or_new() {
    let many = tempfile::tempdir().unwrap();
    for name in ["one", "two", "three"] {
        let own = many.path().join(name);
        fs::create_dir(&own).unwrap();
        let text = format!("[speaker]\nname = \"{name}\"\n[orbits]\nhorizontal = \"h.csv\"\n");
        fs::write(own.join("speaker.toml"), text).unwrap();
        fs::write(own.join("h.csv"), wide()).unwrap();
    }
    let out = tempfile::tempdir().unwrap();
    let call = |target| {
        [
            "rank",
            path(many.path()),
            "--target",
            target,
            "--out",
            path(out.path()),
        ]
    };
    let (flat, near) = (call("flat"), call("near-field"));
    let names = ["one", "two", "three"];
    let state = || names.map(|name| output(&out.path().join(name)));
    let begun = Instant::now();
    assert!(planish(&flat).status.success());
    let takes = begun.elapsed();
    let old = state();
    assert!(planish(&near).status.success());
    let new = state();
    for round in 0..kills() / 2 {
        let wanted = if round % 2 == 0 { &flat } else { &near };
        let wait = (round % 3 != 0).then(|| takes.mul_f64((round * 37 % 101) as f64 / 100.0));
        let before = state();
        run_and_kill(wanted, wait, || state() != before);
        for (i, found) in state().iter().enumerate() {
            assert!(
                *found == old[i] || *found == new[i],
                "round {round}: {}",
                names[i]
            );
        }
        for page in ["rank.html", "rank.csv"] {
            let text = fs::read_to_string(out.path().join(page)).unwrap();
            assert!(text.ends_with("</html>") || text.ends_with('\n'), "{page}");
        }
    }
}
