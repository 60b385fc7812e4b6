//! Tables of a hundred habits: names, steps, levels, grids and phases as people write them.

use planish::read::folder::{Measured, ReadAs, SpeakerFolder, read_speaker};
use planish::read::missing::{Missing, missing};
use planish::response::{Orbit, Response};
use std::fmt::Write;
use std::fs;
use std::process::Command;
use tempfile::TempDir;

fn folder(files: &[(String, String)]) -> TempDir {
    let dir = tempfile::tempdir().unwrap();
    for (name, text) in files {
        fs::write(dir.path().join(name), text).unwrap();
    }
    dir
}

fn read(files: &[(String, String)]) -> SpeakerFolder {
    read_speaker(folder(files).path()).unwrap()
}

fn message(files: &[(String, String)]) -> String {
    let dir = folder(files);
    let text = read_speaker(dir.path()).unwrap_err().to_string();
    text.replace(&dir.path().display().to_string(), "DIR")
}

fn response(speaker: &SpeakerFolder) -> &Response {
    match &speaker.measured {
        Measured::Angles(response) => response,
        Measured::Curves(_) => panic!("angles were given"),
    }
}

fn named(name: &str, text: impl Into<String>) -> (String, String) {
    (name.to_string(), text.into())
}

const NAMED: &str = "[speaker]\nname = \"Test\"\n";
const ORBITS: &str = "[speaker]\nname = \"Test\"\n[orbits]\nhorizontal = \"h.csv\"\n";

/// A table of one angle whose level is its tag everywhere.
fn tagged(tag_db: f64) -> String {
    (1..=10)
        .map(|i| format!("{},{tag_db}\n", 100 * i))
        .collect()
}

/// The level of a direction in a folder of tagged tables.
fn tag(speaker: &SpeakerFolder, orbit: Orbit, angle_deg: f64) -> Option<f64> {
    let response = response(speaker);
    response
        .at(orbit, angle_deg)
        .filter(|member| !member.mirrored)
        .map(|member| member.levels_db[0])
}

#[test]
fn file_names_of_many_habits_say_their_angles() {
    use Orbit::{Horizontal, Vertical};
    // For each habit: names of horizontal 0, 30 and -30 and of vertical 10 and -10.
    let habits: [[&str; 5]; 14] = [
        ["H+0", "H+30", "H-30", "V+10", "V-10"],
        [
            "hor 0 deg",
            "hor 30 deg",
            "hor -30 deg",
            "ver 10 deg",
            "ver -10 deg",
        ],
        ["0R", "30R", "30L", "10U", "10D"],
        ["on-axis", "right 30", "left 30", "up10", "down10"],
        [
            "horizontal_0",
            "horizontal_30",
            "horizontal_330",
            "vertical_10",
            "vertical_350",
        ],
        ["h_0", "h_p30", "h_m30", "v_p10", "v_m10"],
        [
            "Quayside 5 H 0",
            "Quayside 5 H 30",
            "Quayside 5 H -30",
            "Quayside 5 V 10",
            "Quayside 5 V -10",
        ],
        ["v2_h0", "v2_h30", "v2_h-30", "v2_v10", "v2_v-10"],
        ["az0", "az30", "az-30", "el10", "el-10"],
        ["L0", "R30", "L30", "U10", "D10"],
        ["0 H", "30 H", "-30 H", "10 V", "-10 V"],
        [
            "horiz_000",
            "horiz_030",
            "horiz_-030",
            "vert_010",
            "vert_-010",
        ],
        ["HOR0.0°", "HOR30.0°", "HOR-30.0°", "VER10.0°", "VER-10.0°"],
        [
            "spk(h=0)",
            "spk(h=30)",
            "spk(h=-30)",
            "spk(v=10)",
            "spk(v=-10)",
        ],
    ];
    for names in habits {
        let files: Vec<(String, String)> = names
            .iter()
            .enumerate()
            .map(|(i, name)| (format!("{name}.txt"), tagged(-(i as f64))))
            .collect();
        let speaker = read(&files);
        for (i, (orbit, angle_deg)) in [
            (Horizontal, 0.0),
            (Horizontal, 30.0),
            (Horizontal, -30.0),
            (Vertical, 10.0),
            (Vertical, -10.0),
        ]
        .into_iter()
        .enumerate()
        {
            assert_eq!(
                tag(&speaker, orbit, angle_deg),
                Some(-(i as f64)),
                "{:?} as {} {angle_deg}",
                names[i],
                orbit.name()
            );
        }
    }
}

/// A wide table of made-up levels: `level(f_hz, angle)`, `names` over the columns.
fn wide(names: &[(String, f64)], freqs_hz: &[f64], level: impl Fn(f64, f64) -> f64) -> String {
    let mut text = String::from("freq_hz");
    for (name, _) in names {
        write!(text, ",{name}").unwrap();
    }
    for f_hz in freqs_hz {
        write!(text, "\n{f_hz}").unwrap();
        for (_, angle_deg) in names {
            write!(text, ",{:.4}", level(*f_hz, *angle_deg)).unwrap();
        }
    }
    text
}

fn logarithmic(per_octave: i32) -> Vec<f64> {
    (0..=8 * per_octave)
        .map(|i| 50.0 * (f64::from(i) / f64::from(per_octave)).exp2())
        .collect()
}

/// A beam that narrows with frequency.
fn beam_db(f_hz: f64, angle_deg: f64) -> f64 {
    let narrow = (f_hz / 500.0).ln_1p();
    2.0 * narrow * (angle_deg.to_radians().cos() - 1.0)
}

fn columns(step: i32, range: std::ops::RangeInclusive<i32>) -> Vec<(String, f64)> {
    range
        .step_by(step as usize)
        .map(|angle| (angle.to_string(), f64::from(angle)))
        .collect()
}

#[test]
fn angles_from_0_to_350_and_from_minus_180_to_180_are_the_same_orbit() {
    let freqs_hz = logarithmic(6);
    let orbit = |columns: &[(String, f64)]| {
        read(&[
            named("speaker.toml", ORBITS),
            named("h.csv", wide(columns, &freqs_hz, beam_db)),
        ])
    };
    let full = orbit(&columns(10, 0..=350));
    assert_eq!(response(&full).members().len(), 36);
    for other in [
        columns(10, 0..=360),
        columns(10, -180..=180),
        columns(10, -170..=180),
    ] {
        let other = orbit(&other);
        assert_eq!(response(&other), response(&full));
        assert!(other.understood.orbits[0].missing_deg.is_empty());
    }
}

#[test]
fn steps_of_five_are_kept_and_of_fifteen_filled_to_ten() {
    let freqs_hz = logarithmic(6);
    let orbit = |step| {
        read(&[
            named("speaker.toml", ORBITS),
            named(
                "h.csv",
                wide(&columns(step, -180 + step..=180), &freqs_hz, beam_db),
            ),
        ])
    };
    let five = orbit(5);
    assert_eq!(response(&five).members().len(), 72);
    assert!(five.understood.orbits[0].between_deg.is_empty());
    let fifteen = orbit(15);
    assert_eq!(fifteen.understood.orbits[0].between_deg.len(), 24);
    assert!(fifteen.understood.orbits[0].missing_deg.is_empty());
    assert!(
        fifteen
            .understood
            .to_string()
            .contains("24 directions stand between their neighbours"),
        "{}",
        fifteen.understood
    );
    for angle in (-170..=180).step_by(10) {
        let member = response(&fifteen)
            .at(Orbit::Horizontal, f64::from(angle))
            .unwrap();
        for (level_db, f_hz) in member.levels_db.iter().zip(&freqs_hz) {
            // The table is written to 0.0001 dB; a beam of 15 dB bends by less than 0.02 dB
            // from a cubic over 15 degrees.
            assert!(
                (level_db - beam_db(*f_hz, f64::from(angle))).abs() < 0.02,
                "{angle} {f_hz}"
            );
        }
    }
}

#[test]
fn headers_may_say_orbit_unit_and_what_the_column_holds() {
    let freqs_hz = logarithmic(6);
    let plain = columns(10, -170..=180);
    let wanted = read(&[
        named("speaker.toml", ORBITS),
        named("h.csv", wide(&plain, &freqs_hz, beam_db)),
    ]);
    for habit in [
        |a: i32| format!("H{a}"),
        |a: i32| format!("{a} deg"),
        |a: i32| format!("SPL {a}°"),
        |a: i32| format!("dB@{a}"),
        |a: i32| format!("{a:+} (dB)"),
        |a: i32| format!("{} {}", a.abs(), if a < 0 { "L" } else { "R" }),
        |a: i32| format!("hor_{}{}", if a < 0 { "m" } else { "p" }, a.abs()),
        |a: i32| {
            if a == 0 {
                "On Axis".to_string()
            } else {
                format!("horizontal {a}")
            }
        },
    ] {
        let names: Vec<(String, f64)> = plain.iter().map(|(_, a)| (habit(*a as i32), *a)).collect();
        let got = read(&[
            named("speaker.toml", ORBITS),
            named("h.csv", wide(&names, &freqs_hz, beam_db)),
        ]);
        assert_eq!(response(&got), response(&wanted), "{:?}", names[0].0);
    }
}

#[test]
fn a_single_table_may_hold_both_orbits_and_phase_may_lie_beside() {
    let freqs_hz = logarithmic(6);
    let names: Vec<(String, f64)> = columns(10, -170..=180)
        .into_iter()
        .flat_map(|(angle, a)| [(format!("H{angle}"), a), (format!("V{angle}"), a)])
        .collect();
    let speaker = read(&[named("measured.csv", wide(&names, &freqs_hz, beam_db))]);
    assert_eq!(speaker.understood.form, ReadAs::WideTableByHeader);
    assert_eq!(response(&speaker).members().len(), 72);
    let table = wide(&columns(10, -170..=180), &freqs_hz, beam_db);
    let speaker = read(&[
        named("my_horizontal.csv", table.clone()),
        named("my_horizontal_phase.csv", table.clone()),
        named("my_vertical.csv", table),
    ]);
    assert_eq!(response(&speaker).members().len(), 72);
    let with_phase = response(&speaker)
        .members()
        .iter()
        .filter(|m| m.phase_deg.is_some());
    assert_eq!(with_phase.count(), 36);
}

#[test]
fn the_back_measured_twice_is_averaged_when_both_agree_and_refused_when_not() {
    let freqs_hz = logarithmic(6);
    let with_back = |other_db: f64| {
        wide(
            &columns(10, -180..=180),
            &freqs_hz,
            move |f_hz, angle_deg| {
                let shift_db = if angle_deg == -180.0 { other_db } else { 0.0 };
                beam_db(f_hz, angle_deg) + shift_db
            },
        )
    };
    let speaker = read(&[
        named("speaker.toml", ORBITS),
        named("h.csv", with_back(0.4)),
    ]);
    let back = response(&speaker).at(Orbit::Horizontal, 180.0).unwrap();
    // The power mean of 0 and 0.4 dB.
    let mean_db = 10.0 * (0.5 + 0.5 * 10f64.powf(0.04)).log10();
    assert!((back.levels_db[0] - beam_db(50.0, 180.0) - mean_db).abs() < 2e-4);
    assert!(speaker.understood.to_string().contains(
        "horizontal 180 degrees was measured twice, 0.40 dB rms apart; the mean was taken"
    ));
    assert_eq!(
        message(&[
            named("speaker.toml", ORBITS),
            named("h.csv", with_back(0.6))
        ]),
        "DIR/h.csv:1:151: found \"180\", the direction of \"-180\" in column 9, expected every direction once"
    );
    // The same with one file per angle.
    let files = |other_db: f64| {
        vec![
            named(
                "speaker.toml",
                format!("{NAMED}[angles]\nhorizontal = \"h{{angle}}.txt\"\n"),
            ),
            named("h0.txt", tagged(0.0)),
            named("h-180.txt", tagged(-9.0)),
            named("h180.txt", tagged(-9.0 + other_db)),
        ]
    };
    let speaker = read(&files(0.3));
    let level_db = tag(&speaker, Orbit::Horizontal, 180.0).unwrap();
    assert!((level_db + 9.0 - 0.15).abs() < 0.01, "{level_db}");
    assert_eq!(
        message(&files(3.0)),
        "DIR/h180.txt: found horizontal 180 degrees, the direction of DIR/h-180.txt, expected every direction once"
    );
}

#[test]
fn a_trusted_range_outside_the_data_is_refused_with_its_place() {
    let files = |trusted: &str| {
        vec![
            named(
                "speaker.toml",
                format!("{NAMED}[measured]\n{trusted}\n[orbits]\nhorizontal = \"h.csv\"\n"),
            ),
            named(
                "h.csv",
                wide(&columns(10, 0..=180), &logarithmic(6), beam_db),
            ),
        ]
    };
    assert_eq!(
        message(&files("trusted_from_hz = 20000")),
        "DIR/speaker.toml:4:19: found a trusted_from_hz of 20000, expected one below 12800 Hz, where the measurement ends"
    );
    assert_eq!(
        message(&files("trusted_to_hz = 40")),
        "DIR/speaker.toml:4:17: found a trusted_to_hz of 40, expected one above 50 Hz, where the measurement begins to be trusted"
    );
    assert_eq!(
        read(&files("trusted_from_hz = 200")).trusted_from_hz,
        Some(200.0)
    );
}

#[test]
fn levels_relative_to_the_axis_are_made_whole_by_the_axis_itself() {
    let freqs_hz = logarithmic(12);
    let axis_db = |f_hz: f64| 85.0 + (f_hz.log2() * 3.0).sin();
    let absolute = read(&[
        named("speaker.toml", ORBITS),
        named(
            "h.csv",
            wide(&columns(10, -170..=180), &freqs_hz, |f, a| {
                beam_db(f, a) + axis_db(f)
            }),
        ),
    ]);
    let relative = wide(&columns(10, -170..=180), &freqs_hz, beam_db);
    let axis: String = freqs_hz
        .iter()
        .map(|f| format!("{f}\t{:.4}\n", axis_db(*f)))
        .collect();
    let whole = read(&[
        named(
            "speaker.toml",
            format!("{ORBITS}relative_to = \"axis.txt\"\n"),
        ),
        named("h.csv", relative.clone()),
        named("axis.txt", axis),
    ]);
    for (a, b) in response(&whole)
        .members()
        .iter()
        .zip(response(&absolute).members())
    {
        for (x, y) in a.levels_db.iter().zip(&b.levels_db) {
            // Two numbers written to 0.0001 dB against one.
            assert!((x - y).abs() < 2e-4);
        }
    }
    let alone = read(&[named("speaker.toml", ORBITS), named("h.csv", relative)]);
    assert!(
        alone
            .understood
            .to_string()
            .contains("these levels seem to be relative to it")
    );
    assert!(!whole.understood.to_string().contains("these levels seem"));
}

#[test]
fn dense_bins_are_averaged_as_power_over_each_band() {
    // Bins of 1 Hz that alternate between 0 and -100 dB hold half the power: -3.01 dB. A reader
    // that samples them would show one or the other.
    let freqs_hz: Vec<f64> = (20..=20_000).map(f64::from).collect();
    let table = |angle_db: f64| -> String {
        freqs_hz
            .iter()
            .enumerate()
            .map(|(i, f)| format!("{f} {}\n", angle_db - if i % 2 == 0 { 0.0 } else { 100.0 }))
            .collect()
    };
    let speaker = read(&[named("h0.txt", table(0.0)), named("h10.txt", table(-2.0))]);
    let response = response(&speaker);
    assert!(response.grid().len() < 1200, "{}", response.grid().len());
    assert!(response.grid().points_per_octave() < 96.5);
    for (f_hz, level_db) in response
        .grid()
        .freqs_hz()
        .iter()
        .zip(&response.at(Orbit::Horizontal, 0.0).unwrap().levels_db)
    {
        if *f_hz > 2_000.0 {
            assert!((level_db + 3.0103).abs() < 0.35, "{f_hz}: {level_db}");
        }
    }
    assert!(
        speaker
            .understood
            .to_string()
            .contains("by averaging power over each band")
    );
}

#[test]
fn grids_that_differ_between_files_meet_on_the_coarser_one() {
    let curve = |f_hz: f64| -3.0 * (f_hz / 1000.0).log2();
    let table = |freqs_hz: &[f64]| -> String {
        freqs_hz
            .iter()
            .map(|f| format!("{f};{:.4}\n", curve(*f)))
            .collect()
    };
    let fine: Vec<f64> = (1..=1500).map(|i| 10.0 * f64::from(i)).collect();
    let speaker = read(&[
        named("h_0.txt", table(&logarithmic(12))),
        named("h_10.txt", table(&fine)),
        named("v_10.txt", table(&logarithmic(24))),
    ]);
    let response = response(&speaker);
    assert!(response.grid().points_per_octave() <= 12.01);
    for member in response.members() {
        for (f_hz, level_db) in response.grid().freqs_hz().iter().zip(&member.levels_db) {
            // Between linear points a cell reaches 0.02 octaves farther down than up: 0.03 dB at
            // 3 dB per octave. Sampling a neighbour instead would be off by 0.12 dB or more.
            assert!((level_db - curve(*f_hz)).abs() < 0.05, "{f_hz}: {level_db}");
        }
    }
}

#[test]
fn phase_may_be_wrapped_or_not_even_over_a_metre_of_flight() {
    let freqs_hz = logarithmic(24);
    let phase_deg = |f_hz: f64, angle_deg: f64| {
        -360.0 * f_hz * (0.0029 + 1e-6 * angle_deg) - (f_hz / 3000.0).atan().to_degrees()
    };
    let table = |angle_deg: f64, wrapped: bool| -> String {
        freqs_hz
            .iter()
            .map(|f| {
                let phase = phase_deg(*f, angle_deg);
                let phase = if wrapped {
                    (phase + 180.0).rem_euclid(360.0) - 180.0
                } else {
                    phase
                };
                format!("{f} 0.5 {phase:.4}\n")
            })
            .collect()
    };
    for wrapped in [true, false] {
        let speaker = read(&[
            named("h_0.txt", table(0.0, wrapped)),
            named("h_40.txt", table(40.0, wrapped)),
        ]);
        for angle_deg in [0.0, 40.0] {
            let member = response(&speaker).at(Orbit::Horizontal, angle_deg).unwrap();
            for (phase, f_hz) in member.phase_deg.as_ref().unwrap().iter().zip(&freqs_hz) {
                assert!(
                    (phase - phase_deg(*f_hz, angle_deg)).abs() < 0.01,
                    "{wrapped} {f_hz}"
                );
            }
        }
    }
}

#[test]
fn what_is_missing_is_said_with_what_it_costs() {
    let speaker = read(&[
        named("speaker.toml", ORBITS),
        named(
            "h.csv",
            wide(&columns(10, 0..=90), &logarithmic(6), beam_db),
        ),
    ]);
    let found = missing(&speaker);
    for wanted in [
        Missing::Orbit(Orbit::Vertical),
        Missing::Side(Orbit::Horizontal),
        Missing::Directions(Orbit::Horizontal, 17),
        Missing::Phase,
        Missing::HighEnd(12_800.0),
        Missing::TrustedFrom,
        Missing::Impedance,
    ] {
        assert!(found.contains(&wanted), "{wanted:?} in {found:?}");
    }
    assert!(!found.iter().any(|m| matches!(m, Missing::LowEnd(_))));
}

#[test]
fn look_tells_what_was_understood_and_writes_nothing() {
    let dir = folder(&[
        named("speaker.toml", ORBITS),
        named(
            "h.csv",
            wide(&columns(10, -170..=180), &logarithmic(6), beam_db),
        ),
    ]);
    let look = |more: &[&str]| {
        Command::new(env!("CARGO_BIN_EXE_planish"))
            .arg("look")
            .arg(dir.path())
            .args(more)
            .output()
            .unwrap()
    };
    let output = look(&[]);
    let text = String::from_utf8(output.stdout).unwrap();
    assert!(output.status.success() && output.stderr.is_empty());
    for line in [
        "Test\nread as wide orbit tables\n",
        "horizontal: 36 angles measured (-170 to 180 in steps of 10 degrees)\n",
        "  listening window ",
        "missing:\n  the vertical orbit: ",
        "files read:\n  speaker.toml (",
    ] {
        assert!(text.contains(line), "{line:?} in {text}");
    }
    assert_eq!(fs::read_dir(dir.path()).unwrap().count(), 2);
    let json: serde_json::Value = serde_json::from_slice(&look(&["--json"]).stdout).unwrap();
    assert_eq!(json["speaker"], "Test");
    assert_eq!(
        json["orbits"][0]["measured_deg"].as_array().unwrap().len(),
        36
    );
    assert_eq!(json["phase"], false);
    assert_eq!(json["files"].as_array().unwrap().len(), 2);
    assert!(json["missing"].as_array().unwrap().len() >= 5);
    let nothing = tempfile::tempdir().unwrap();
    let output = Command::new(env!("CARGO_BIN_EXE_planish"))
        .arg("look")
        .arg(nothing.path())
        .output()
        .unwrap();
    assert_eq!(output.status.code(), Some(2));
    assert!(output.stdout.is_empty());
}
