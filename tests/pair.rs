//! Two units as one family: what they share is corrected, what differs is left or mended per unit.

use planish::average::{AveragedCurves, RearWall};
use planish::curve::Grid;
use planish::filter::{Bank, Kind, Stage};
use planish::pair::{self, Unit};
use planish::response::{Direction, Member, Orbit, Response};
use std::path::{Path, PathBuf};
use std::process::Command;

const RATE_HZ: f64 = 192_000.0;

/// Noise of a measurement, dB, one value for each place: a sine of a large argument, as reckoned
/// in the shortest generators (common practice); evenly spread over +-0.3 dB is not asked of it.
fn noise_db(seed: f64, place: f64) -> f64 {
    0.3 * (12.9898 * place + 78.233 * seed).sin()
}

/// A unit of a box that beams, with bumps (Hz, Q, dB) that all angles have.
fn unit(bumps: &[(f64, f64, f64)], level_db: f64, seed: f64) -> Response {
    let grid = Grid::logarithmic(20.0, 20_000.0, 24.0);
    let bank = Bank {
        rate_hz: RATE_HZ,
        gain_db: 0.0,
        sections: bumps
            .iter()
            .map(|(f0_hz, q, gain_db)| {
                Stage {
                    kind: Kind::Peaking,
                    f0_hz: *f0_hz,
                    gain_db: *gain_db,
                    q: *q,
                }
                .biquad(RATE_HZ)
            })
            .collect(),
    };
    let shape = bank.gains_db(grid.freqs_hz());
    let members = (-17..=18)
        .flat_map(|i| [Orbit::Horizontal, Orbit::Vertical].map(|o| (o, f64::from(10 * i))))
        .map(|(orbit, angle_deg)| {
            let direction = Direction::new(orbit, angle_deg);
            let off = direction.off_axis_deg() / 90.0;
            let levels_db = grid
                .freqs_hz()
                .iter()
                .zip(&shape)
                .enumerate()
                .map(|(i, (f, s))| {
                    let beam = -4.0 * off * off * (f / 4000.0) / (1.0 + f / 4000.0);
                    let place = i as f64 + 1000.0 * angle_deg;
                    level_db + s + beam + noise_db(seed, place)
                })
                .collect();
            Member {
                direction,
                levels_db,
                phase_deg: None,
                mirrored: false,
            }
        })
        .collect();
    Response::new(grid.clone(), members).unwrap()
}

fn scratch(name: &str) -> PathBuf {
    let dir = Path::new(env!("CARGO_TARGET_TMPDIR"))
        .join("pair")
        .join(name);
    let _ = std::fs::remove_dir_all(&dir);
    std::fs::create_dir_all(&dir).unwrap();
    dir
}

fn write(dir: &Path, name: &str, response: &Response, more: &str) {
    std::fs::create_dir_all(dir).unwrap();
    for (file, text) in planish::export::folder::speaker_files(name, response, None, "made up") {
        let text = if file == "speaker.toml" {
            text + more
        } else {
            text
        };
        std::fs::write(dir.join(file), text).unwrap();
    }
}

fn planish(arguments: &[&str]) -> std::process::Output {
    Command::new(env!("CARGO_BIN_EXE_planish"))
        .args(arguments)
        .output()
        .unwrap()
}

fn json(file: &Path) -> serde_json::Value {
    serde_json::from_str(&std::fs::read_to_string(file).unwrap()).unwrap()
}

/// Gain of stages as they stand in JSON, dB.
fn gain_db(stages: &serde_json::Value, f_hz: f64) -> f64 {
    let sections = stages
        .as_array()
        .unwrap()
        .iter()
        .map(|s| {
            Stage {
                kind: Kind::from_name(s["type"].as_str().unwrap()).unwrap(),
                f0_hz: s["f0_hz"].as_f64().unwrap(),
                gain_db: s["gain_db"].as_f64().unwrap_or(0.0),
                q: s["q"].as_f64().unwrap(),
            }
            .biquad(48_000.0)
        })
        .collect();
    let bank = Bank {
        rate_hz: 48_000.0,
        gain_db: 0.0,
        sections,
    };
    // Level is free: 300 Hz has no bump in any unit here.
    bank.gain_at_db(f_hz) - bank.gain_at_db(300.0)
}

/// Both have a resonance at 800 Hz, only the second one at 2.5 kHz.
#[test]
fn the_shared_list_leaves_what_one_unit_has_alone_and_its_own_list_mends_it() {
    let dir = scratch("lone");
    let first = dir.join("first");
    let both = (800.0, 4.0, 5.0);
    write(
        &first,
        "Quayside 5",
        &unit(&[both], 0.0, 1.0),
        "\n[evidence]\nsecond_unit = \"unit_b\"\n",
    );
    let second = unit(&[both, (2500.0, 6.0, 6.0)], 1.5, 2.0);
    write(&first.join("unit_b"), "Quayside 5 right", &second, "");
    let out = dir.join("plan");
    let run = planish(&[
        "plan",
        first.to_str().unwrap(),
        "--per-unit",
        "--out",
        out.to_str().unwrap(),
    ]);
    assert!(
        run.status.success(),
        "{}",
        String::from_utf8_lossy(&run.stderr)
    );
    let plan = json(&out.join("plan.json"));
    assert!((gain_db(&plan["stages"], 800.0) + 5.0).abs() < 0.8);
    assert!(gain_db(&plan["stages"], 2500.0).abs() < 0.5);
    let units = &plan["pair"]["units"];
    assert!(gain_db(&units[0]["own_stages"], 2500.0).abs() < 0.5);
    let mended = gain_db(&units[1]["own_stages"], 2500.0);
    assert!((mended + 6.0).abs() < 1.0, "{mended}");
    assert!((plan["pair"]["level_db"].as_f64().unwrap() - 1.5).abs() < 0.3);
    let largest_hz = plan["pair"]["largest_difference_hz"].as_f64().unwrap();
    assert!((largest_hz / 2500.0 - 1.0).abs() < 0.03);
    let findings = plan["findings"].as_array().unwrap();
    let differ: Vec<_> = findings
        .iter()
        .filter(|f| f["cause"] == "unit-to-unit")
        .collect();
    assert_eq!(differ.len(), 1);
    assert_eq!(differ[0]["decision"], "correct");
    for name in ["filters.txt", "filters_unit_1.txt", "filters_unit_2.txt"] {
        let list = planish::read::filter_list::read(&out.join(name)).unwrap();
        assert!(!list.stages.is_empty(), "{name}");
    }
    // By bands: only the octaves round 2 kHz and 4 kHz differ.
    for band in plan["pair"]["bands"].as_array().unwrap() {
        let near = [2000.0, 4000.0].contains(&band["middle_hz"].as_f64().unwrap());
        assert!(near || band["rms_db"].as_f64().unwrap() < 0.5, "{band}");
    }
}

#[test]
fn without_lists_of_their_own_the_difference_is_left_and_said() {
    let (a, b) = (
        unit(&[(800.0, 4.0, 5.0)], 0.0, 3.0),
        unit(&[(800.0, 4.0, 4.0), (2500.0, 6.0, 5.0)], 0.0, 4.0),
    );
    let dir = scratch("left");
    write(&dir.join("a"), "A", &a, "");
    write(&dir.join("b"), "B", &b, "");
    let run = planish(&[
        "audit",
        dir.join("a").to_str().unwrap(),
        "--pair",
        dir.join("b").to_str().unwrap(),
    ]);
    let text = String::from_utf8_lossy(&run.stdout);
    assert!(
        run.status.success(),
        "{}",
        String::from_utf8_lossy(&run.stderr)
    );
    let squeezed = text.split_whitespace().collect::<Vec<_>>().join(" ");
    assert!(squeezed.contains("unit to unit left alone"), "{text}");
    assert!(text.contains("second minus first"), "{text}");
}

#[test]
fn what_contradicts_is_said_first_and_lists_per_unit_need_a_pair() {
    let dir = scratch("same");
    write(&dir.join("a"), "A", &unit(&[], 0.0, 5.0), "");
    let a = dir.join("a");
    let a = a.to_str().unwrap();
    let run = planish(&["audit", a, "--pair", a]);
    let text = String::from_utf8_lossy(&run.stdout);
    assert!(
        text.starts_with("Note: both units of the pair hold the same numbers"),
        "{text}"
    );
    let run = planish(&["plan", a, "--per-unit"]);
    assert_eq!(run.status.code(), Some(2));
    assert!(String::from_utf8_lossy(&run.stderr).contains("--pair"));
    assert!(!dir.join("a").join("plan").exists());
}

#[test]
fn the_shared_curve_is_the_smaller_of_both_where_they_agree_and_flat_where_they_do_not() {
    let first = unit(&[(800.0, 3.0, 6.0), (3000.0, 3.0, 4.0)], 0.0, 6.0);
    let second = unit(&[(800.0, 3.0, 4.0), (3000.0, 3.0, -4.0)], 10.0, 7.0);
    let curves = |r: &Response| AveragedCurves::from_response(r, RearWall::default());
    let (a, b) = (curves(&first), curves(&second));
    let target = planish::read::target::target("flat").unwrap();
    let of = |response, curves| Unit { response, curves };
    let shared = pair::shared(of(Some(&first), &a), of(Some(&second), &b), &target).unwrap();
    let largest = shared.matched.largest().unwrap();
    assert!((largest.f_hz / 3000.0 - 1.0).abs() < 0.03);
    assert!((largest.value_db.abs() - 8.0).abs() < 0.8);
    let window = shared.curves.listening_window.as_ref().unwrap();
    let grid = &shared.curves.grid;
    let over =
        |f_hz: f64| window.levels_db[grid.nearest(f_hz)] - window.levels_db[grid.nearest(200.0)];
    // Noise of 0.3 dB at most on either unit.
    assert!((over(800.0) - 4.0).abs() < 0.6, "{}", over(800.0));
    assert!(over(3000.0).abs() < 0.6, "{}", over(3000.0));
    assert!((shared.matched.level_db - 10.0).abs() < 0.6);
}
