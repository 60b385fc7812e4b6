//! What is read from files in memory is what is read from the disk, and as safely.

use planish::average::RearWall;
use planish::export;
use planish::read::folder::{Note, ReadAs, SpeakerFolder, read_speaker, read_speaker_from};
use planish::read::input::{Entry, Input, Kind, Listing, Opened};
use planish::read::memory::MemoryFiles;
use planish::read::{device, filter_list, loopback, plan_curves, seats, target, wanted};
use planish::run::{self, PlanOptions, Speaker};
use std::fmt::Debug;
use std::fs;
use std::io;
use std::path::{Path, PathBuf};
use tempfile::TempDir;

/// All files below `root`, in memory, under the names that messages show on the disk.
fn in_memory(root: &Path) -> MemoryFiles<'static> {
    let mut files = MemoryFiles::new(root);
    insert_all(&mut files, root, root);
    files
}

fn insert_all(files: &mut MemoryFiles, root: &Path, folder: &Path) {
    for entry in fs::read_dir(folder).unwrap() {
        let path = entry.unwrap().path();
        if path.is_dir() {
            insert_all(files, root, &path);
        } else {
            let name = path.strip_prefix(root).unwrap().to_str().unwrap();
            files.insert(name, fs::read(&path).unwrap()).unwrap();
        }
    }
}

/// A folder with the given files.
fn folder(files: &[(&str, &[u8])]) -> TempDir {
    let dir = tempfile::tempdir().unwrap();
    for (name, content) in files {
        let path = dir.path().join(name);
        fs::create_dir_all(path.parent().unwrap()).unwrap();
        fs::write(path, content).unwrap();
    }
    dir
}

/// The result from the disk, after it was compared with that from memory: values that are equal,
/// or errors of the same words.
fn alike<T: PartialEq + Debug>(disk: planish::Result<T>, memory: planish::Result<T>) -> Option<T> {
    match (disk, memory) {
        (Ok(disk), Ok(memory)) => {
            assert!(disk == memory, "{disk:?}\n{memory:?}");
            Some(disk)
        }
        (Err(disk), Err(memory)) => {
            // What the system says of a file that is not there is its own affair.
            let words = |error: planish::Error| match error {
                planish::Error::File { path, doing, .. } => format!("{path:?} {doing}"),
                other => other.to_string(),
            };
            assert_eq!(words(disk), words(memory));
            None
        }
        (disk, memory) => panic!("{disk:?}\n{memory:?}"),
    }
}

/// The speaker in the folder `root`: measured values, notes, bytes and hashes are those that
/// files in memory give, and so are those of its second unit.
fn speaker(root: &Path) -> Option<SpeakerFolder> {
    let files = in_memory(root);
    let read = alike(read_speaker(root), read_speaker_from(&files, Path::new("")))?;
    alike(read.read_second_unit(), read.read_second_unit_from(&files));
    Some(read)
}

/// One direction of a speaker with a bump, as a table.
fn one(angle_deg: i32) -> String {
    let rows = (0..=120).map(|i| {
        let f_hz = 20.0 * (f64::from(i) / 12.0).exp2();
        let bump_db = 3.0 * (-(f_hz / 900.0).log2().powi(2) * 8.0).exp();
        let beam_db = -f64::from(angle_deg.abs()) * f_hz / 200_000.0;
        format!("{f_hz},{:.4}\n", 85.0 + bump_db + beam_db)
    });
    "freq_hz,level_db\n".to_string() + &rows.collect::<String>()
}

/// Files with one table for each angle.
fn angle_files() -> Vec<(String, Vec<u8>)> {
    (-170..=180)
        .step_by(10)
        .flat_map(|angle| ["h", "v"].map(|letter| (letter, angle)))
        .map(|(letter, angle)| (format!("{letter}_{angle}.txt"), one(angle).into_bytes()))
        .collect()
}

fn folder_of(files: &[(String, Vec<u8>)], more: &[(&str, &[u8])]) -> TempDir {
    let own = files
        .iter()
        .map(|(name, bytes)| (name.as_str(), &bytes[..]));
    folder(&own.chain(more.iter().copied()).collect::<Vec<_>>())
}

/// A short decay that begins at `delay`, in a sound file.
fn sound(delay: usize) -> Vec<u8> {
    let spec = hound::WavSpec {
        channels: 1,
        sample_rate: 48_000,
        bits_per_sample: 32,
        sample_format: hound::SampleFormat::Float,
    };
    let mut bytes = io::Cursor::new(Vec::new());
    let mut writer = hound::WavWriter::new(&mut bytes, spec).unwrap();
    for i in 0..4800usize {
        let decayed = i
            .checked_sub(delay)
            .map_or(0.0, |after| 0.7f32.powi(after as i32));
        writer.write_sample(decayed).unwrap();
    }
    writer.finalize().unwrap();
    bytes.into_inner()
}

#[test]
fn the_demo_speakers_from_memory_are_those_of_the_disk_and_so_are_their_plans() {
    for name in ["examples/quayside_5", "examples/lantern_8"] {
        let root = Path::new(name);
        let disk = speaker(root).unwrap();
        assert!(disk.inputs.len() == 3 && disk.inputs[1].bytes > 1000);
        let memory = read_speaker_from(&in_memory(root), Path::new("")).unwrap();
        let plan = |folder: SpeakerFolder| {
            let speaker = Speaker::of(folder, RearWall::default());
            let plan = run::plan(&speaker, &PlanOptions::default()).unwrap();
            export::json::plan(&plan)
        };
        assert!(plan(disk) == plan(memory), "{name}");
    }
}

#[test]
fn a_speaker_may_lie_in_a_folder_of_the_files_or_be_named_by_its_description() {
    let files = in_memory(Path::new("examples"));
    for name in ["quayside_5", "quayside_5/speaker.toml", "./quayside_5"] {
        let disk = read_speaker(&Path::new("examples").join(name)).unwrap();
        let memory = read_speaker_from(&files, Path::new(name)).unwrap();
        assert_eq!(disk, memory);
    }
    let absent = read_speaker_from(&files, Path::new("quayside_6")).unwrap_err();
    assert!(
        absent
            .to_string()
            .starts_with("examples/quayside_6: cannot read: ")
    );
    let table = read_speaker_from(&files, Path::new("quayside_5/horizontal.csv")).unwrap_err();
    assert_eq!(
        table.to_string(),
        "examples/quayside_5/horizontal.csv: found a file, expected a speaker folder, its speaker.toml or a .sofa file"
    );
}

#[test]
fn angle_files_with_low_end_evidence_and_a_second_unit_are_read_from_memory() {
    let low: String = (0..60)
        .map(|i| format!("{},{}\n", 15.0 * 1.1f64.powi(i), 60.0 - f64::from(i) / 9.0))
        .collect();
    let ohm: String = (0..60)
        .map(|i| format!("{},{}\n", 15.0 * 1.1f64.powi(i), 6 + i % 7))
        .collect();
    let thd: String = (0..60)
        .map(|i| format!("{},{},{}\n", 15.0 * 1.1f64.powi(i), 90, 0.5))
        .collect();
    let description = "[speaker]\nname = \"Test\"\n[measured]\ndistance_m = 2\ntrusted_from_hz = 200\n\
        [angles]\nhorizontal = \"h_{angle}.txt\"\nvertical = \"v_{angle}.txt\"\n\
        [low_end]\ntable = \"more/low.csv\"\nat_hz = 300\n\
        [evidence]\nimpedance = \"more/ohm.csv\"\ndistortion = \"more/thd.csv\"\nsecond_unit = \"unit_b\"\n";
    let dir = folder_of(
        &angle_files(),
        &[
            ("speaker.toml", description.as_bytes()),
            ("h_average.txt", b"left out"),
            ("more/low.csv", low.as_bytes()),
            ("more/ohm.csv", ohm.as_bytes()),
            ("more/thd.csv", thd.as_bytes()),
            ("unit_b/h_0.txt", one(0).as_bytes()),
            ("unit_b/h_10.txt", one(10).as_bytes()),
            ("unit_b/notes.txt", b"made on a Tuesday"),
        ],
    );
    let read = speaker(dir.path()).unwrap();
    assert_eq!(read.understood.form, ReadAs::AngleFiles);
    assert!(read.evidence.impedance.is_some() && read.evidence.distortion.is_some());
    assert!(
        read.understood
            .notes
            .iter()
            .any(|note| matches!(note, Note::LowEnd { .. }))
    );
    let other = read.read_second_unit_from(&in_memory(dir.path())).unwrap();
    let other = other.unwrap();
    assert_eq!(other.name, "unit_b");
    assert_eq!(other.understood.form, ReadAs::AngleFilesByName);
    assert!(other.understood.notes.contains(&Note::LeftOut {
        files: vec!["notes.txt".to_string()]
    }));
}

#[test]
fn folders_without_a_description_are_read_from_memory_by_their_names() {
    let table = one(0);
    for (files, form) in [
        (angle_files(), ReadAs::AngleFilesByName),
        (
            vec![("0.txt".to_string(), table.clone().into_bytes())],
            ReadAs::AngleFilesByName,
        ),
        (
            vec![(
                "all.csv".to_string(),
                table.replace("level_db", "H0").into_bytes(),
            )],
            ReadAs::WideTableByHeader,
        ),
        (
            vec![
                (
                    "horizontal.csv".to_string(),
                    table.replace("level_db", "0").into_bytes(),
                ),
                (
                    "vertical.csv".to_string(),
                    table.replace("level_db", "10").into_bytes(),
                ),
            ],
            ReadAs::WideTablesByName,
        ),
        (
            [-20i32, 0, 20]
                .map(|angle| {
                    (
                        format!("h_{angle}.wav"),
                        sound(100 + angle.unsigned_abs() as usize / 10),
                    )
                })
                .to_vec(),
            ReadAs::Impulses,
        ),
    ] {
        let dir = folder_of(&files, &[("read.me", b"x")]);
        let read = speaker(dir.path()).unwrap();
        assert_eq!(read.understood.form, form);
        assert!(dir.path().ends_with(&read.name));
        assert_eq!(read.inputs.len(), files.len());
    }
    let empty = folder(&[("read.me", b"x")]);
    assert!(speaker(empty.path()).is_none());
    // Without a name of its own the speaker is called what it is.
    let mut files = MemoryFiles::default();
    files.insert("h_0.txt", table.into_bytes()).unwrap();
    let read = read_speaker_from(&files, Path::new("")).unwrap();
    assert_eq!(read.name, "speaker");
    assert_eq!(read.inputs[0].path, Path::new("h_0.txt"));
}

#[test]
fn impulses_and_their_faults_are_read_from_memory() {
    let description = |more: &str| {
        format!(
            "[speaker]\nname = \"T\"\n[impulses]\nhorizontal = \"sounds/h_{{angle}}.wav\"\n{more}"
        )
    };
    let (near, late) = (sound(96), sound(110));
    let cut = &late[..late.len() - 5];
    for (more, other, is_read) in [
        ("", &late[..], true),
        ("gate_ms = 7.5\nwindow_ms = 3\n", cut, true),
        ("channel = 2\n", &late[..], false),
        ("", &late[..30], false),
        ("gate_ms = 5000\n", &late[..], false),
    ] {
        let dir = folder(&[
            ("speaker.toml", description(more).as_bytes()),
            ("sounds/h_0.wav", &near),
            ("sounds/h_10.wav", other),
        ]);
        assert_eq!(speaker(dir.path()).is_some(), is_read, "{more}");
    }
}

#[test]
fn a_sofa_file_is_read_from_memory_in_all_three_ways() {
    let sofa = fs::read("tests/data/sofa/measured_a_ffdtf.sofa").unwrap();
    let description = b"[speaker]\nname = \"T\"\n[sofa]\nfile = \"x/a.SOFA\"\n";
    let named = folder(&[("speaker.toml", description), ("x/a.SOFA", &sofa)]);
    let named = speaker(named.path()).unwrap();
    let alone = folder(&[("a.sofa", &sofa)]);
    let listed = speaker(alone.path()).unwrap();
    let path = alone.path().join("a.sofa");
    let files = in_memory(alone.path());
    let itself = alike(
        read_speaker(&path),
        read_speaker_from(&files, Path::new("a.sofa")),
    );
    let itself = itself.unwrap();
    assert_eq!(itself.name, "a");
    assert_eq!(
        itself.understood.form,
        ReadAs::Sofa("FreeFieldDirectivityTF")
    );
    assert_eq!(itself.measured, named.measured);
    assert_eq!(itself.measured, listed.measured);
    let broken = folder(&[("a.sofa", &sofa[..sofa.len() / 2])]);
    assert!(speaker(broken.path()).is_none());
}

/// Reads every one of `names` below `root` from the disk and from memory.
fn each<T: PartialEq + Debug>(
    root: &Path,
    names: &[&str],
    disk: impl Fn(&Path) -> planish::Result<T>,
    memory: impl Fn(&dyn Input, &Path) -> planish::Result<T>,
) -> Vec<Option<T>> {
    let files = in_memory(root);
    let both = |name: &&str| alike(disk(&root.join(name)), memory(&files, Path::new(name)));
    names.iter().map(both).collect()
}

#[test]
fn single_files_are_read_from_memory() {
    let target_text = fs::read("targets/curves/near-field.toml").unwrap();
    let device_text = fs::read("targets/devices/five-stage.toml").unwrap();
    let list = "planish-filters 1\nspeaker \"T\"\nrate_hz 48000\n\
        equation y0 = b0*x0 + b1*x1 + b2*x2 - a1*y1 - a2*y2\nnumber f64\ngain_db 0\nend 0 crc32=0\n";
    let table = one(0);
    let loud = table
        .replace('\n', ",1\n")
        .replace("level_db,1", "left,right");
    let dir = folder(&[
        ("own.toml", &target_text),
        ("box.toml", &device_text),
        ("list.txt", list.as_bytes()),
        ("curve.csv", table.as_bytes()),
        ("loop.wav", &sound(200)),
        ("seats.csv", loud.as_bytes()),
        ("seats/b.txt", table.as_bytes()),
        ("seats/a.CSV", table.as_bytes()),
        ("seats/.hidden.csv", b"x"),
        (
            "plan/curves.csv",
            table.replace("level_db", "on_axis_after").as_bytes(),
        ),
        (
            "plan/plan.json",
            b"{\"judged_from_hz\": 50, \"judged_to_hz\": 9000}",
        ),
        ("broken/curves.csv", b"freq_hz,x_after\n"),
        ("broken/plan.json", b"{"),
    ]);
    let (root, text) = (dir.path(), |path: &Path| path.to_str().unwrap().to_string());
    let all = [
        "own.toml",
        "box.toml",
        "curve.csv",
        "list.txt",
        "absent.toml",
        "seats",
    ];
    let targets = each(
        root,
        &all[..5],
        |path| target::target(&text(path)),
        |files, name| target::target_from(files, &text(name)),
    );
    assert!(targets[0].is_some() && targets.iter().flatten().count() == 1);
    let devices = each(
        root,
        &all[1..2],
        |path| device::device(&text(path)),
        |files, name| device::device_from(files, &text(name)),
    );
    assert_eq!(devices[0].as_ref().unwrap().name, "box");
    let files = in_memory(root);
    assert_eq!(
        device::device_from(&files, "open-48k").unwrap().name,
        "open-48k"
    );
    let unknown = target::target_from(&files, "flet").unwrap_err().to_string();
    assert!(unknown.contains("known: flat, "), "{unknown}");

    let curves = each(root, &all, wanted::read, wanted::read_from);
    assert!(curves[2].is_some() && curves.iter().flatten().count() == 1);
    each(root, &all, filter_list::read, filter_list::read_from);
    let names = ["curve.csv", "loop.wav", "list.txt", "absent.wav"];
    let loops = each(root, &names[..3], loopback::read, loopback::read_from);
    assert!(loops[0].is_some() && loops[1].is_some() && loops[2].is_none());
    let names = ["seats.csv", "seats", "curve.csv", "plan", "broken"];
    let read = each(root, &names, seats::read, seats::read_from);
    assert_eq!(read[0].as_ref().unwrap().inputs.len(), 1);
    let places: Vec<PathBuf> = ["a.CSV", "b.txt"]
        .map(|name| root.join("seats").join(name))
        .into();
    assert_eq!(read[1].as_ref().unwrap().places, places);
    let names = ["plan", "plan/curves.csv", "broken", "curve.csv"];
    let promised = each(root, &names, plan_curves::read, plan_curves::read_from);
    assert_eq!(
        promised[0].as_ref().unwrap().judged_hz,
        Some((50.0, 9000.0))
    );
    assert_eq!(promised[1].as_ref().unwrap().judged_hz, None);
}

#[test]
fn filter_lists_written_by_a_plan_are_read_from_memory() {
    let speaker = Speaker::read(Path::new("examples/quayside_5"), RearWall::default()).unwrap();
    let plan = run::plan(&speaker, &PlanOptions::default()).unwrap();
    let out = tempfile::tempdir().unwrap();
    run::write_plan(&plan, &speaker, "plan", None, out.path()).unwrap();
    let lists = each(
        out.path(),
        &["filters.txt", "curves.csv"],
        filter_list::read,
        filter_list::read_from,
    );
    assert!(!lists[0].as_ref().unwrap().stages.is_empty() && lists[1].is_none());
}

/// Ways out of a folder, and names that mean something else on another system.
const HOSTILE: [&str; 12] = [
    "",
    ".",
    "..",
    "../x",
    "a/../../x",
    "/x",
    "//x",
    "\\x",
    "a\\b",
    "C:/x",
    "C:x",
    "a\0b",
];

#[test]
fn hostile_names_of_files_in_memory_are_refused() {
    let mut files = MemoryFiles::new("dropped");
    for name in HOSTILE {
        let said = files.insert(name, &b"x"[..]).unwrap_err().to_string();
        assert!(
            said.starts_with("dropped: found a file named \"")
                && said.ends_with(", expected a path inside the folder"),
            "{said}"
        );
    }
    assert_eq!(files, MemoryFiles::new("dropped"));
    files.insert("a/./b.txt", &b"x"[..]).unwrap();
    let said = files
        .insert("./a/b.txt", &b"y"[..])
        .unwrap_err()
        .to_string();
    assert!(said.ends_with("expected every name once"), "{said}");
    for name in HOSTILE.iter().filter(|name| name.contains("..")) {
        assert!(files.look(Path::new(name)).is_err(), "{name}");
        assert!(files.open(Path::new(name)).is_err(), "{name}");
        assert!(
            files
                .folder(Path::new(name))
                .look(Path::new("b.txt"))
                .is_err()
        );
    }
}

#[test]
fn hostile_names_in_a_description_are_refused_in_memory_with_the_words_of_the_disk() {
    let forms = [
        "[orbits]\nhorizontal = NAME\n",
        "[orbits]\nhorizontal = \"h.csv\"\nhorizontal_phase = NAME\n",
        "[orbits]\nhorizontal = \"h.csv\"\nrelative_to = NAME\n",
        "[angles]\nhorizontal = NAME\n",
        "[impulses]\nhorizontal = NAME\n",
        "[sofa]\nfile = NAME\n",
        "[curves]\ntable = NAME\n",
        "[orbits]\nhorizontal = \"h.csv\"\n[low_end]\ntable = NAME\nat_hz = 300\n",
        "[orbits]\nhorizontal = \"h.csv\"\n[evidence]\nimpedance = NAME\n",
        "[orbits]\nhorizontal = \"h.csv\"\n[evidence]\nsecond_unit = NAME\n",
    ];
    let table = one(0).replace("level_db", "0");
    for name in HOSTILE
        .iter()
        .copied()
        .chain(["h.scv", "sub", "h.csv/x", "sub/../h.csv"])
    {
        for form in forms {
            let patterned = form.contains("angles") || form.contains("impulses");
            let name = if patterned {
                format!("{name}/h_{{angle}}.txt")
            } else {
                name.to_string()
            };
            // Written as a TOML string with all its escapes.
            let quoted = format!(
                "\"{}\"",
                name.replace('\\', "\\\\").replace('\0', "\\u0000")
            );
            let text = format!("[speaker]\nname = \"T\"\n{}", form.replace("NAME", &quoted));
            let dir = folder(&[
                ("speaker.toml", text.as_bytes()),
                ("h.csv", table.as_bytes()),
                ("sub/read.me", b"x"),
            ]);
            if !form.contains("second_unit") || name != "sub" {
                assert!(speaker(dir.path()).is_none(), "{text}");
            }
        }
    }
}

#[test]
fn files_and_folders_with_faults_are_refused_in_memory_with_the_words_of_the_disk() {
    let names = |folder: &str, ending: &str| -> Vec<String> {
        fs::read_dir(folder)
            .unwrap()
            .map(|entry| entry.unwrap().file_name().into_string().unwrap())
            .filter(|name| name.contains('.') && name.ends_with(ending))
            .collect()
    };
    let tables = names("tests/data/bad", "");
    let speakers = names("tests/data/bad/speakers", ".toml");
    assert!(tables.len() > 20 && speakers.len() > 35);
    let tables: Vec<&str> = tables.iter().map(String::as_str).collect();
    let speakers: Vec<&str> = speakers.iter().map(String::as_str).collect();
    let root = Path::new("tests/data/bad");
    let read = each(root, &tables, wanted::read, wanted::read_from);
    assert!(read.iter().all(Option::is_none));
    let read = each(
        &root.join("speakers"),
        &speakers,
        read_speaker,
        read_speaker_from,
    );
    assert!(read.iter().all(Option::is_none));
}

/// An input with one file that claims a size and must not be read.
struct Claims(u64);

impl Input for Claims {
    fn root(&self) -> &Path {
        Path::new("claims")
    }

    fn own_name(&self) -> Option<String> {
        None
    }

    fn look(&self, name: &Path) -> io::Result<Entry> {
        let kind = if name.as_os_str().is_empty() {
            Kind::Folder
        } else {
            Kind::File
        };
        Ok(Entry { kind, inside: true })
    }

    fn list<'a>(&'a self, _: &Path) -> io::Result<Listing<'a>> {
        Ok(Box::new(std::iter::empty()))
    }

    fn open<'a>(&'a self, _: &Path) -> io::Result<Opened<'a>> {
        Ok(Opened::File {
            bytes: self.0,
            reader: Box::new(io::repeat(b' ')),
        })
    }

    fn folder<'a>(&'a self, _: &Path) -> Box<dyn Input + 'a> {
        Box::new(Claims(self.0))
    }
}

#[test]
fn a_size_is_a_claim_and_limits_hold_whatever_it_says() {
    // A reader without end behind a claim that is too large, or much too small.
    for claim in [u64::MAX, 1 << 40, 0, 7] {
        let files = Claims(claim);
        for (said, limit) in [
            (
                wanted::read_from(&files, Path::new("x")).unwrap_err(),
                "64 MiB",
            ),
            (
                filter_list::read_from(&files, Path::new("x")).unwrap_err(),
                "1 MiB",
            ),
            (target::target_from(&files, "x.toml").unwrap_err(), "1 MiB"),
            (
                read_speaker_from(&files, Path::new("")).unwrap_err(),
                "1 MiB",
            ),
            (
                read_speaker_from(&files, Path::new("x.sofa")).unwrap_err(),
                "128 MiB",
            ),
        ] {
            let said = said.to_string();
            assert!(
                said.contains(&format!("found more than {limit}, expected")),
                "{said}"
            );
        }
    }
}
