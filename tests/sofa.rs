//! SOFA files (AES69): directions, conventions, orientation, and what is refused.

mod written_sofa;

use planish::average::{AveragedCurves, RearWall};
use planish::read::folder::{Measured, SpeakerFolder, read_speaker};
use planish::response::{Orbit, Response};
use std::f64::consts::PI;
use std::fs;
use std::path::Path;
use written_sofa::{Sofa, Var, var};

fn response(speaker: &SpeakerFolder) -> &Response {
    match &speaker.measured {
        Measured::Angles(response) => response,
        Measured::Curves(_) => panic!("angles were given"),
    }
}

/// Reads a file of the given bytes.
fn read_bytes(bytes: &[u8]) -> planish::Result<SpeakerFolder> {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("speaker.sofa");
    fs::write(&path, bytes).unwrap();
    read_speaker(&path)
}

fn read(sofa: &Sofa) -> SpeakerFolder {
    read_bytes(&sofa.bytes()).unwrap()
}

fn message(sofa: &Sofa) -> String {
    let text = read_bytes(&sofa.bytes()).unwrap_err().to_string();
    text[text.find("speaker.sofa").unwrap()..].to_string()
}

/// Rows of a small CSV without comments and header.
fn rows(path: &str) -> Vec<Vec<f64>> {
    fs::read_to_string(path)
        .unwrap()
        .lines()
        .filter(|line| line.starts_with(|c: char| c.is_ascii_digit() || c == '-'))
        .map(|line| {
            line.split(',')
                .map(|field| field.parse().unwrap())
                .collect()
        })
        .collect()
}

/// `bands.csv` is printed to 0.001 dB: half a step.
const PRINTED_DB: f64 = 0.0005;

#[test]
fn the_real_file_gives_the_levels_of_its_third_octave_table() {
    // Source: tests/data/measured_a/bands.csv, evaluated from the published directivity by
    // another route than the SOFA file (see tests/data/README.md). Asked for are 0.5 dB.
    let speaker = read_speaker(Path::new("tests/data/sofa/measured_a_ffdtf.sofa")).unwrap();
    let response = response(&speaker);
    let text = fs::read_to_string("tests/data/measured_a/bands.csv").unwrap();
    let names: Vec<&str> = text.lines().next().unwrap().split(',').skip(1).collect();
    let bands = rows("tests/data/measured_a/bands.csv");
    assert_eq!((names.len(), bands.len()), (72, response.grid().len()));
    let mut worst_db: f64 = 0.0;
    for (c, name) in names.iter().enumerate() {
        let (orbit, angle) = name.split_at(1);
        let orbit = match orbit {
            "h" => Orbit::Horizontal,
            _ => Orbit::Vertical,
        };
        let member = response.at(orbit, angle.parse().unwrap()).unwrap();
        for (i, band) in bands.iter().enumerate() {
            assert!((response.grid().freqs_hz()[i] / band[0] - 1.0).abs() < 1e-4);
            worst_db = worst_db.max((member.levels_db[i] - band[c + 1]).abs());
        }
    }
    assert!(worst_db <= PRINTED_DB + 1e-9, "{worst_db}");
}

#[test]
fn the_real_file_gives_the_values_another_library_read_from_it() {
    // Source: measured_a_ffdtf.csv, read with the Python library sofar; receivers on an orbit.
    let speaker = read_speaker(Path::new("tests/data/sofa/measured_a_ffdtf.sofa")).unwrap();
    let mut met = 0;
    for row in rows("tests/data/sofa/measured_a_ffdtf.csv") {
        let (azimuth_deg, elevation_deg) = (row[1], row[2]);
        let place = match (azimuth_deg, elevation_deg) {
            (azimuth, 0.0) => (Orbit::Horizontal, azimuth),
            (0.0, elevation) => (Orbit::Vertical, elevation),
            (180.0, elevation) => (Orbit::Vertical, 180.0 - elevation),
            _ => continue,
        };
        let member = response(&speaker).at(place.0, place.1).unwrap();
        let level_db = member.levels_db[row[4] as usize];
        assert!((level_db - 20.0 * row[6].log10()).abs() < 1e-9, "{row:?}");
        met += 1;
    }
    assert!(met >= 12, "{met} values lie on an orbit");
}

#[test]
fn level_and_phase_of_the_cardioid_are_those_of_its_formula() {
    // Source: sofa_ffdtf_cardioid.csv, closed form evaluated with numpy.
    let speaker = read_speaker(Path::new("tests/data/sofa/sofa_ffdtf_cardioid.sofa")).unwrap();
    assert_eq!(speaker.distance_m, Some(2.0));
    let mut met = 0;
    for row in rows("tests/data/sofa/sofa_ffdtf_cardioid.csv") {
        let (azimuth_deg, elevation_deg, f_hz) = (row[1], row[2], row[4]);
        let place = if elevation_deg == 0.0 {
            (Orbit::Horizontal, azimuth_deg)
        } else {
            (Orbit::Vertical, elevation_deg)
        };
        let member = response(&speaker).at(place.0, place.1).unwrap();
        let i = response(&speaker).grid().nearest(f_hz);
        let amplitude = row[5].hypot(row[6]);
        if amplitude == 0.0 {
            assert_eq!(place.1, 180.0);
            assert!(member.levels_db[i] < -200.0);
            continue;
        }
        assert!((member.levels_db[i] - 20.0 * amplitude.log10()).abs() < 1e-9);
        let turns =
            (member.phase_deg.as_ref().unwrap()[i] - row[6].atan2(row[5]).to_degrees()) / 360.0;
        assert!((turns - turns.round()).abs() < 1e-9, "{row:?}");
        met += 1;
    }
    assert_eq!(met, 21);
}

/// Pressure of a made-up speaker towards the front (x), left (y) and up (z): it beams more with
/// frequency and differs between left and right, up and down.
fn pressure(u: [f64; 3], f_hz: f64) -> f64 {
    let beam = (f_hz / 1000.0).ln_1p();
    (0.6 * beam * (u[0] - 1.0)).exp() * (1.0 + 0.2 * u[1] + 0.1 * u[2] * u[0])
}

fn frequencies() -> Vec<f64> {
    (0..=24)
        .map(|i| 100.0 * f64::from(i).exp2().powf(0.25))
        .collect()
}

fn spherical(azimuth_deg: f64, elevation_deg: f64) -> [f64; 3] {
    let (a, e) = (azimuth_deg.to_radians(), elevation_deg.to_radians());
    [e.cos() * a.cos(), e.cos() * a.sin(), e.sin()]
}

/// Azimuth and elevation of both orbits in steps of 10 degrees, the shared axis once.
fn orbits_deg() -> Vec<[f64; 2]> {
    let mut all: Vec<[f64; 2]> = (0..36).map(|i| [f64::from(10 * i), 0.0]).collect();
    for i in 1..=17 {
        let up = f64::from(10 * i);
        for sign in [1.0, -1.0] {
            all.push(if up <= 90.0 {
                [0.0, sign * up]
            } else {
                [180.0, sign * (180.0 - up)]
            });
        }
    }
    all
}

fn magnitudes(towards: &[[f64; 3]]) -> Vec<f64> {
    let freqs_hz = frequencies();
    towards
        .iter()
        .flat_map(|u| {
            freqs_hz
                .iter()
                .map(|f| pressure(*u, *f))
                .collect::<Vec<f64>>()
        })
        .collect()
}

/// Receivers round a source at the origin.
fn receivers_round(convention: &'static str, places: Var, towards: &[[f64; 3]]) -> Sofa {
    let n = frequencies().len();
    let data = magnitudes(towards);
    Sofa {
        convention,
        data_type: "TF",
        sizes: [1, towards.len(), n],
        variables: vec![
            places,
            var("SourcePosition", &["I", "C"], vec![0.0; 3]).cartesian(),
            var("SourceView", &["I", "C"], vec![1.0, 0.0, 0.0]).cartesian(),
            var("SourceUp", &["I", "C"], vec![0.0, 0.0, 1.0]),
            var("Data.Imag", &["M", "R", "N"], vec![0.0; data.len()]),
            var("Data.Real", &["M", "R", "N"], data),
            var("N", &["N"], frequencies()).with("Units", "hertz"),
        ],
    }
}

fn on_orbits(convention: &'static str) -> Sofa {
    let places = orbits_deg();
    let towards: Vec<[f64; 3]> = places.iter().map(|p| spherical(p[0], p[1])).collect();
    let values = places.iter().flat_map(|p| [p[0], p[1], 1.5]).collect();
    let receivers = var("ReceiverPosition", &["R", "C"], values).spherical();
    receivers_round(convention, receivers, &towards)
}

/// Every direction of both orbits has the level of [`pressure`] within `within_db`.
fn assert_levels(speaker: &SpeakerFolder, within_db: f64) {
    let response = response(speaker);
    for orbit in [Orbit::Horizontal, Orbit::Vertical] {
        for i in -17..=18 {
            let angle_deg = f64::from(10 * i);
            let u = match orbit {
                Orbit::Horizontal => spherical(angle_deg, 0.0),
                Orbit::Vertical => {
                    let (sine, cosine) = angle_deg.to_radians().sin_cos();
                    [cosine, 0.0, sine]
                }
            };
            let member = response.at(orbit, angle_deg).unwrap();
            for (level_db, f_hz) in member.levels_db.iter().zip(response.grid().freqs_hz()) {
                let wanted_db = 20.0 * pressure(u, *f_hz).log10();
                assert!(
                    (level_db - wanted_db).abs() < within_db,
                    "{} {angle_deg} at {f_hz} Hz: {level_db} for {wanted_db}",
                    orbit.name()
                );
            }
        }
    }
}

/// Replaces a variable of the file.
fn replaced(mut sofa: Sofa, variable: Var) -> Sofa {
    sofa.variables.retain(|old| old.name != variable.name);
    sofa.variables.push(variable);
    sofa
}

#[test]
fn spherical_and_cartesian_positions_say_the_same() {
    assert_levels(&read(&on_orbits("FreeFieldDirectivityTF")), 1e-9);
    let towards: Vec<[f64; 3]> = orbits_deg().iter().map(|p| spherical(p[0], p[1])).collect();
    let values = towards.iter().flat_map(|u| u.map(|v| 1.5 * v)).collect();
    let receivers = var("ReceiverPosition", &["R", "C"], values).cartesian();
    let speaker = read(&receivers_round("GeneralTF", receivers, &towards));
    assert_levels(&speaker, 1e-9);
    assert!((speaker.distance_m.unwrap() - 1.5).abs() < 1e-9);
}

#[test]
fn azimuths_may_go_from_minus_180_and_positions_may_be_in_radians() {
    let places = orbits_deg();
    let towards: Vec<[f64; 3]> = places.iter().map(|p| spherical(p[0], p[1])).collect();
    let half_turn = |a: f64| if a > 180.0 { a - 360.0 } else { a };
    let values = places
        .iter()
        .flat_map(|p| [half_turn(p[0]), p[1], 1.0])
        .collect();
    let receivers = var("ReceiverPosition", &["R", "C"], values).spherical();
    assert_levels(
        &read(&receivers_round("GeneralTF", receivers, &towards)),
        1e-9,
    );
    let values = places
        .iter()
        .flat_map(|p| [p[0].to_radians(), p[1].to_radians(), 1.0])
        .collect();
    let receivers = var("ReceiverPosition", &["R", "C"], values)
        .with("Type", "spherical")
        .with("Units", "radian, radian, metre");
    assert_levels(
        &read(&receivers_round("GeneralTF", receivers, &towards)),
        1e-9,
    );
}

#[test]
fn a_speaker_that_stands_turned_and_elsewhere_is_seen_in_its_own_frame() {
    // It looks to the room's left (+y) and lies on its side: its top points to the room's back.
    let (front, up) = ([0.0, 1.0, 0.0], [-1.0, 0.0, 0.0]);
    let left = [0.0, 0.0, -1.0]; // up x front
    let place = [2.0, -1.0, 0.5];
    let towards: Vec<[f64; 3]> = orbits_deg().iter().map(|p| spherical(p[0], p[1])).collect();
    let values: Vec<f64> = towards
        .iter()
        .flat_map(|u| {
            [0, 1, 2].map(|c| place[c] + 1.2 * (u[0] * front[c] + u[1] * left[c] + u[2] * up[c]))
        })
        .collect();
    let receivers = var("ReceiverPosition", &["R", "C"], values).cartesian();
    let sofa = receivers_round("FreeFieldDirectivityTF", receivers, &towards);
    let sofa = replaced(
        sofa,
        var("SourcePosition", &["I", "C"], place.to_vec()).cartesian(),
    );
    let sofa = replaced(
        sofa,
        var("SourceView", &["I", "C"], front.to_vec()).cartesian(),
    );
    let sofa = replaced(sofa, var("SourceUp", &["I", "C"], up.to_vec()));
    assert_levels(&read(&sofa), 1e-9);
    // The same told by a listener frame that stands and lies like the speaker.
    let own: Vec<f64> = towards.iter().flat_map(|u| u.map(|v| 1.2 * v)).collect();
    let sofa = replaced(sofa, var("ReceiverPosition", &["R", "C"], own).cartesian());
    let sofa = replaced(
        sofa,
        var("ListenerPosition", &["I", "C"], place.to_vec()).cartesian(),
    );
    let sofa = replaced(
        sofa,
        var("ListenerView", &["I", "C"], vec![90.0, 0.0, 1.0]).spherical(),
    );
    let sofa = replaced(
        sofa,
        var("ListenerUp", &["I", "C"], vec![180.0, 0.0, 1.0]).spherical(),
    );
    assert_levels(&read(&sofa), 1e-9);
}

/// One microphone; what moves is told by the caller.
fn one_receiver(moving: Vec<Var>, towards: &[[f64; 3]]) -> Sofa {
    let data = magnitudes(towards);
    let mut variables = vec![
        var("ReceiverPosition", &["I", "C"], vec![0.0; 3]).cartesian(),
        var("Data.Imag", &["M", "R", "N"], vec![0.0; data.len()]),
        var("Data.Real", &["M", "R", "N"], data),
        var("N", &["N"], frequencies()).with("Units", "hertz"),
    ];
    variables.extend(moving);
    Sofa {
        convention: "GeneralTF",
        data_type: "TF",
        sizes: [towards.len(), 1, frequencies().len()],
        variables,
    }
}

#[test]
fn a_listener_that_moves_and_a_source_that_turns_are_followed() {
    let places = orbits_deg();
    let towards: Vec<[f64; 3]> = places.iter().map(|p| spherical(p[0], p[1])).collect();
    let values = places.iter().flat_map(|p| [p[0], p[1], 2.0]).collect();
    let listener = var("ListenerPosition", &["M", "C"], values).spherical();
    let view = var("SourceView", &["I", "C"], vec![1.0, 0.0, 0.0]).cartesian();
    assert_levels(&read(&one_receiver(vec![listener, view], &towards)), 1e-9);
    // A turntable: the microphone stays 2 m in front, the speaker turns. Turned to the right by
    // an angle, it shows the microphone that angle to its left; for the vertical orbit it lies
    // on its right side, its top to the room's right.
    let mut views = Vec::new();
    let mut ups = Vec::new();
    for p in &places {
        let horizontal = p[1] == 0.0;
        let angle_deg: f64 = match (horizontal, p[0]) {
            (true, azimuth) => azimuth,
            (false, 0.0) => p[1],
            (false, _) => 180.0 - p[1],
        };
        let (sine, cosine) = angle_deg.to_radians().sin_cos();
        if horizontal {
            views.extend([cosine, -sine, 0.0]);
            ups.extend([0.0, 0.0, 1.0]);
        } else {
            // Front (c, s, 0), top (s, -c, 0): +x lies at c along the front, s along the top.
            views.extend([cosine, sine, 0.0]);
            ups.extend([sine, -cosine, 0.0]);
        }
    }
    let moving = vec![
        var("ListenerPosition", &["I", "C"], vec![2.0, 0.0, 0.0]).cartesian(),
        var("SourceView", &["M", "C"], views).cartesian(),
        var("SourceUp", &["M", "C"], ups),
    ];
    assert_levels(&read(&one_receiver(moving, &towards)), 1e-9);
}

/// Nearly even directions that hit no orbit: a spiral with the golden angle.
fn spiral(count: usize) -> Vec<[f64; 3]> {
    let golden = PI * (3.0 - 5f64.sqrt());
    (0..count)
        .map(|i| {
            let z = 1.0 - (2.0 * i as f64 + 1.0) / count as f64;
            let (r, turn) = ((1.0 - z * z).sqrt(), golden * i as f64);
            [r * turn.cos(), r * turn.sin(), z]
        })
        .collect()
}

#[test]
fn orbits_that_were_not_measured_stand_between_their_neighbours_and_the_error_is_told() {
    let towards = spiral(600);
    let values = towards.iter().flat_map(|u| *u).collect();
    let receivers = var("ReceiverPosition", &["R", "C"], values).cartesian();
    let speaker = read(&receivers_round(
        "FreeFieldDirectivityTF",
        receivers,
        &towards,
    ));
    // The field changes by up to 12 dB over a quarter turn; a hundredth of a decibel is what a
    // polynomial of second order leaves of it over 8 degrees.
    assert_levels(&speaker, 0.02);
    let told = speaker.understood.to_string();
    assert!(
        told.contains("not measured and stand between their neighbours on the sphere"),
        "{told}"
    );
    assert!(
        told.contains("left out as a test, are met within 0.0"),
        "{told}"
    );
    assert!(
        told.contains("between them taken from their neighbours"),
        "{told}"
    );
}

#[test]
fn impulse_responses_of_a_sofa_file_are_transformed_with_their_delays() {
    // Each direction is one sample high; its spectrum is flat and its level that of the sample.
    let places = orbits_deg();
    let towards: Vec<[f64; 3]> = places.iter().map(|p| spherical(p[0], p[1])).collect();
    let length = 2048;
    let mut data = vec![0.0; towards.len() * length];
    let mut delays = Vec::new();
    for (r, u) in towards.iter().enumerate() {
        data[r * length + 100] = pressure(*u, 1000.0);
        delays.push(10.0 * (1.0 - u[0]));
    }
    let values = places.iter().flat_map(|p| [p[0], p[1], 1.0]).collect();
    let sofa = Sofa {
        convention: "GeneralFIR",
        data_type: "FIR",
        sizes: [1, towards.len(), length],
        variables: vec![
            var("ReceiverPosition", &["R", "C"], values).spherical(),
            var("SourceView", &["I", "C"], vec![1.0, 0.0, 0.0]).cartesian(),
            var("Data.IR", &["M", "R", "N"], data),
            var("Data.SamplingRate", &["I"], vec![48_000.0]).with("Units", "hertz"),
            var("Data.Delay", &["I", "R"], delays),
        ],
    };
    let speaker = read(&sofa);
    let response = response(&speaker);
    for angle_deg in [0.0, 30.0, -120.0, 180.0] {
        let u = spherical(angle_deg, 0.0);
        let member = response.at(Orbit::Horizontal, angle_deg).unwrap();
        let wanted_db = 20.0 * pressure(u, 1000.0).log10();
        let phase_deg = member.phase_deg.as_ref().unwrap();
        for (i, f_hz) in response.grid().freqs_hz().iter().enumerate() {
            assert!((member.levels_db[i] - wanted_db).abs() < 1e-6, "{f_hz}");
            let delay_s = 10.0 * (1.0 - u[0]) / 48_000.0;
            assert!(
                (phase_deg[i] + 360.0 * f_hz * delay_s).abs() < 1e-3,
                "{f_hz}"
            );
        }
    }
    // 2048 samples minus the 100 before the onset, less what the latest delay leaves.
    let from_hz = speaker.trusted_from_hz.unwrap();
    assert!((from_hz - 48_000.0 / 1948.0).abs() < 0.1, "{from_hz}");
}

#[test]
fn a_sofa_file_may_be_named_in_speaker_toml_or_lie_alone_in_a_folder() {
    let dir = tempfile::tempdir().unwrap();
    fs::write(dir.path().join("a.sofa"), on_orbits("GeneralTF").bytes()).unwrap();
    assert_levels(&read_speaker(dir.path()).unwrap(), 1e-9);
    let head = "[speaker]\nname = \"Pair\"\n[measured]\ntrusted_from_hz = 150\n[sofa]\nfile = \"a.sofa\"\n";
    fs::write(dir.path().join("speaker.toml"), head).unwrap();
    let speaker = read_speaker(dir.path()).unwrap();
    assert_levels(&speaker, 1e-9);
    assert_eq!(
        (speaker.name.as_str(), speaker.trusted_from_hz),
        ("Pair", Some(150.0))
    );
    assert_eq!(speaker.inputs.len(), 2);
    fs::write(
        dir.path().join("speaker.toml"),
        head.replace("a.sofa", "../a.sofa"),
    )
    .unwrap();
    let error = read_speaker(dir.path()).unwrap_err().to_string();
    assert!(
        error.ends_with(
            "speaker.toml:6:8: found \"../a.sofa\", expected a path inside the speaker folder"
        ),
        "{error}"
    );
}

#[test]
fn the_wrong_kind_of_file_is_told_which_kinds_are_read() {
    let mut sofa = on_orbits("SimpleFreeFieldHRIR");
    sofa.data_type = "FIR";
    assert_eq!(
        message(&sofa),
        "speaker.sofa: found the SOFA convention \"SimpleFreeFieldHRIR\", expected one of FreeFieldDirectivityTF, GeneralTF, GeneralFIR\n  hint: those are the conventions in which the directivity of a source is told"
    );
    let mut sofa = on_orbits("GeneralTF");
    sofa.data_type = "FIR";
    assert_eq!(
        message(&sofa),
        "speaker.sofa: found the DataType \"FIR\" in a file of GeneralTF, expected the DataType TF"
    );
    let text = read_bytes(b"freq_hz,0\n100,1\n").unwrap_err().to_string();
    assert!(text.ends_with(
        "found a file that does not begin as HDF5, expected a SOFA file (AES69), which is netCDF-4"
    ));
}

#[test]
fn what_cannot_be_a_measurement_round_a_speaker_is_refused_with_its_place() {
    let base = || on_orbits("FreeFieldDirectivityTF");
    let find = |sofa: &Sofa, name: &str| {
        sofa.variables
            .iter()
            .find(|v| v.name == name)
            .unwrap()
            .clone()
    };
    let change = |name: &str, edit: &dyn Fn(&mut Var)| {
        let sofa = base();
        let mut variable = find(&sofa, name);
        edit(&mut variable);
        message(&replaced(sofa, variable))
    };
    let radians = change("ReceiverPosition", &|v| {
        for place in v.values.chunks_mut(3) {
            place[0] = place[0].to_radians();
            place[1] = place[1].to_radians();
        }
    });
    assert!(
        radians.ends_with("hint: these look like radians marked as degrees"),
        "{radians}"
    );
    assert_eq!(
        change("ReceiverPosition", &|v| v.values[3] = 400.0),
        "speaker.sofa: found an azimuth of 400 in ReceiverPosition, whose unit is degree, expected at most one turn"
    );
    assert_eq!(
        change("ReceiverPosition", &|v| v.values[4] = f64::NAN),
        "speaker.sofa: found NaN as number 5 of ReceiverPosition, expected finite coordinates"
    );
    assert_eq!(
        change("ReceiverPosition", &|v| v.values[2] = 0.0),
        "speaker.sofa: found receiver 1 of measurement 1 at the place of the source, expected receivers round the source"
    );
    assert_eq!(
        change("ReceiverPosition", &|v| v.values[2] = 3.0),
        "speaker.sofa: found microphones 1.500 to 3.000 m from the source, expected one distance for all, within 5 %"
    );
    assert_eq!(
        change("ReceiverPosition", &|v| v.attributes[1].1 = "mile"),
        "speaker.sofa: found ReceiverPosition in \"mile\", expected degree, degree, metre"
    );
    assert_eq!(
        change("SourceUp", &|v| v.values = vec![2.0, 0.0, 0.0]),
        "speaker.sofa: found SourceView and SourceUp of measurement 1 along one line, expected a View and an Up at right angles"
    );
    assert_eq!(
        change("Data.Real", &|v| v.values[25 * 2 + 3] = f64::INFINITY),
        "speaker.sofa: found inf in Data.Real, measurement 1, receiver 3, value 4, expected a finite number"
    );
    assert_eq!(
        change("N", &|v| v.values[1] = v.values[0]),
        "speaker.sofa: found 100 Hz twice in N, expected every frequency once"
    );
    assert_eq!(
        change("N", &|v| v.attributes[0].1 = "kilohertz"),
        "speaker.sofa: found frequencies in \"kilohertz\" in N, expected hertz"
    );
    let twice = change("ReceiverPosition", &|v| {
        let first: Vec<f64> = v.values[..3].to_vec();
        v.values[9..12].copy_from_slice(&first);
    });
    assert!(twice.contains("one direction twice"), "{twice}");
}

#[test]
fn a_source_that_moves_must_say_where_it_looks() {
    let places = orbits_deg();
    let towards: Vec<[f64; 3]> = places.iter().map(|p| spherical(p[0], p[1])).collect();
    let values = places.iter().flat_map(|p| [p[0], p[1], 2.0]).collect();
    let source = var("SourcePosition", &["M", "C"], values).spherical();
    assert_eq!(
        message(&one_receiver(vec![source], &towards)),
        "speaker.sofa: found a SourcePosition that moves, and no SourceView, expected SourceView, or nobody knows which way the speaker looked"
    );
}

#[test]
fn damaged_files_are_refused_or_read_but_never_end_in_a_panic() {
    let whole = on_orbits("FreeFieldDirectivityTF").bytes();
    let real = fs::read("tests/data/sofa/sofa_ffdtf_cardioid.sofa").unwrap();
    // A small linear congruential generator (Knuth's MMIX constants, from memory): any will do.
    let mut state: u64 = 8;
    let mut next = || {
        state = state
            .wrapping_mul(6364136223846793005)
            .wrapping_add(1442695040888963407);
        (state >> 33) as usize
    };
    let mut refused = 0;
    for round in 0..1500 {
        let mut bytes = if round % 2 == 0 {
            whole.clone()
        } else {
            real.clone()
        };
        match round % 3 {
            0 => bytes.truncate(next() % bytes.len()),
            1 => {
                for _ in 0..1 + next() % 8 {
                    let at = next() % bytes.len();
                    bytes[at] = next() as u8;
                }
            }
            _ => {
                // Where the structure is rather than the numbers: the first two kilobytes.
                for _ in 0..1 + next() % 4 {
                    let at = next() % 2048;
                    bytes[at] ^= 1 << (next() % 8);
                }
            }
        }
        if let Err(error) = read_bytes(&bytes) {
            refused += 1;
            assert!(error.to_string().contains("speaker.sofa: "), "{error}");
        }
    }
    assert!(refused > 500, "{refused}");
}

#[test]
fn the_curves_of_the_real_file_are_those_of_its_table_of_angles() {
    // The wide tables interpolate bands.csv; at the bands themselves both must agree. Half a
    // decibel is what the issue asks for, a hundredth what the interpolation leaves at its own
    // points, whose frequencies are rounded.
    let curves = |path: &str| {
        let speaker = read_speaker(Path::new(path)).unwrap();
        AveragedCurves::from_response(response(&speaker), RearWall::default())
    };
    let (sofa, wide) = (
        curves("tests/data/sofa/measured_a_ffdtf.sofa"),
        curves("tests/data/measured_a"),
    );
    let of =
        |curves: &AveragedCurves, i: usize| curves.listening_window.as_ref().unwrap().levels_db[i];
    let (mut worst_db, mut met): (f64, usize) = (0.0, 0);
    let freqs_hz = wide.grid.freqs_hz();
    for (i, f_hz) in sofa.grid.freqs_hz().iter().enumerate() {
        let above = freqs_hz.partition_point(|f| f <= f_hz);
        if above == 0 || above == freqs_hz.len() {
            continue;
        }
        let share =
            (f_hz / freqs_hz[above - 1]).ln() / (freqs_hz[above] / freqs_hz[above - 1]).ln();
        let (low_db, high_db) = (of(&wide, above - 1), of(&wide, above));
        worst_db = worst_db.max((low_db + share * (high_db - low_db) - of(&sofa, i)).abs());
        met += 1;
    }
    assert!(
        met >= 26 && worst_db < 0.5,
        "{met} bands within {worst_db} dB"
    );
}
