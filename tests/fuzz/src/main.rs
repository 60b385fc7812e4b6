//! Every reader under libFuzzer. In this folder:
//!
//!     READER=table cargo run --release -- corpus/table -max_total_time=600 -timeout=2 -rss_limit_mb=512
//!
//! with one of the names of [`READERS`]. New inputs go into the first folder that is named; give a
//! scratch folder first and the corpus second to keep the corpus small, and
//! `-merge=1 corpus/table scratch` to take over what reaches further. What libFuzzer finds
//! (`crash-*`, `timeout-*`, `oom-*`) belongs, once mended, into the corpus as well.
//!
//! Valid inputs of `sofa`, `device` and `target` stand elsewhere: name `../data/sofa`,
//! `../../targets/devices` or `../../targets/curves` as the second folder.

#![no_main]

use libfuzzer_sys::fuzz_target;
use planish::average::RearWall;
use planish::device::{Coefficient, Number};
use planish::read;
use planish::run::{self, Speaker};
use std::fs;
use std::path::{Path, PathBuf};
use std::sync::LazyLock;

/// What is done with the bytes.
type Reader = fn(&Path, &[u8]);

const READERS: [(&str, Reader); 15] = [
    ("table", table),
    ("one_angle", one_angle),
    ("names", names),
    ("header", header),
    ("description", description),
    ("device", device),
    ("target", target),
    ("wanted", wanted),
    ("filter_list", filter_list),
    ("filter_list_renewed", filter_list_renewed),
    ("loopback", loopback),
    ("loopback_wav", loopback_wav),
    ("impulse", impulse),
    ("sofa", sofa),
    ("plan_curves", plan_curves),
];

/// The reader that was asked for, and a folder in memory where there is one.
static CHOSEN: LazyLock<(Reader, PathBuf)> = LazyLock::new(|| {
    let name = std::env::var("READER").unwrap_or_default();
    let reader = READERS
        .iter()
        .find(|(own, _)| *own == name)
        .map(|(_, reader)| *reader);
    let reader = reader.unwrap_or_else(|| {
        let known: Vec<&str> = READERS.iter().map(|(name, _)| *name).collect();
        panic!("READER must be one of {}", known.join(", "))
    });
    let memory = Path::new("/dev/shm");
    let root = if memory.is_dir() {
        memory.to_path_buf()
    } else {
        std::env::temp_dir()
    };
    let dir = root.join(format!("planish-fuzz-{}", std::process::id()));
    fs::create_dir_all(&dir).expect("a folder for the inputs");
    (reader, dir)
});

fuzz_target!(|bytes: &[u8]| {
    let (reader, dir) = &*CHOSEN;
    reader(dir, bytes);
});

/// Rows that any table of one level is happy with.
fn rows() -> String {
    (0..12)
        .map(|i| format!("{},{}\n", 100 * (i + 1), i % 3))
        .collect()
}

fn write(path: &Path, bytes: impl AsRef<[u8]>) {
    fs::write(path, bytes).expect("the folder can be written to");
}

/// Reads a folder as a speaker; a refusal must name a file of it.
fn speaker(path: &Path) {
    match Speaker::read(path, RearWall::ThreePoints) {
        Ok(speaker) => {
            let finite = |levels: &[f64]| levels.iter().all(|level| level.is_finite());
            for (name, curve) in speaker.curves.named() {
                assert!(curve.is_none_or(|curve| finite(&curve.levels_db)), "{name}");
            }
            assert!(!speaker.folder.understood.to_string().is_empty());
            read::missing::missing(&speaker.folder);
        }
        Err(error) => {
            let dir = if path.is_dir() {
                path
            } else {
                path.parent().unwrap()
            };
            let text = error.to_string();
            assert!(text.contains(dir.to_str().unwrap()), "{text}");
        }
    }
}

fn table(dir: &Path, bytes: &[u8]) {
    write(
        &dir.join("speaker.toml"),
        "[speaker]\nname = \"F\"\n[orbits]\nhorizontal = \"h.csv\"\n",
    );
    write(&dir.join("h.csv"), bytes);
    speaker(dir);
}

fn one_angle(dir: &Path, bytes: &[u8]) {
    write(
        &dir.join("speaker.toml"),
        "[speaker]\nname = \"F\"\n[angles]\nhorizontal = \"h_{angle}.txt\"\n",
    );
    write(&dir.join("h_0.txt"), rows());
    write(&dir.join("h_10.txt"), bytes);
    speaker(dir);
}

/// Names of files, one in a line.
fn names(dir: &Path, bytes: &[u8]) {
    let folder = dir.join("names");
    let _ = fs::remove_dir_all(&folder);
    fs::create_dir(&folder).unwrap();
    for name in String::from_utf8_lossy(bytes).lines().take(12) {
        let plain = !name.is_empty()
            && name.len() < 100
            && !name.contains(['/', '\0'])
            && name != "."
            && name != "..";
        if plain {
            write(&folder.join(format!("{name}.txt")), rows());
        }
    }
    speaker(&folder);
}

/// The header of a wide table of two columns, in a folder without description.
fn header(dir: &Path, bytes: &[u8]) {
    let folder = dir.join("header");
    fs::create_dir_all(&folder).unwrap();
    let rows: String = (0..10)
        .map(|i| format!("{},1,2\n", 100 * (i + 1)))
        .collect();
    let line: Vec<u8> = bytes
        .iter()
        .copied()
        .filter(|b| !b"\r\n".contains(b))
        .collect();
    write(
        &folder.join("all.csv"),
        [line.as_slice(), b"\n", rows.as_bytes()].concat(),
    );
    speaker(&folder);
}

fn description(dir: &Path, bytes: &[u8]) {
    let wide: String = (0..12)
        .map(|i| format!("{},1,0,1\n", 100 * (i + 1)))
        .collect();
    write(&dir.join("h.csv"), format!("freq_hz,-10,0,10\n{wide}"));
    write(&dir.join("h_0.txt"), rows());
    write(
        &dir.join("one.csv"),
        format!("freq_hz,level_db\n{}", rows()),
    );
    let curves: String = (0..12)
        .map(|i| format!("{},1,0\n", 100 * (i + 1)))
        .collect();
    write(
        &dir.join("c.csv"),
        format!("freq_hz,on_axis,listening_window\n{curves}"),
    );
    write(&dir.join("speaker.toml"), bytes);
    speaker(dir);
}

fn named(dir: &Path, name: &str, bytes: &[u8]) -> PathBuf {
    let path = dir.join(name);
    write(&path, bytes);
    path
}

/// A refusal must name the file.
fn placed<T>(path: &Path, result: planish::Result<T>) -> Option<T> {
    if let Err(error) = &result {
        let text = error.to_string();
        assert!(text.contains(path.to_str().unwrap()), "{text}");
    }
    result.ok()
}

fn device(dir: &Path, bytes: &[u8]) {
    let path = named(dir, "d.toml", bytes);
    placed(&path, read::device::device(path.to_str().unwrap()));
}

fn target(dir: &Path, bytes: &[u8]) {
    let path = named(dir, "t.toml", bytes);
    placed(&path, read::target::target(path.to_str().unwrap()));
}

fn wanted(dir: &Path, bytes: &[u8]) {
    let path = named(dir, "w.csv", bytes);
    if let Some(wanted) = placed(&path, read::wanted::read(&path)) {
        assert!(
            wanted
                .gain_db
                .iter()
                .chain(&wanted.weights)
                .all(|v| v.is_finite())
        );
    }
}

fn filter_list(dir: &Path, bytes: &[u8]) {
    let path = named(dir, "filters.txt", bytes);
    if let Some(checked) = placed(&path, run::check::check(&path, None, false)) {
        // What was read is written so that it reads the same again.
        let list = &checked.list;
        // Words stand in the order of the device, which the list does not tell.
        if !matches!(list.number, Number::Fixed { .. })
            && let Ok(text) = planish::export::filter_list::write(list, &Coefficient::USUAL_ORDER)
        {
            let again = read::filter_list::parse(&path, &text).expect("our own list is read");
            assert_eq!(again, *list);
        }
    }
}

/// The same with the checksum made right, which chance would never do.
fn filter_list_renewed(dir: &Path, bytes: &[u8]) {
    let body = match bytes.windows(5).rposition(|w| w == b"\nend ") {
        Some(at) => &bytes[..=at],
        None => bytes,
    };
    let stages = body.windows(7).filter(|w| *w == b"\nstage ").count();
    let end = format!("end {stages} crc32={:08x}\n", crc32fast::hash(body));
    filter_list(dir, &[body, end.as_bytes()].concat());
}

fn loopback(dir: &Path, bytes: &[u8]) {
    let path = named(dir, "loop.csv", bytes);
    placed(&path, read::loopback::read(&path));
}

fn loopback_wav(dir: &Path, bytes: &[u8]) {
    let path = named(dir, "loop.wav", bytes);
    if let Some(read) = placed(&path, read::loopback::read(&path)) {
        assert!(read.levels_db.iter().all(|v| v.is_finite()));
    }
}

fn impulse(dir: &Path, bytes: &[u8]) {
    let folder = dir.join("impulse");
    fs::create_dir_all(&folder).unwrap();
    write(&folder.join("h_0.wav"), bytes);
    speaker(&folder);
}

fn sofa(dir: &Path, bytes: &[u8]) {
    speaker(&named(dir, "a.sofa", bytes));
}

fn plan_curves(dir: &Path, bytes: &[u8]) {
    let path = named(dir, "curves.csv", bytes);
    placed(&path, read::plan_curves::read(&path));
}
