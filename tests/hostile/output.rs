//! Disks that are full and folders that are not to be written to.

use super::*;

/// Runs the binary under limits of the shell, as in `ulimit -f 8`; a write beyond the limit then
/// fails as on a full disk. With `fatal` the system ends the process instead.
fn limited(limit: &str, fatal: bool, arguments: &[&str]) -> Output {
    let trap = if fatal { "" } else { "trap '' XFSZ; " };
    Command::new("sh")
        .arg("-c")
        .arg(format!("{trap}{limit} && exec \"$0\" \"$@\""))
        .arg(env!("CARGO_BIN_EXE_planish"))
        .args(arguments)
        .output()
        .unwrap()
}

#[test]
fn a_disk_that_fills_up_leaves_the_old_plan_or_none() {
    let speaker = sound();
    let dir = path(speaker.path()).to_string();
    let clean = content(speaker.path());
    // Blocks of 512 bytes: from nothing at all to all but the report.
    for blocks in [0, 1, 4, 16, 64] {
        let limit = format!("ulimit -f {blocks}");
        let output = limited(&limit, false, &["plan", &dir]);
        assert_eq!(output.status.code(), Some(2), "{blocks}");
        let said = String::from_utf8_lossy(&output.stderr).into_owned();
        assert!(said.contains("cannot write: "), "{said}");
        assert_eq!(content(speaker.path()), clean, "{blocks}");
        assert!(!speaker.path().join("plan").exists());
    }
    assert!(planish(&["plan", &dir]).status.success());
    let old = content(speaker.path());
    for blocks in [0, 4, 64] {
        let limit = format!("ulimit -f {blocks}");
        let arguments = ["plan", &dir, "--target", "near-field"];
        assert_eq!(limited(&limit, false, &arguments).status.code(), Some(2));
        assert_eq!(content(speaker.path()), old, "{blocks}");
        // Ended by the system in the middle of a write: what it leaves is cleared away next time.
        assert_eq!(limited(&limit, true, &arguments).status.code(), None);
        let kept: Vec<_> = content(&speaker.path().join("plan"));
        let own: Vec<_> = old
            .iter()
            .filter(|(p, _)| p.starts_with(speaker.path().join("plan")))
            .cloned()
            .collect();
        assert_eq!(kept, own, "{blocks}");
    }
    assert!(planish(&["plan", &dir]).status.success());
    assert_eq!(
        content(speaker.path()),
        old,
        "the same plan again, and nothing left over"
    );
}

#[test]
fn a_full_disk_is_told_with_the_file_it_concerns() {
    // A real file system of its own without room, where the system lets us make one.
    let speaker = sound();
    let disk = tempfile::tempdir().unwrap();
    let script = format!(
        "mount -t tmpfs -o size=16k none {disk} && \"$0\" plan {speaker} --out {disk}/plan; code=$?; ls -A {disk}; exit $code",
        disk = path(disk.path()),
        speaker = path(speaker.path())
    );
    let output = Command::new("unshare")
        .args(["--user", "--map-root-user", "--mount", "sh", "-c", &script])
        .arg(env!("CARGO_BIN_EXE_planish"))
        .output();
    let Ok(output) = output else {
        eprintln!("skipped: unshare cannot be had");
        return;
    };
    let said = String::from_utf8_lossy(&output.stderr).into_owned();
    if said.contains("unshare") || said.contains("mount") {
        eprintln!("skipped: no file system of our own: {said}");
        return;
    }
    assert_eq!(output.status.code(), Some(2), "{said}");
    assert!(
        said.contains("cannot write: No space left on device"),
        "{said}"
    );
    assert!(output.stdout.is_empty(), "nothing is left on the full disk");
}

#[test]
fn standard_output_that_cannot_be_written_to_is_told() {
    let Ok(full) = fs::OpenOptions::new().write(true).open("/dev/full") else {
        eprintln!("skipped: there is no /dev/full");
        return;
    };
    let output = Command::new(env!("CARGO_BIN_EXE_planish"))
        .arg("list")
        .stdout(full)
        .output()
        .unwrap();
    assert_eq!(output.status.code(), Some(2));
    let said = String::from_utf8_lossy(&output.stderr).into_owned();
    assert!(said.contains("cannot write the result"), "{said}");
}

#[test]
fn a_folder_that_is_not_to_be_written_to_is_left_as_it_is() {
    use std::os::unix::fs::PermissionsExt;
    let speaker = sound();
    let out = tempfile::tempdir().unwrap();
    let (dir, plan) = (path(speaker.path()), out.path().join("plan"));
    assert!(
        planish(&["plan", dir, "--out", path(&plan)])
            .status
            .success()
    );
    let old = content(out.path());
    let mode = |bits| fs::set_permissions(&plan, fs::Permissions::from_mode(bits)).unwrap();
    mode(0o555);
    if fs::write(plan.join("probe"), "").is_ok() {
        fs::remove_file(plan.join("probe")).unwrap();
        mode(0o755);
        eprintln!("skipped: this user may write anywhere");
        return;
    }
    let said = refusal(&["plan", dir, "--target", "near-field", "--out", path(&plan)]);
    mode(0o755);
    assert!(said.contains("plan: cannot write into: "), "{said}");
    assert_eq!(content(out.path()), old);
}

#[test]
fn files_of_others_stay_beside_the_plan() {
    let speaker = sound();
    let dir = path(speaker.path());
    let plan = speaker.path().join("plan");
    assert!(planish(&["plan", dir]).status.success());
    fs::write(plan.join("notes.txt"), "my notes").unwrap();
    std::os::unix::fs::symlink("nowhere", plan.join("link")).unwrap();
    let again = planish(&["plan", dir, "--target", "near-field"]);
    assert!(again.status.success());
    assert_eq!(fs::read(plan.join("notes.txt")).unwrap(), b"my notes");
    assert!(plan.join("link").is_symlink());
    fs::create_dir(plan.join("folder")).unwrap();
    assert!(planish(&["plan", dir]).status.success());
    assert!(plan.join("folder").is_dir());
    assert_eq!(fs::read_dir(&plan).unwrap().count(), 7);
}

/// A new file takes the place of the old one and is never written over it: who has linked the old
/// one elsewhere keeps what stood there.
#[test]
fn an_older_file_that_is_linked_elsewhere_keeps_its_content_there() {
    let speaker = sound();
    let dir = path(speaker.path()).to_string();
    assert!(planish(&["plan", &dir]).status.success());
    let keep = |name: &str| {
        let (file, link) = (speaker.path().join(name), speaker.path().join("kept"));
        let _ = std::fs::remove_file(&link);
        std::fs::hard_link(&file, &link).unwrap();
        (std::fs::read(&file).unwrap(), file, link)
    };
    // A folder that changes as one, a folder with files of others, and a single file.
    let list = path(&speaker.path().join("plan/filters.txt")).to_string();
    let player = path(&speaker.path().join("player.txt")).to_string();
    let (out, notes) = (speaker.path().join("two"), speaker.path().join("two/notes"));
    std::fs::create_dir_all(&notes).unwrap();
    let two = path(&out).to_string();
    assert!(planish(&["plan", &dir, "--out", &two]).status.success());
    assert!(
        planish(&["convert", &list, "--rate", "96000", "--out", &player])
            .status
            .success()
    );
    let other = ["--target", "near-field"];
    for (name, again) in [
        (
            "plan/filters.txt",
            [&["plan", dir.as_str()][..], &other].concat(),
        ),
        (
            "two/filters.txt",
            [&["plan", &dir, "--out", &two][..], &other].concat(),
        ),
        (
            "player.txt",
            vec!["convert", &list, "--rate", "44100", "--out", &player],
        ),
    ] {
        let (old, file, link) = keep(name);
        let output = planish(&again);
        assert!(
            output.status.success(),
            "{}",
            String::from_utf8_lossy(&output.stderr)
        );
        assert_ne!(std::fs::read(&file).unwrap(), old, "{name} is new");
        assert_eq!(
            std::fs::read(&link).unwrap(),
            old,
            "{name} was written over"
        );
    }
}
