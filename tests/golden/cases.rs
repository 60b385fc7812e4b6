//! The calls whose outcome is kept, and what they need.

use std::fmt::Write;
use std::fs;
use std::path::Path;

/// Calls in one folder; what they write goes to `out` in it.
pub struct Case {
    pub name: &'static str,
    pub prepare: fn(&Path),
    pub calls: &'static [&'static str],
}

pub const CASES: &[Case] = &[
    Case {
        name: "demo",
        prepare: nothing,
        calls: &[
            "demo demo",
            "list",
            "plan demo/quayside_5 --out out",
            "audit demo/quayside_5",
        ],
    },
    Case {
        name: "left_alone",
        prepare: demo,
        calls: &[
            "look lantern_8",
            "plan lantern_8 --out out",
            "audit lantern_8",
        ],
    },
    Case {
        name: "measured",
        prepare: measured,
        calls: &["plan measured_a --out out", "audit measured_a --json"],
    },
    Case {
        name: "limits",
        prepare: demo,
        calls: &[
            "plan lantern_8 --stages 3 --from 100 --to 8000 --boost 0 --target near-field --without lowshelf --rear-wall full --out out --json",
        ],
    },
    Case {
        name: "subwoofer",
        prepare: demo,
        calls: &[
            "plan quayside_5 --sub 80 --sub-order 2 --level 85 --distance 3 --out out",
            "audit quayside_5 --sub 30 --sub-order 4 --device knob-receiver",
        ],
    },
    Case {
        name: "subwoofer_seats",
        prepare: demo,
        calls: &[
            "plan quayside_5 --sub 80 --sub-seats quayside_5/seats.csv --device open-96k --out out",
        ],
    },
    Case {
        name: "evidence",
        prepare: with_evidence,
        calls: &[
            "plan quayside_5 --level 90 --distance 4 --rated 8 --out out",
            "audit quayside_5",
        ],
    },
    Case {
        name: "aim",
        prepare: demo,
        calls: &[
            "plan lantern_8 --aim 20 --out out",
            "audit lantern_8 --aims",
            "audit lantern_8 --aims --json",
        ],
    },
    Case {
        name: "room",
        prepare: demo,
        calls: &[
            "plan quayside_5 --seats quayside_5/seats.csv --room-volume 58 --rt60 0.45 --out out",
            "audit quayside_5 --transition 250 --json",
        ],
    },
    Case {
        name: "room_few_stages",
        prepare: demo,
        calls: &[
            "plan lantern_8 --seats quayside_5/seats.csv --stages 4 --device fixed-88k --out out",
        ],
    },
    Case {
        name: "pair",
        prepare: with_second_unit,
        calls: &[
            "plan quayside_5 --pair other_unit --per-unit --out out",
            "audit quayside_5 --pair other_unit",
        ],
    },
    Case {
        name: "knobs",
        prepare: demo,
        calls: &[
            "plan quayside_5 --device knob-receiver --out out",
            "plan lantern_8 --device five-stage --out out/five",
        ],
    },
    Case {
        name: "averages",
        prepare: averages_only,
        calls: &["plan averages --out out", "audit averages"],
    },
    Case {
        name: "many",
        prepare: demo,
        calls: &[
            "rank . --out out --threads 2",
            "rank . --json",
            "compare quayside_5 lantern_8 --out out/sheet",
            "compare quayside_5 --devices open-48k,knob-receiver --targets flat,near-field --json",
        ],
    },
    Case {
        name: "lists",
        prepare: demo,
        calls: &[
            "plan quayside_5 --out list",
            "check list/filters.txt",
            "check list/filters.txt --json",
            "check list --after lantern_8",
            "convert list/filters.txt --device float-44k --out out/player.txt",
            "convert list/filters.txt --device fixed-48k --format c --out out/filters.h",
            "convert list/filters.txt --device knob-receiver --out out/knobs.txt",
            "convert list/filters.txt --rate 96000 --number f32 --feedback added --json",
        ],
    },
    Case {
        name: "loopback",
        prepare: loopback,
        calls: &[
            "check list/filters.txt --measured same.csv",
            "check list/filters.txt --measured bypassed.csv",
            "check list/filters.txt --measured bypassed.csv --absolute --json",
        ],
    },
    Case {
        name: "wanted",
        prepare: wanted_curve,
        calls: &[
            "fit wanted.csv --stages 4",
            "fit wanted.csv --stages 6 --device knob-receiver --json",
            "curves quayside_5",
            "fit missing.csv",
            "plan quayside_5 --device missing",
        ],
    },
];

fn nothing(_: &Path) {}

/// The demo speakers, as they stand in `examples`.
fn demo(work: &Path) {
    for speaker in ["quayside_5", "lantern_8"] {
        copied(&Path::new("examples").join(speaker), &work.join(speaker));
    }
}

fn measured(work: &Path) {
    copied(Path::new("tests/data/measured_a"), &work.join("measured_a"));
}

fn copied(from: &Path, to: &Path) {
    fs::create_dir_all(to).expect("a folder");
    for entry in fs::read_dir(from).expect("a folder") {
        let path = entry.expect("an entry").path();
        fs::copy(&path, to.join(path.file_name().expect("a name"))).expect("copied");
    }
}

fn table(path: &Path, header: &str, rows: impl Iterator<Item = Vec<f64>>) {
    let mut text = format!("{header}\n");
    for row in rows {
        let cells: Vec<String> = row.iter().map(|v| format!("{v:.4}")).collect();
        let _ = writeln!(text, "{}", cells.join(","));
    }
    fs::write(path, text).expect("a table");
}

fn octave_steps(from_hz: f64, to_hz: f64, per_octave: f64) -> impl Iterator<Item = f64> {
    (0..)
        .map(move |i| from_hz * (f64::from(i) / per_octave).exp2())
        .take_while(move |f| *f <= to_hz)
}

/// Tables of impedance, distortion, compression and a second source, made by formula.
fn with_evidence(work: &Path) {
    demo(work);
    let folder = work.join("quayside_5");
    table(
        &folder.join("impedance.csv"),
        "freq_hz,ohm,phase_deg",
        octave_steps(20.0, 20_000.0, 6.0).map(|f| {
            let octaves = (f / 55.0).log2();
            let ohm = 5.0 + 20.0 / (1.0 + 4.0 * octaves * octaves) + 0.0004 * f;
            vec![f, ohm, -40.0 * octaves / (1.0 + octaves * octaves)]
        }),
    );
    table(
        &folder.join("distortion.csv"),
        "freq_hz,level_db,thd_percent",
        octave_steps(40.0, 10_000.0, 3.0).flat_map(|f| {
            [86.0, 96.0, 104.0].map(|level| vec![f, level, (level - 80.0) * (30.0 / f + 0.02)])
        }),
    );
    table(
        &folder.join("compression.csv"),
        "freq_hz,level_db,loss_db",
        octave_steps(40.0, 10_000.0, 3.0)
            .flat_map(|f| [96.0, 102.0].map(|level| vec![f, level, (level - 90.0) * 0.15])),
    );
    table(
        &folder.join("port.csv"),
        "freq_hz,level_db",
        octave_steps(20.0, 2000.0, 12.0).map(|f| {
            vec![
                f,
                80.0 - 20.0 * (f / 50.0).log2().abs()
                    + 6.0 * (-(10.0 * (f / 620.0).log2()).powi(2)).exp(),
            ]
        }),
    );
    let mut text = fs::read_to_string(folder.join("speaker.toml")).expect("the demo");
    text = text.replace("[measured]\n", "");
    text += "\n[measured]\ndistance_m = 1.0\ndrive_v = 2.83\n\n[evidence]\nimpedance = \"impedance.csv\"\ndistortion = \"distortion.csv\"\ncompression = \"compression.csv\"\nsecond_source = \"port.csv\"\n";
    fs::write(folder.join("speaker.toml"), text).expect("written");
}

/// The same speaker once more, louder and with a dip of its own round 1.5 kHz.
fn with_second_unit(work: &Path) {
    demo(work);
    let other = work.join("other_unit");
    copied(&work.join("quayside_5"), &other);
    for orbit in ["horizontal.csv", "vertical.csv"] {
        let text = fs::read_to_string(other.join(orbit)).expect("the demo");
        let changed: Vec<String> = text
            .lines()
            .map(|line| {
                let cells: Vec<&str> = line.split(',').collect();
                let Ok(f_hz) = cells[0].parse::<f64>() else {
                    return line.to_string();
                };
                let own_db = 0.5 - 2.5 * (-(3.0 * (f_hz / 1500.0).log2()).powi(2)).exp();
                let levels = cells[1..]
                    .iter()
                    .map(|cell| format!("{:.3}", cell.parse::<f64>().expect("a level") + own_db));
                std::iter::once(cells[0].to_string())
                    .chain(levels)
                    .collect::<Vec<_>>()
                    .join(",")
            })
            .collect();
        fs::write(other.join(orbit), changed.join("\n") + "\n").expect("written");
    }
}

/// Averaged curves of a demo speaker and nothing else.
fn averages_only(work: &Path) {
    demo(work);
    let folder = work.join("averages");
    fs::create_dir_all(&folder).expect("a folder");
    fs::write(folder.join("curves.csv"), printed(work, "curves lantern_8")).expect("written");
    let about = "[speaker]\nname = \"Lantern 8, averages\"\n[curves]\ntable = \"curves.csv\"\n";
    fs::write(folder.join("speaker.toml"), about).expect("written");
}

fn printed(work: &Path, call: &str) -> Vec<u8> {
    let output = std::process::Command::new(env!("CARGO_BIN_EXE_planish"))
        .args(call.split_whitespace())
        .current_dir(work)
        .output()
        .expect("the binary runs");
    assert!(output.status.success(), "{call}");
    output.stdout
}

/// What a box measures that does what its list says, and one that does nothing.
fn loopback(work: &Path) {
    demo(work);
    printed(work, "plan quayside_5 --out list");
    let list = fs::read_to_string(work.join("list/filters.txt")).expect("the list");
    let list = planish::read::filter_list::parse("filters.txt".as_ref(), &list).expect("a list");
    let bank = list.bank();
    let freqs = || octave_steps(20.0, 20_000.0, 48.0);
    table(
        &work.join("same.csv"),
        "freq_hz,level_db",
        freqs().map(|f| vec![f, bank.gain_at_db(f)]),
    );
    table(
        &work.join("bypassed.csv"),
        "freq_hz,level_db",
        freqs().map(|f| vec![f, 0.0]),
    );
}

/// A wanted curve of smooth bumps, made by formula.
fn wanted_curve(work: &Path) {
    demo(work);
    table(
        &work.join("wanted.csv"),
        "freq_hz,gain_db",
        octave_steps(30.0, 16_000.0, 12.0).map(|f| {
            let bump =
                |f0: f64, gain: f64, width: f64| gain * (-((f / f0).log2() / width).powi(2)).exp();
            vec![
                f,
                bump(90.0, -4.0, 0.6)
                    + bump(700.0, 2.5, 0.4)
                    + bump(3100.0, -5.5, 0.2)
                    + bump(9000.0, 1.8, 0.7),
            ]
        }),
    );
}
