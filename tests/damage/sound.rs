//! Valid inputs of every kind, small.

use super::written_sofa::{Sofa, var};
use std::f64::consts::PI;
use std::fmt::Write;

/// What is done with an input.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Use {
    /// Read as a speaker, and planned.
    Speaker,
    /// A device, a target or a wanted curve: the first file.
    Device,
    Target,
    Wanted,
    /// A filter list, the first file, its checksum renewed after the damage or not.
    List {
        renewed: bool,
    },
    /// A list (`filters.txt`) and the measurement of a device, the first file.
    Loopback,
    /// A plan's curves, the first file, and the speaker beside it.
    After,
    /// A sound file through a list, the first file.
    Sound,
}

/// An input: files by name, the first of them harmed most often.
pub struct Kind {
    pub name: &'static str,
    pub files: Vec<(String, Vec<u8>)>,
    pub used: Use,
}

fn level_db(f_hz: f64, angle_deg: f64) -> f64 {
    let bell = (-((f_hz / 900.0).log2() / 0.4).powi(2)).exp();
    80.0 + 4.0 * bell - (angle_deg / 60.0).powi(2) * (f_hz / 4000.0).min(3.0)
}

fn frequencies() -> Vec<f64> {
    (0..=60)
        .map(|i| (20.0 * (f64::from(i) / 6.0).exp2()).round())
        .collect()
}

fn wide(angles: &[i32], separator: char, value: impl Fn(f64, f64) -> f64) -> Vec<u8> {
    let mut text = String::from("freq_hz");
    for angle in angles {
        write!(text, "{separator}{angle}").unwrap();
    }
    for f_hz in frequencies() {
        write!(text, "\n{f_hz}").unwrap();
        for angle in angles {
            write!(text, "{separator}{:.2}", value(f_hz, f64::from(*angle))).unwrap();
        }
    }
    if separator == ';' {
        text = text.replace('.', ",");
    }
    (text + "\n").into_bytes()
}

/// A table under a head, one row for each frequency.
fn headed(head: &str, row: impl Fn(f64) -> String) -> Vec<u8> {
    let rows: String = frequencies().into_iter().map(|f| row(f) + "\n").collect();
    format!("{head}\n{rows}").into_bytes()
}

fn one(angle: i32) -> Vec<u8> {
    let rows = frequencies().into_iter().map(|f| {
        format!(
            "{f}\t{:.2}\t{:.1}\n",
            level_db(f, f64::from(angle)),
            -f * 0.036
        )
    });
    rows.collect::<String>().into_bytes()
}

/// A decaying oscillation after some silence, in a format.
fn wav(angle: i32, bits: u16, float: bool) -> Vec<u8> {
    let spec = hound::WavSpec {
        channels: 1,
        sample_rate: 48_000,
        bits_per_sample: bits,
        sample_format: if float {
            hound::SampleFormat::Float
        } else {
            hound::SampleFormat::Int
        },
    };
    let mut bytes = std::io::Cursor::new(Vec::new());
    let mut writer = hound::WavWriter::new(&mut bytes, spec).unwrap();
    let height = (-f64::from(angle.abs()) / 90.0).exp() * 0.5;
    for i in 0..1200 {
        let t = f64::from(i - 60) / 48_000.0;
        let x = if t < 0.0 {
            0.0
        } else {
            height * (-t * 2000.0).exp() * (2.0 * PI * 900.0 * t).cos()
        };
        if float {
            writer.write_sample(x as f32).unwrap();
        } else {
            let full = f64::from(2i32.pow(u32::from(bits) - 1) - 1);
            writer.write_sample((x * full) as i32).unwrap();
        }
    }
    writer.finalize().unwrap();
    bytes.into_inner()
}

/// Receivers round a source.
pub fn sofa(convention: &'static str) -> Sofa {
    let azimuths: Vec<f64> = (0..12).map(|i| 30.0 * f64::from(i)).collect();
    let places: Vec<f64> = azimuths.iter().flat_map(|a| [*a, 0.0, 2.0]).collect();
    let n = 40;
    let freqs: Vec<f64> = (0..n)
        .map(|i| 100.0 * (f64::from(i) / 6.0).exp2())
        .collect();
    let folded = |a: f64| if a > 180.0 { a - 360.0 } else { a };
    let real: Vec<f64> = azimuths
        .iter()
        .flat_map(|a| {
            freqs
                .iter()
                .map(|f| 10f64.powf((level_db(*f, folded(*a)) - 80.0) / 20.0))
        })
        .collect();
    Sofa {
        convention,
        data_type: "TF",
        sizes: [1, azimuths.len(), freqs.len()],
        variables: vec![
            var("ListenerPosition", &["I", "C"], vec![0.0; 3]).cartesian(),
            var("SourcePosition", &["I", "C"], vec![0.0; 3]).cartesian(),
            var("SourceView", &["I", "C"], vec![1.0, 0.0, 0.0]).cartesian(),
            var("SourceUp", &["I", "C"], vec![0.0, 0.0, 1.0]).cartesian(),
            var("ReceiverPosition", &["R", "C", "I"], places).spherical(),
            var("N", &["N"], freqs.clone()).with("Units", "hertz"),
            var("Data.Imag", &["M", "R", "N"], vec![0.0; real.len()]),
            var("Data.Real", &["M", "R", "N"], real),
        ],
    }
}

fn named(name: &str, bytes: impl Into<Vec<u8>>) -> (String, Vec<u8>) {
    (name.to_string(), bytes.into())
}

const HEAD: &str = "[speaker]\nname = \"Damage\"\n[measured]\ndistance_m = 2.0\ntrusted_from_hz = 100\ntrusted_to_hz = 15000\n";

fn orbits(more: &str) -> (String, Vec<u8>) {
    named(
        "speaker.toml",
        format!("{HEAD}[orbits]\nhorizontal = \"h.csv\"\nvertical = \"v.csv\"\n{more}"),
    )
}

/// A filter list as planish writes it.
pub fn list(device: &str) -> Vec<u8> {
    use planish::run::{self, PlanOptions, Speaker};
    let dir = tempfile::tempdir().unwrap();
    let (toml, h) = (
        orbits(""),
        wide(&[-30, -20, -10, 0, 10, 20, 30], ',', level_db),
    );
    std::fs::write(dir.path().join("speaker.toml"), toml.1).unwrap();
    std::fs::write(dir.path().join("h.csv"), &h).unwrap();
    std::fs::write(dir.path().join("v.csv"), &h).unwrap();
    let speaker = Speaker::read(dir.path(), planish::average::RearWall::ThreePoints).unwrap();
    let options = PlanOptions {
        device: Some(device.to_string()),
        effort: Some(0.02),
        ..PlanOptions::default()
    };
    let plan = run::plan(&speaker, &options).unwrap();
    run::plan_files(&plan, &speaker, "", None)
        .unwrap()
        .remove(0)
        .1
}

impl Kind {
    pub fn all() -> Vec<Kind> {
        let angles = [-90, -30, -20, -10, 0, 10, 20, 30, 90, 180];
        let (h, v) = (wide(&angles, ',', level_db), wide(&angles, ';', level_db));
        let phase = wide(&angles, '\t', |f, _| -f * 0.036);
        let near = headed("freq_hz,level_db", |f| {
            format!("{f},{:.2}", level_db(f, 0.0))
        });
        let averaged: Vec<u8> = {
            let mut text =
                String::from("freq_hz,on_axis,listening_window,early_reflections,sound_power\n");
            for f in frequencies() {
                let level = level_db(f, 0.0);
                writeln!(
                    text,
                    "{f},{level:.2},{:.2},{:.2},{:.2}",
                    level - 0.5,
                    level - 3.0,
                    level - 6.0
                )
                .unwrap();
            }
            text.into_bytes()
        };
        let evidence = "[evidence]\nimpedance = \"z.csv\"\ndistortion = \"d.csv\"\nsecond_source = \"port.csv\"\n";
        let triple = |head: &str, a: f64, b: f64| {
            let rows: String = frequencies()
                .iter()
                .map(|f| format!("{f},{a},{b}\n"))
                .collect();
            format!("{head}\n{rows}").into_bytes()
        };
        let angle_files = |form: &str| -> Vec<(String, Vec<u8>)> {
            angles
                .iter()
                .map(|a| (form.replace("{}", &a.to_string()), one(*a)))
                .collect()
        };
        let mut described = vec![named(
            "speaker.toml",
            format!("{HEAD}[angles]\nhorizontal = \"h_{{angle}}.txt\"\n"),
        )];
        described.extend(angle_files("h_{}.txt"));
        let mut impulses = vec![named(
            "speaker.toml",
            format!(
                "{HEAD}[impulses]\nhorizontal = \"h_{{angle}}.wav\"\ngate_ms = 15\nwindow_ms = 5\n"
            ),
        )];
        let kinds = [(16, false), (24, false), (32, true), (8, false)];
        impulses.extend(
            angles
                .iter()
                .zip(kinds.iter().cycle())
                .map(|(a, (bits, float))| (format!("h_{a}.wav"), wav(*a, *bits, *float))),
        );
        let bare: Vec<(String, Vec<u8>)> = angles
            .iter()
            .map(|a| (format!("H{a}.wav"), wav(*a, 16, false)))
            .collect();
        let speaker = |name, files| Kind {
            name,
            files,
            used: Use::Speaker,
        };
        let single = |name, files, used| Kind { name, files, used };
        let text = |path: &str| std::fs::read(path).unwrap();
        let filters = list("open-48k");
        vec![
            speaker(
                "wide tables",
                vec![
                    orbits("vertical_phase = \"p.csv\"\n"),
                    named("h.csv", h.clone()),
                    named("v.csv", v.clone()),
                    named("p.csv", phase),
                ],
            ),
            speaker("angle files", described),
            speaker("angles by name", angle_files("spk H {} deg.txt")),
            speaker("impulses", impulses),
            speaker("impulses by name", bare),
            speaker(
                "sofa, written",
                vec![named("a.sofa", sofa("FreeFieldDirectivityTF").bytes())],
            ),
            speaker(
                "sofa, given",
                vec![
                    named("speaker.toml", format!("{HEAD}[sofa]\nfile = \"a.sofa\"\n")),
                    named("a.sofa", text("tests/data/sofa/sofa_ffdtf_cardioid.sofa")),
                ],
            ),
            speaker(
                "averaged curves",
                vec![
                    named(
                        "speaker.toml",
                        format!("{HEAD}[curves]\ntable = \"c.csv\"\n"),
                    ),
                    named("c.csv", averaged.clone()),
                ],
            ),
            speaker(
                "evidence",
                vec![
                    orbits(evidence),
                    named("h.csv", h.clone()),
                    named("v.csv", v.clone()),
                    named("z.csv", triple("freq_hz,ohm,phase_deg", 6.0, -10.0)),
                    named("d.csv", triple("freq_hz,level_db,thd_percent", 90.0, 0.3)),
                    named("port.csv", near.clone()),
                ],
            ),
            speaker(
                "low end",
                vec![
                    orbits(
                        "[low_end]\ntable = \"near.csv\"\nat_hz = 300\nmethod = \"near-field\"\n",
                    ),
                    named("h.csv", h.clone()),
                    named("v.csv", v.clone()),
                    named("near.csv", near.clone()),
                ],
            ),
            single(
                "device, limits",
                vec![named("d.toml", text("targets/devices/fixed-96k.toml"))],
                Use::Device,
            ),
            single(
                "device, knobs",
                vec![named("d.toml", text("targets/devices/knob-receiver.toml"))],
                Use::Device,
            ),
            single(
                "target",
                vec![named("t.toml", text("targets/curves/near-field.toml"))],
                Use::Target,
            ),
            single(
                "wanted curve",
                vec![named(
                    "w.csv",
                    headed("freq_hz,gain_db,weight", |f| {
                        format!("{f},{:.2},1", level_db(f, 0.0) - 80.0)
                    }),
                )],
                Use::Wanted,
            ),
            single(
                "filter list",
                vec![named("filters.txt", filters.clone())],
                Use::List { renewed: false },
            ),
            single(
                "filter list, checksum renewed",
                vec![named("filters.txt", filters.clone())],
                Use::List { renewed: true },
            ),
            single(
                "filter list of words",
                vec![named("filters.txt", list("fixed-96k"))],
                Use::List { renewed: true },
            ),
            single(
                "loopback table",
                vec![
                    named("loop.csv", triple("freq_hz,level_db,phase_deg", -3.0, 1.0)),
                    named("filters.txt", filters.clone()),
                ],
                Use::Loopback,
            ),
            single(
                "loopback sound",
                vec![
                    named("loop.wav", wav(0, 24, false)),
                    named("filters.txt", filters.clone()),
                ],
                Use::Loopback,
            ),
            single(
                "plan's curves",
                vec![
                    named("curves.csv", averaged),
                    orbits(""),
                    named("h.csv", h),
                    named("v.csv", v),
                ],
                Use::After,
            ),
            single(
                "sound file",
                vec![
                    named("in.wav", wav(0, 32, true)),
                    named("filters.txt", filters),
                ],
                Use::Sound,
            ),
        ]
    }
}
