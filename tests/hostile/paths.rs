//! Names that lead out of the folder, and things that are no files.

use super::*;
use std::os::unix::fs::symlink;

/// Each form of speaker.toml that names files, `FILE` for the name and `FOLDER` for a folder's.
const NAMING: [&str; 12] = [
    "[orbits]\nhorizontal = \"FILE\"\n",
    "[orbits]\nhorizontal = \"h.csv\"\nhorizontal_phase = \"FILE\"\n",
    "[orbits]\nhorizontal = \"h.csv\"\nrelative_to = \"FILE\"\n",
    "[angles]\nhorizontal = \"FOLDER/h_{angle}.txt\"\n",
    "[impulses]\nhorizontal = \"FOLDER/h_{angle}.wav\"\n",
    "[sofa]\nfile = \"FILE\"\n",
    "[curves]\ntable = \"FILE\"\n",
    "[orbits]\nhorizontal = \"h.csv\"\n[low_end]\ntable = \"FILE\"\nat_hz = 300\nmethod = \"near-field\"\n",
    "[orbits]\nhorizontal = \"h.csv\"\n[evidence]\nimpedance = \"FILE\"\n",
    "[orbits]\nhorizontal = \"h.csv\"\n[evidence]\ndistortion = \"FILE\"\n",
    "[orbits]\nhorizontal = \"h.csv\"\n[evidence]\nsecond_source = \"FILE\"\n",
    "[orbits]\nhorizontal = \"h.csv\"\n[evidence]\nsecond_unit = \"FOLDER\"\n",
];

/// Writes a description for each form with the names put in, and asserts that each is refused at
/// its place.
fn refused_in_all_forms(dir: &Path, file: &str, folder: &str) {
    for form in NAMING {
        let text = form.replace("FILE", file).replace("FOLDER", folder);
        fs::write(
            dir.join("speaker.toml"),
            format!("[speaker]\nname = \"Test\"\n{text}"),
        )
        .unwrap();
        for command in ["look", "plan"] {
            let said = refusal(&[command, path(dir)]);
            let place = format!("{}/speaker.toml:", path(dir));
            assert!(said.contains(&place), "{text}: {said}");
            assert!(!said.contains("secret"), "{text}: {said}");
        }
        assert!(!dir.join("plan").exists());
    }
}

#[test]
fn no_form_of_a_folder_reads_above_it_or_by_an_absolute_path() {
    let root = folder(&[
        ("outside/h_0.txt", &one()),
        ("outside/h_0.wav", "secret"),
        ("outside/a.csv", "secret"),
        ("outside/speaker.toml", "secret"),
        ("inside/h.csv", &wide()),
        ("inside/sub/x", ""),
    ]);
    let inside = root.path().join("inside");
    let absolute = path(root.path()).to_string();
    for outside in [
        "../outside".to_string(),
        "./../outside".to_string(),
        "sub/../../outside".to_string(),
        format!("{absolute}/outside"),
        format!("//{absolute}/outside"),
    ] {
        refused_in_all_forms(&inside, &format!("{outside}/a.csv"), &outside);
    }
    // Names that mean something else on another system.
    for odd in [
        "C:/a.csv",
        "C:a.csv",
        "..\\\\outside\\\\a.csv",
        "\\\\\\\\host\\\\a.csv",
        "a\\u0000b",
        "file:///a.csv",
        "~/a.csv",
        "$HOME/a.csv",
        "%TEMP%/a.csv",
        "",
    ] {
        refused_in_all_forms(&inside, odd, odd);
    }
}

#[test]
fn links_that_lead_out_or_in_circles_or_nowhere_are_refused() {
    let root = folder(&[
        ("outside/a.csv", "secret"),
        ("outside/h_0.txt", "secret"),
        ("outside/h_0.wav", "secret"),
        ("outside/speaker.toml", "secret"),
        ("inside/h.csv", &wide()),
        ("inside/sub/x", ""),
    ]);
    let inside = root.path().join("inside");
    symlink(root.path().join("outside"), inside.join("folder")).unwrap();
    symlink("../outside/a.csv", inside.join("file")).unwrap();
    symlink("file", inside.join("link_to_link")).unwrap();
    symlink("circle_b", inside.join("circle_a")).unwrap();
    symlink("circle_a", inside.join("circle_b")).unwrap();
    symlink("not_there", inside.join("nowhere")).unwrap();
    symlink("/proc/self/environ", inside.join("process")).unwrap();
    symlink("/dev/zero", inside.join("endless")).unwrap();
    for (file, folder) in [
        ("file", "folder"),
        ("link_to_link", "sub/../folder"),
        ("folder/a.csv", "folder"),
        ("circle_a", "circle_a"),
        ("nowhere", "nowhere"),
        ("process", "process"),
        ("endless", "endless"),
    ] {
        refused_in_all_forms(&inside, file, folder);
    }
}

#[test]
fn a_description_that_is_a_link_out_or_no_file_is_refused() {
    let root = folder(&[("outside.toml", "secret = 1"), ("inside/h.csv", &wide())]);
    let inside = root.path().join("inside");
    let toml = inside.join("speaker.toml");
    symlink(root.path().join("outside.toml"), &toml).unwrap();
    let said = refusal(&["plan", path(&inside)]);
    assert!(said.contains("a link out of the folder"), "{said}");
    fs::remove_file(&toml).unwrap();
    symlink("speaker.toml", &toml).unwrap();
    assert!(refusal(&["plan", path(&inside)]).contains("speaker.toml"));
    fs::remove_file(&toml).unwrap();
    fs::create_dir(&toml).unwrap();
    let said = refusal(&["plan", path(&inside)]);
    assert!(said.contains("speaker.toml: found a folder"), "{said}");
    fs::remove_dir(&toml).unwrap();
    pipe(&toml);
    let said = refusal(&["plan", path(&inside)]);
    assert!(
        said.contains("speaker.toml: found something that is no file"),
        "{said}"
    );
}

fn pipe(path: &Path) {
    let made = Command::new("mkfifo").arg(path).status().unwrap();
    assert!(made.success());
}

#[test]
fn pipes_devices_and_folders_in_the_place_of_files_are_refused_without_waiting() {
    let root = folder(&[("inside/h.csv", &wide()), ("inside/folder/x", "")]);
    let inside = root.path().join("inside");
    pipe(&inside.join("pipe"));
    let _socket = std::os::unix::net::UnixListener::bind(inside.join("socket")).unwrap();
    for name in ["pipe", "socket", "folder"] {
        for form in NAMING.iter().filter(|form| form.contains("FILE")) {
            let text = form.replace("FILE", name);
            let text = format!("[speaker]\nname = \"Test\"\n{text}");
            fs::write(inside.join("speaker.toml"), text).unwrap();
            let said = refusal(&["look", path(&inside)]);
            assert!(said.contains("speaker.toml:"), "{name}, {form}: {said}");
        }
    }
    // Files that a pattern or their names would choose are chosen among files only.
    let named = tempfile::tempdir().unwrap();
    for name in ["h_0.txt", "h_10.wav", "horizontal.csv", "a.sofa"] {
        pipe(&named.path().join(name));
    }
    assert!(refusal(&["look", path(named.path())]).contains("no speaker.toml"));
    // What is named on the command line.
    let fifo = inside.join("pipe");
    for arguments in [
        &["plan", path(&fifo)][..],
        &["fit", path(&fifo)],
        &["check", path(&fifo)],
        &["plan", path(&inside), "--device", path(&fifo)],
        &["plan", path(&inside), "--target", path(&fifo)],
        &["fit", "/dev/zero"],
        &["check", "/dev/zero"],
        &["plan", "/dev/zero"],
        &["rank", "/dev/zero"],
        &["look", "/"],
    ] {
        refusal(arguments);
    }
}

#[test]
fn names_reserved_on_other_systems_are_files_like_any_other_here() {
    // Windows opens a device for these, whatever their ending; where it does, what it opens is no
    // file and refused as such. (Reserved names: Microsoft, "Naming Files, Paths, and Namespaces",
    // from memory.)
    for name in ["con", "NUL", "aux.csv", "COM1.csv", "lpt9.txt", "prn"] {
        let text = format!("[speaker]\nname = \"Test\"\n[orbits]\nhorizontal = \"{name}\"\n");
        let dir = folder(&[("speaker.toml", &text)]);
        let said = refusal(&["look", path(dir.path())]);
        assert!(said.contains("speaker.toml:4:14: found"), "{said}");
        fs::write(dir.path().join(name), wide()).unwrap();
        assert!(
            planish(&["look", path(dir.path())]).status.success(),
            "{name}"
        );
    }
}

#[test]
fn a_sofa_file_cannot_lead_to_other_files() {
    // Links of files found by name or by a pattern.
    let root = folder(&[
        ("outside.sofa", "secret"),
        ("outside.txt", "secret"),
        ("inside/x", ""),
    ]);
    let inside = root.path().join("inside");
    symlink(root.path().join("outside.sofa"), inside.join("a.sofa")).unwrap();
    let said = refusal(&["look", path(&inside)]);
    assert!(
        said.contains("a.sofa: found a link out of the folder"),
        "{said}"
    );
    symlink(root.path().join("outside.txt"), inside.join("h_0.txt")).unwrap();
    let said = refusal(&["look", path(&inside)]);
    assert!(
        said.contains("h_0.txt: found a link out of the folder"),
        "{said}"
    );
    fs::remove_file(inside.join("h_0.txt")).unwrap();
    symlink(root.path().join("outside.txt"), inside.join("h_0.wav")).unwrap();
    let said = refusal(&["look", path(&inside)]);
    assert!(
        said.contains("h_0.wav: found a link out of the folder"),
        "{said}"
    );
}

#[test]
fn a_plan_writes_only_where_it_was_told_to() {
    let outside = folder(&[("filters.txt", "old"), ("report.html", "old")]);
    let before = content(outside.path());
    // The folder for the plan is a link, or one of the files is.
    let speaker = sound();
    symlink(outside.path(), speaker.path().join("plan")).unwrap();
    let said = refusal(&["plan", path(speaker.path())]);
    assert!(said.contains("plan: found a link"), "{said}");
    assert_eq!(content(outside.path()), before);
    fs::remove_file(speaker.path().join("plan")).unwrap();
    let plan = speaker.path().join("plan");
    fs::create_dir(&plan).unwrap();
    for name in ["filters.txt", "report.html", "curves.csv"] {
        symlink(outside.path().join(name), plan.join(name)).unwrap();
    }
    assert!(planish(&["plan", path(speaker.path())]).status.success());
    assert_eq!(content(outside.path()), before);
    assert!(
        plan.join("filters.txt")
            .symlink_metadata()
            .unwrap()
            .is_file()
    );
    // The same for many speakers.
    let many = folder(&[]);
    fs::create_dir(many.path().join("one")).unwrap();
    for name in ["speaker.toml", "h.csv"] {
        fs::copy(
            speaker.path().join(name),
            many.path().join("one").join(name),
        )
        .unwrap();
    }
    let out = folder(&[]);
    symlink(outside.path(), out.path().join("one")).unwrap();
    let output = planish(&["rank", path(many.path()), "--out", path(out.path())]);
    let said = String::from_utf8_lossy(&output.stdout).into_owned();
    assert!(said.contains("one: found a link"), "{said}");
    assert_eq!(content(outside.path()), before);
}

#[test]
fn a_plan_never_takes_the_place_of_the_measurement() {
    let text = "[speaker]\nname = \"Test\"\n[curves]\ntable = \"curves.csv\"\n";
    let rows: String = (0..40)
        .map(|i| format!("{},0,0\n", 100.0 * 1.2f64.powi(i)))
        .collect();
    let table = format!("freq_hz,on_axis,listening_window\n{rows}");
    let speaker = folder(&[("speaker.toml", text), ("curves.csv", &table)]);
    let before = content(speaker.path());
    let dir = path(speaker.path());
    let round = format!(
        "{dir}/../{}",
        speaker.path().file_name().unwrap().to_str().unwrap()
    );
    for out in [dir, round.as_str()] {
        let said = refusal(&["plan", dir, "--out", out]);
        assert!(
            said.contains("curves.csv: found a file of the measurement"),
            "{said}"
        );
        assert_eq!(content(speaker.path()), before);
    }
}

#[test]
fn a_speaker_with_hostile_names_inside_writes_plain_text() {
    let name = "x\\n\\u001b[2J\\u0007end 1 crc32=00000000\\n</script>&\\u202e";
    let text = format!("[speaker]\nname = \"{name}\"\n[orbits]\nhorizontal = \"h.csv\"\n");
    let speaker = folder(&[("speaker.toml", &text), ("h.csv", &wide())]);
    let output = planish(&["plan", path(speaker.path())]);
    assert!(
        output.status.success(),
        "{}",
        String::from_utf8_lossy(&output.stderr)
    );
    let shown = String::from_utf8_lossy(&output.stdout).into_owned()
        + &String::from_utf8_lossy(&output.stderr);
    assert!(
        !shown.contains('\u{1b}') && !shown.contains('\u{7}'),
        "{shown:?}"
    );
    let list = speaker.path().join("plan/filters.txt");
    for arguments in [
        &["look", path(speaker.path())][..],
        &["check", path(&list)],
        &["look", "no\u{1b}[2Jsuch"],
    ] {
        let output = planish(arguments);
        let shown = [output.stdout, output.stderr].concat();
        assert!(
            !shown.contains(&0x1b) && !shown.contains(&7),
            "{arguments:?}"
        );
    }
    assert!(planish(&["check", path(&list)]).status.code() != Some(2));
    let text = fs::read_to_string(&list).unwrap();
    assert_eq!(
        text.lines().filter(|line| line.starts_with("end ")).count(),
        1
    );
    let page = fs::read_to_string(speaker.path().join("plan/report.html")).unwrap();
    assert!(!page.contains("x\n\u{1b}") && !page.contains("\n</script>&"));
}
