//! Reading: sound input is understood, and what was understood is told.

use planish::Error;
use planish::average::{AveragedCurves, RearWall};
use planish::read::device::{all_devices, device};
use planish::read::folder::{Measured, SpeakerFolder, read_speaker};
use planish::read::target::{all_targets, target};
use planish::read::wanted;
use planish::response::{Orbit, Response};
use std::fmt::Write;
use std::fs;
use std::path::Path;
use tempfile::TempDir;

/// A folder with the given files.
fn folder(files: &[(&str, &str)]) -> TempDir {
    let dir = tempfile::tempdir().unwrap();
    for (name, text) in files {
        let path = dir.path().join(name);
        fs::create_dir_all(path.parent().unwrap()).unwrap();
        fs::write(path, text).unwrap();
    }
    dir
}

fn read(files: &[(&str, &str)]) -> SpeakerFolder {
    read_speaker(folder(files).path()).unwrap()
}

fn message(files: &[(&str, &str)]) -> String {
    let dir = folder(files);
    let text = read_speaker(dir.path()).unwrap_err().to_string();
    text.replace(&format!("{}", dir.path().display()), "DIR")
}

fn response(speaker: &SpeakerFolder) -> &Response {
    match &speaker.measured {
        Measured::Angles(response) => response,
        Measured::Curves(_) => panic!("angles were given"),
    }
}

const NAMED: &str = "[speaker]\nname = \"Test\"\n";

/// A wide table whose level is `angle + octaves above 100 Hz`, `per_octave` rows an octave.
fn wide(angles_deg: &[i32], per_octave: i32, octaves: i32) -> String {
    let mut text = String::from("freq_hz");
    for angle in angles_deg {
        write!(text, ",{angle}").unwrap();
    }
    text.push('\n');
    for i in 0..=per_octave * octaves {
        let octave = f64::from(i) / f64::from(per_octave);
        write!(text, "{}", 100.0 * octave.exp2()).unwrap();
        for angle in angles_deg {
            write!(text, ",{}", f64::from(*angle) + octave).unwrap();
        }
        text.push('\n');
    }
    text
}

/// A table of one angle with that level.
fn one(angle_deg: i32) -> String {
    wide(&[angle_deg], 4, 4)
        .replacen("freq_hz", "f", 1)
        .replacen(&format!("f,{angle_deg}"), "Freq,Level", 1)
}

#[test]
fn the_measured_speaker_is_read_whole() {
    let speaker = read_speaker(Path::new("tests/data/measured_a")).unwrap();
    assert_eq!(speaker.name, "Measured loudspeaker");
    let response = response(&speaker);
    assert_eq!(response.members().len(), 72);
    assert_eq!(response.grid().len(), 216);
    assert_eq!(response.grid().first_hz(), 40.0);
    let first = response.at(Orbit::Horizontal, -170.0).unwrap();
    assert_eq!(first.levels_db[0], -33.540);
    assert_eq!(
        speaker.understood.to_string(),
        "read as wide orbit tables\n\
         horizontal: 36 angles measured (-170 to 180 in steps of 10 degrees)\n\
         vertical: 36 angles measured (-170 to 180 in steps of 10 degrees)\n\
         phase: not given\n\
         frequencies: 216 from 40 to 19897 Hz, 24.0 per octave\n\
         trusted: 63 to 20000 Hz\n"
    );
    let curves = AveragedCurves::from_response(response, RearWall::ThreePoints);
    assert!(
        curves.named().iter().all(|(_, curve)| {
            curve.is_some_and(|curve| (curve.completeness - 1.0).abs() < 1e-12)
        })
    );
}

#[test]
fn inputs_are_listed_with_size_and_checksum() {
    let speaker = read_speaker(Path::new("tests/data/measured_a")).unwrap();
    let paths: Vec<&str> = speaker
        .inputs
        .iter()
        .map(|input| input.path.to_str().unwrap())
        .collect();
    assert_eq!(paths, ["speaker.toml", "horizontal.csv", "vertical.csv"]);
    assert_eq!(speaker.inputs[1].bytes, 58618);
    // By sha256sum of GNU coreutils 9.1.
    let sum = "c1b783c404ee346e36f876f0d1721f117c2631607517c11d8f8048743759d597";
    assert_eq!(speaker.inputs[1].sha256, sum);
}

#[test]
fn the_file_itself_may_be_named_instead_of_its_folder() {
    let speaker = read_speaker(Path::new("tests/data/measured_a/speaker.toml")).unwrap();
    assert_eq!(speaker.name, "Measured loudspeaker");
    let error = read_speaker(Path::new("tests/data/measured_a/horizontal.csv")).unwrap_err();
    assert_eq!(
        error.to_string(),
        "tests/data/measured_a/horizontal.csv: found a file, expected a speaker folder, its speaker.toml or a .sofa file"
    );
    assert!(matches!(
        read_speaker(Path::new("tests/data/nowhere")),
        Err(Error::File { .. })
    ));
}

#[test]
fn equal_grids_are_kept_as_measured() {
    let speaker = read(&[
        (
            "speaker.toml",
            &format!("{NAMED}[orbits]\nhorizontal = \"h.csv\"\nvertical = \"v.csv\"\n"),
        ),
        ("h.csv", &wide(&[-10, 0, 10], 7, 4)),
        ("v.csv", &wide(&[-10, 0, 10], 7, 4)),
    ]);
    let response = response(&speaker);
    let f_hz = 100.0 * (3.0f64 / 7.0).exp2();
    assert_eq!(response.grid().freqs_hz()[3], f_hz);
    assert_eq!(
        response.at(Orbit::Vertical, 10.0).unwrap().levels_db[3],
        10.0 + 3.0 / 7.0
    );
    assert!(speaker.understood.notes.is_empty());
}

#[test]
fn mixed_grids_meet_on_the_sparser_one_within_the_overlap() {
    let speaker = read(&[
        (
            "speaker.toml",
            &format!("{NAMED}[orbits]\nhorizontal = \"h.csv\"\nvertical = \"v.csv\"\n"),
        ),
        ("h.csv", &wide(&[-10, 0, 10], 24, 4)),
        ("v.csv", &wide(&[-10, 0, 10], 3, 5)),
    ]);
    let response = response(&speaker);
    assert_eq!(response.grid().len(), 13);
    assert_eq!(response.grid().last_hz(), 1600.0);
    for member in response.members() {
        for (i, level_db) in member.levels_db.iter().enumerate() {
            let wanted_db = member.direction.angle_deg() + i as f64 / 3.0;
            // The power average of 1 dB per octave over a third of an octave lies
            // 10 lg(sinh(u) / u) = 0.0011 dB high, u = ln(10) / 60.
            assert!(
                (level_db - wanted_db).abs() < 0.0012,
                "{level_db} {wanted_db}"
            );
        }
    }
    let note = speaker.understood.notes[0].to_string();
    assert!(
        note.contains("100 to 1600 Hz, 3.0 per octave, nowhere denser than measured"),
        "{note}"
    );
}

#[test]
fn a_missing_side_is_mirrored_and_told() {
    let speaker = read(&[
        (
            "speaker.toml",
            &format!("{NAMED}[orbits]\nhorizontal = \"h.csv\"\n"),
        ),
        ("h.csv", &wide(&[0, 10, 20, 40], 4, 4)),
    ]);
    let response = response(&speaker);
    assert_eq!(response.members().len(), 7);
    assert_eq!(
        response.at(Orbit::Horizontal, -20.0).unwrap().levels_db[0],
        20.0
    );
    let told = speaker.understood.to_string();
    assert!(told.contains(
        "horizontal: 4 angles measured (0, 10, 20, 40 degrees), the other side taken as its mirror image; missing: -170, "
    ), "{told}");
    assert!(told.contains("vertical: not measured\n"), "{told}");
    let found = &speaker.understood.orbits[0];
    assert!(found.mirrored && found.missing_deg.contains(&30.0));
    assert!(!found.missing_deg.contains(&-40.0));
}

#[test]
fn axes_that_differ_are_noted() {
    let vertical = wide(&[-10, 0, 10], 4, 4).replace("1600,-6,4,14", "1600,-6,6.5,14");
    let speaker = read(&[
        (
            "speaker.toml",
            &format!("{NAMED}[orbits]\nhorizontal = \"h.csv\"\nvertical = \"v.csv\"\n"),
        ),
        ("h.csv", &wide(&[-10, 0, 10], 4, 4)),
        ("v.csv", &vertical),
    ]);
    assert_eq!(
        speaker
            .understood
            .notes
            .iter()
            .map(ToString::to_string)
            .collect::<Vec<_>>(),
        ["horizontal 0 and vertical 0 are one direction but differ in shape by 2.4 dB at 1600 Hz"]
    );
}

#[test]
fn the_back_may_stand_twice_when_both_say_the_same() {
    let table: String = wide(&[0, 90, 180], 4, 4)
        .lines()
        .map(|line| {
            let last = line.rsplit(',').next().unwrap();
            let first = if line.starts_with("freq") {
                "-180"
            } else {
                last
            };
            let (f, rest) = line.split_once(',').unwrap();
            format!("{f},{first},{rest}\n")
        })
        .collect();
    let speaker = read(&[
        (
            "speaker.toml",
            &format!("{NAMED}[orbits]\nhorizontal = \"h.csv\"\n"),
        ),
        ("h.csv", &table),
    ]);
    assert_eq!(speaker.understood.orbits[0].angles_deg, [0.0, 90.0, 180.0]);
}

#[test]
fn headers_of_many_habits_name_the_angles() {
    let numbers: String = wide(&[-10, 0, 10], 4, 4)
        .lines()
        .skip(1)
        .map(|line| format!("{line}\n"))
        .collect();
    for header in [
        "freq_hz,-10,0,10",
        "Frequency [Hz], -10 deg, +0, 10\u{b0}",
        "\"freq\",\"-10\",\"0\",\"10\"",
        "# freq_hz,-10,0,10",
        "f,H-10,H0,H+10",
        "Hz,10L,hor 0,10R",
        "\u{FEFF}freq_hz,350,360,10",
        "* made on a Tuesday\nfreq_hz,-10,0,10\nHz,dB,dB,dB",
    ] {
        let speaker = read(&[
            (
                "speaker.toml",
                &format!("{NAMED}[orbits]\nhorizontal = \"h.csv\"\n"),
            ),
            ("h.csv", &format!("{header}\n{numbers}")),
        ]);
        let level = |angle_deg| {
            response(&speaker)
                .at(Orbit::Horizontal, angle_deg)
                .unwrap()
                .levels_db[0]
        };
        assert_eq!(
            [level(-10.0), level(0.0), level(10.0)],
            [-10.0, 0.0, 10.0],
            "{header}"
        );
    }
}

#[test]
fn one_file_per_angle_is_found_by_its_pattern() {
    let speaker = read(&[
        (
            "speaker.toml",
            &format!(
                "{NAMED}[angles]\nhorizontal = \"sub/h_{{angle}}.txt\"\nvertical = \"v{{angle}}deg.txt\"\n"
            ),
        ),
        ("sub/h_-10.txt", &one(-10)),
        ("sub/h_+0.txt", &one(0)),
        ("sub/h_7.5.txt", &one(7)),
        ("sub/h_average.txt", "not read"),
        ("v10deg.txt", &one(10)),
    ]);
    let found: Vec<(Orbit, f64, f64)> = response(&speaker)
        .members()
        .iter()
        .filter(|m| !m.mirrored)
        .map(|m| (m.direction.orbit(), m.direction.angle_deg(), m.levels_db[0]))
        .collect();
    assert_eq!(
        found,
        [
            (Orbit::Horizontal, -10.0, -10.0),
            (Orbit::Horizontal, 0.0, 0.0),
            (Orbit::Horizontal, 7.5, 7.0),
            (Orbit::Vertical, 10.0, 10.0),
        ]
    );
    assert_eq!(
        speaker.understood.notes[0].to_string(),
        "\"h_average.txt\" was left out: \"average\" is no angle"
    );
}

#[test]
fn phase_is_read_from_angle_files_and_from_tables_and_unwrapped() {
    let rows = |phase: &dyn Fn(i32) -> f64| -> String {
        (0..20)
            .map(|i| format!("{}, 80.0, {}\n", 100 * (i + 1), phase(i)))
            .collect()
    };
    let wrapped = rows(&|i| f64::from((-100 * i + 180).rem_euclid(360) - 180));
    let speaker = read(&[
        (
            "speaker.toml",
            &format!("{NAMED}[angles]\nhorizontal = \"h_{{angle}}.txt\"\n"),
        ),
        ("h_0.txt", &wrapped),
        // Written unwrapped, with steps of more than half a turn: left alone.
        ("h_10.txt", &rows(&|i| -200.0 * f64::from(i))),
    ]);
    assert!(speaker.understood.phase);
    let phase = |angle_deg| {
        response(&speaker)
            .at(Orbit::Horizontal, angle_deg)
            .unwrap()
            .phase_deg
            .clone()
            .unwrap()
    };
    assert_eq!(phase(0.0)[19], -1900.0);
    assert_eq!(phase(10.0)[19], -3800.0);
    let wide_speaker = read(&[
        (
            "speaker.toml",
            &format!("{NAMED}[orbits]\nhorizontal = \"h.csv\"\nhorizontal_phase = \"p.csv\"\n"),
        ),
        ("h.csv", &wide(&[0, 10], 4, 4)),
        ("p.csv", &wide(&[0, 10], 4, 4)),
    ]);
    let member = response(&wide_speaker).at(Orbit::Horizontal, 10.0).unwrap();
    assert_eq!(member.phase_deg.as_ref().unwrap()[4], 11.0);
}

#[test]
fn a_folder_without_description_is_read_by_its_names() {
    let speaker = read(&[
        ("Boat h_30.txt", &one(30)),
        ("hor 0 deg.txt", &one(0)),
        ("V+10.csv", &one(10)),
        ("v_-10.csv", &one(-10)),
        ("notes.txt", "buy glue"),
        ("picture.png", "no table"),
    ]);
    assert_eq!(
        response(&speaker)
            .at(Orbit::Vertical, -10.0)
            .unwrap()
            .levels_db[0],
        -10.0
    );
    let told = speaker.understood.to_string();
    assert!(told.starts_with("read as one file per angle, by their names\n"));
    assert!(
        told.contains("note: left out, since the names say no angle: \"notes.txt\"\n"),
        "{told}"
    );
    let tables = read(&[
        ("horizontal.csv", &wide(&[-10, 0, 10], 4, 4)),
        ("my_vertical.csv", &wide(&[-10, 0, 10], 4, 4)),
    ]);
    assert_eq!(response(&tables).members().len(), 6);
    let bare = read(&[("0.txt", &one(0)), ("-30.txt", &one(-30))]);
    assert_eq!(response(&bare).members().len(), 3);
    assert_eq!(
        message(&[("notes.txt", "buy glue")]),
        "DIR: found no speaker.toml and no file whose name says an angle, expected speaker.toml, or files named like h_30.txt, v_-10.csv, 30L.txt, horizontal.csv, h_30.wav"
    );
}

#[test]
fn averaged_curves_are_read_and_the_rest_derived() {
    let table: String = (1..20)
        .map(|i| format!("{};80,5;79,0;74,0;71,5\n", 100 * i))
        .collect();
    let speaker = read(&[
        (
            "speaker.toml",
            &format!("{NAMED}[curves]\ntable = \"c.csv\"\n"),
        ),
        (
            "c.csv",
            &format!("freq_hz;on_axis;listening_window;early_reflections;sound_power\n{table}"),
        ),
    ]);
    let Measured::Curves(curves) = &speaker.measured else {
        panic!("curves were given");
    };
    assert_eq!(curves.sound_power_di.as_ref().unwrap().levels_db[3], 7.5);
    assert!(curves.in_room.is_some());
    assert!(
        speaker.understood.to_string().starts_with(
            "read as averaged curves only\naveraged curves: on_axis, listening_window, "
        )
    );
}

#[test]
fn evidence_and_the_second_unit_are_read() {
    let rows = |row: &dyn Fn(i32) -> String| -> String { (1..12).map(row).collect() };
    let dir = folder(&[
        (
            "speaker.toml",
            &format!(
                "{NAMED}[orbits]\nhorizontal = \"h.csv\"\n[evidence]\nimpedance = \"z.csv\"\n\
                 distortion = \"d.csv\"\ncompression = \"c.csv\"\nsecond_source = \"p.csv\"\n\
                 second_unit = \"unit_b\"\n"
            ),
        ),
        ("h.csv", &wide(&[0, 10], 4, 4)),
        ("z.csv", &rows(&|i| format!("{}\t4.5\t-30\n", 20 * i))),
        (
            "d.csv",
            &rows(&|i| format!("{0},86,0.3\n{0},96,1.5\n", 20 * i)),
        ),
        ("c.csv", &rows(&|i| format!("{},96,0.7\n", 20 * i))),
        ("p.csv", &rows(&|i| format!("{} -12,5\n", 20 * i))),
        (
            "unit_b/speaker.toml",
            "[speaker]\nname = \"Other\"\n[orbits]\nhorizontal = \"h.csv\"\n",
        ),
        ("unit_b/h.csv", &wide(&[0, 10], 4, 4)),
    ]);
    let speaker = read_speaker(dir.path()).unwrap();
    let other = speaker.read_second_unit().unwrap().unwrap();
    assert_eq!(other.name, "Other");
    let evidence = speaker.evidence;
    assert_eq!(evidence.impedance.unwrap().phase_deg.unwrap()[0], -30.0);
    let distortion = evidence.distortion.unwrap();
    assert_eq!(distortion.freqs_hz[..2], [20.0, 20.0]);
    assert_eq!(distortion.thd_percent[..2], [0.3, 1.5]);
    assert_eq!(evidence.compression.unwrap().loss_db[10], 0.7);
    assert_eq!(evidence.second_source.unwrap().level_db[0], -12.5);
}

#[cfg(unix)]
#[test]
fn links_out_of_the_folder_are_refused() {
    use std::os::unix::fs::symlink;
    let outside = folder(&[("h.csv", &wide(&[0, 10], 4, 4)), ("h_0.txt", &one(0))]);
    let inside = folder(&[(
        "speaker.toml",
        &format!("{NAMED}[orbits]\nhorizontal = \"h.csv\"\n"),
    )]);
    symlink(outside.path().join("h.csv"), inside.path().join("h.csv")).unwrap();
    let error = read_speaker(inside.path()).unwrap_err().to_string();
    assert!(
        error.ends_with(
            "speaker.toml:4:14: found \"h.csv\", a link out of the folder, expected a path inside the speaker folder"
        ),
        "{error}"
    );
    let unnamed = tempfile::tempdir().unwrap();
    symlink(
        outside.path().join("h_0.txt"),
        unnamed.path().join("h_0.txt"),
    )
    .unwrap();
    let error = read_speaker(unnamed.path()).unwrap_err().to_string();
    assert!(error.contains("a link out of the folder"), "{error}");
}

#[test]
fn a_file_over_64_mib_is_refused_unread() {
    let dir = folder(&[]);
    let path = dir.path().join("big.csv");
    fs::File::create(&path)
        .unwrap()
        .set_len((64 << 20) + 1)
        .unwrap();
    let error = wanted::read(&path).unwrap_err().to_string();
    assert!(
        error.ends_with("found more than 64 MiB, expected a text file of at most 64 MiB"),
        "{error}"
    );
}

#[test]
fn a_wanted_curve_has_gains_and_perhaps_weights() {
    let rows: String = (1..10)
        .map(|i| format!("{}00;-1,5;{i}\n", 10 - i))
        .collect();
    let dir = folder(&[("w.csv", &rows)]);
    let curve = wanted::read(&dir.path().join("w.csv")).unwrap();
    assert_eq!(curve.freqs_hz[0], 100.0);
    assert_eq!((curve.gain_db[0], curve.weights[0]), (-1.5, 9.0));
}

#[test]
fn built_in_targets_and_devices_are_sound() {
    let targets: Vec<String> = all_targets().unwrap().into_iter().map(|t| t.name).collect();
    assert_eq!(targets, ["flat", "gentle-tilt", "near-field"]);
    let devices: Vec<String> = all_devices().unwrap().into_iter().map(|d| d.name).collect();
    assert_eq!(
        devices,
        [
            "open-48k",
            "fixed-96k",
            "five-stage",
            "open-96k",
            "float-44k",
            "float-192k",
            "fixed-48k",
            "fixed-88k",
            "knob-receiver"
        ]
    );
    // The slope that the tilted target's text states.
    let tilt = target("gentle-tilt").unwrap();
    let slope = (tilt.level_db(8000.0) - tilt.level_db(1000.0)) / 3.0;
    assert!((slope + 0.4).abs() < 0.001, "{slope}");
}

#[test]
fn every_target_and_device_file_is_built_in() {
    for (dir, count) in [("targets/curves", 3), ("targets/devices", 9)] {
        let files = fs::read_dir(dir)
            .unwrap()
            .map(|entry| entry.unwrap().path());
        let found = files.filter(|path| path.extension().is_some_and(|e| e == "toml"));
        assert_eq!(found.count(), count, "{dir}");
    }
}

#[test]
fn targets_and_devices_of_the_users_own_are_read_by_path_and_strictly() {
    let flat = fs::read_to_string("targets/curves/flat.toml").unwrap();
    let open = fs::read_to_string("targets/devices/open-48k.toml").unwrap();
    let dir = folder(&[
        ("mine.toml", &flat),
        ("odd.toml", &flat.replace("points", "pionts")),
        ("box.toml", &open),
        (
            "slow.toml",
            &open.replace("rate_hz = 48000", "rate_hz = 32000"),
        ),
        ("turned.toml", &open.replace("from = -18", "from = 18")),
        ("sign.toml", &open.replace("subtracted", "minus")),
        (
            "coarse.toml",
            &open.replace("stages = 10", "stages = 10\nlevel_step_db = 0.5"),
        ),
        (
            "coarser.toml",
            &open.replace("stages = 10", "stages = 10\nlevel_step_db = 12"),
        ),
    ]);
    let path = |name: &str| dir.path().join(name).to_str().unwrap().to_string();
    assert_eq!(target(&path("mine.toml")).unwrap().name, "mine");
    assert_eq!(device(&path("box.toml")).unwrap().name, "box");
    assert_eq!(device(&path("box.toml")).unwrap().level_step_db, 0.1);
    // 3.01 dB in steps of half a dB, to the safe side: 3.5.
    let coarse = device(&path("coarse.toml")).unwrap();
    assert_eq!(coarse.level_from_db(3.01), 3.5);
    assert_eq!(coarse.level_from_db(3.0), 3.0);
    let tail = |message: String| message.rsplit('/').next().unwrap().to_string();
    assert_eq!(
        tail(target(&path("odd.toml")).unwrap_err().to_string()),
        "odd.toml:6:1: found the unknown key \"pionts\", expected one of about, reason, points, in_room_slope_db_per_oct\n  hint: the nearest known key is points"
    );
    for (file, wanted) in [
        (
            "slow.toml",
            "slow.toml:8:9: found 20 to 20000, expected frequencies above 0 Hz and below half the rate",
        ),
        (
            "turned.toml",
            "turned.toml:9:29: found 6, expected a number not below from, 18",
        ),
        (
            "sign.toml",
            "sign.toml:4:12: found \"minus\", expected feedback = \"subtracted\" or \"added\"",
        ),
        (
            "coarser.toml",
            "coarser.toml:6:17: found 12, expected steps of the level in front of at most 6 dB",
        ),
    ] {
        assert_eq!(tail(device(&path(file)).unwrap_err().to_string()), wanted);
    }
    assert_eq!(
        device("open48").unwrap_err().to_string(),
        "there is no device named \"open48\"\n  hint: known: open-48k, open-96k, fixed-48k, float-44k, fixed-88k, fixed-96k, five-stage, float-192k, knob-receiver"
    );
}
