//! The room: seats in simulated rooms whose modes are known, peaks whose truth is known, and what
//! must be said first.

use planish::audit::{Cause, Circumstance};
use planish::average::{AveragedCurves, RearWall};
use planish::budget::{Order, SubWanted, Wishes};
use planish::curve::Grid;
use planish::device::Device;
use planish::filter::{Bank, Kind, Stage};
use planish::findings::{Decision, Ground};
use planish::predict::Plan;
use planish::predict::contradiction::Contradiction;
use planish::response::{Direction, Member, Orbit, Response};
use planish::run::{self, PlanOptions};
use planish::seats::{Room, Seat, SeatLevels, Transition, schroeder_hz};
use planish::simulate::Listening;

/// A speaker that is flat in all directions but for a bump of 4 dB at 1 kHz.
fn speaker(from_hz: f64) -> Response {
    let grid = Grid::logarithmic(from_hz, 20_000.0, 24.0);
    let bump = Stage {
        kind: Kind::Peaking,
        f0_hz: 1000.0,
        gain_db: 4.0,
        q: 3.0,
    };
    let bank = Bank {
        rate_hz: 192_000.0,
        gain_db: 0.0,
        sections: vec![bump.biquad(192_000.0)],
    };
    let members = (-17..=18)
        .flat_map(|i| [Orbit::Horizontal, Orbit::Vertical].map(|o| (o, f64::from(10 * i))))
        .filter(|(o, a)| *o == Orbit::Horizontal || (*a != 0.0 && *a != 180.0))
        .map(|(orbit, angle_deg)| Member {
            direction: Direction::new(orbit, angle_deg),
            levels_db: bank.gains_db(grid.freqs_hz()),
            phase_deg: None,
            mirrored: false,
        })
        .collect();
    Response::new(grid.clone(), members).unwrap()
}

fn planned(
    response: &Response,
    trusted_from_hz: Option<f64>,
    room: Room,
    options: PlanOptions,
) -> Plan {
    let device = run::device(options.device.as_deref()).unwrap();
    planned_on(&device, response, trusted_from_hz, room, options)
}

fn planned_on(
    device: &Device,
    response: &Response,
    trusted_from_hz: Option<f64>,
    room: Room,
    options: PlanOptions,
) -> Plan {
    let options = PlanOptions {
        room: Some(room),
        ..options
    };
    planned_as(device, response, trusted_from_hz, &options)
}

fn planned_as(
    device: &Device,
    response: &Response,
    trusted_from_hz: Option<f64>,
    options: &PlanOptions,
) -> Plan {
    let curves = AveragedCurves::from_response(response, RearWall::default());
    let target = planish::read::target::target("flat").unwrap();
    let subject = planish::audit::Subject {
        response: Some(response),
        curves: &curves,
        target: &target,
        trusted: planish::curve::Limits {
            from_hz: trusted_from_hz,
            to_hz: None,
        },
        second_source: None,
    };
    run::plan_subject(&subject, "Quayside 5", device, options).unwrap()
}

fn room_of(transition_hz: f64, grid: &Grid, seats_db: Vec<Vec<f64>>) -> Room {
    let seats = (1..)
        .zip(seats_db)
        .map(|(n, levels_db)| Seat {
            name: format!("seat {n}"),
            levels_db,
        })
        .collect();
    Room {
        transition: Transition::stated(transition_hz).unwrap(),
        seats: SeatLevels::new(grid.clone(), seats),
    }
}

fn peaking_db(freqs_hz: &[f64], peaks: &[(f64, f64, f64)]) -> Vec<f64> {
    let bank = Bank {
        rate_hz: 192_000.0,
        gain_db: 0.0,
        sections: peaks
            .iter()
            .map(|(f0_hz, q, gain_db)| {
                Stage {
                    kind: Kind::Peaking,
                    f0_hz: *f0_hz,
                    gain_db: *gain_db,
                    q: *q,
                }
                .biquad(192_000.0)
            })
            .collect(),
    };
    bank.gains_db(freqs_hz)
}

fn gains_db(plan: &Plan, freqs_hz: &[f64]) -> Vec<f64> {
    let stages = Bank {
        gain_db: 0.0,
        ..plan.prediction.bank.clone()
    };
    stages.gains_db(freqs_hz)
}

/// Checked against standards: 2000 sqrt(T/V), Schroeder 1996. The three rooms of the reference
/// sheet and one more.
#[test]
fn the_schroeder_frequency_is_that_of_the_published_formula() {
    for (volume_m3, rt60_s, wanted_hz) in [
        (30.0, 0.3, 200.0),
        (50.0, 0.4, 178.9),
        (80.0, 0.4, 141.4),
        (100.0, 0.6, 154.9),
    ] {
        // Printed to a tenth of a hertz.
        assert!((schroeder_hz(volume_m3, rt60_s) - wanted_hz).abs() < 0.051);
    }
    // Three-fold overlap: bandwidth 2.2/T against three times the mean distance of modes,
    // c^3/(4 pi V f^2), gives sqrt(3 c^3/(4 pi 2.2)) = 2093 (c = 343); the rounded constant is
    // within 5 %.
    let exact = (3.0 * 343f64.powi(3) / (4.0 * std::f64::consts::PI * 2.2)).sqrt();
    assert!((schroeder_hz(1.0, 1.0) / exact - 1.0).abs() < 0.05);
}

/// Shared peaks of known size, a null of one seat, levels and slopes of each seat's own.
#[test]
fn shared_peaks_are_cut_and_nulls_and_differences_stay() {
    let grid = Grid::logarithmic(20.0, 500.0, 48.0);
    let seat =
        |level_db: f64, a: f64, b: f64, c: f64, null_hz: f64, alone: (f64, f64)| -> Vec<f64> {
            let peaks = [
                (42.0, 9.0, a),
                (71.0, 14.0, b),
                (118.0, 6.0, c),
                (null_hz, 8.0, -18.0),
                (alone.0, 10.0, alone.1),
            ];
            let shape = peaking_db(grid.freqs_hz(), &peaks);
            shape.iter().map(|v| v + level_db).collect()
        };
    let seats = vec![
        seat(80.0, 9.0, 6.0, 6.5, 55.0, (160.0, 7.0)),
        seat(-12.0, 10.0, 7.0, 5.0, 90.0, (30.0, 0.0)),
        seat(0.0, 8.0, 8.0, 6.0, 145.0, (30.0, 0.0)),
        seat(3.0, 9.5, 6.5, 7.0, 33.0, (30.0, 0.0)),
        seat(66.0, 8.5, 7.5, 5.5, 60.0, (30.0, 0.0)),
    ];
    let plan = planned(
        &speaker(20.0),
        None,
        room_of(200.0, &grid, seats.clone()),
        PlanOptions::default(),
    );
    let room = plan.situation.room.as_ref().unwrap();
    let said = planish::predict::contradictions(&plan);
    assert!(said.is_empty(), "{said:?}");
    // What all five have there over their own levels, the skirts of their nulls included.
    let levels_db = [80.0, -12.0, 0.0, 3.0, 66.0];
    for f_hz in [42.0, 71.0, 118.0] {
        let i = grid.nearest(f_hz);
        let over = seats
            .iter()
            .zip(levels_db)
            .map(|(seat, level)| seat[i] - level);
        let mean_db = over.sum::<f64>() / 5.0;
        let gain_db = gains_db(&plan, &[grid.freqs_hz()[i]])[0];
        assert!(
            (gain_db + mean_db).abs() < 1.0,
            "{f_hz}: {mean_db:.2} {gain_db:.2}"
        );
    }
    let freqs_hz = Grid::logarithmic(20.0, 200.0, 96.0);
    let gains = gains_db(&plan, freqs_hz.freqs_hz());
    // Nothing is boosted.
    assert!(gains.iter().all(|g| *g < 0.1), "{gains:?}");
    // The peak that one seat has alone stays.
    assert!(gains_db(&plan, &[160.0])[0] > -1.0);
    for seat in &room.outcome.as_ref().unwrap().seats {
        assert!(seat.variance_after_db2 < seat.variance_before_db2);
        assert!(seat.null_filled.is_none_or(|n| n.1 < 0.1), "{seat:?}");
    }
    // Above, the anechoic plan holds, and nothing steps in between.
    assert!((gains_db(&plan, &[1000.0])[0] + 4.0).abs() < 0.7);
    let join = Grid::logarithmic(170.0, 400.0, 48.0);
    let gains = gains_db(&plan, join.freqs_hz());
    let steepest = gains
        .windows(2)
        .map(|p| (p[1] - p[0]).abs())
        .fold(0.0, f64::max);
    assert!(steepest < 0.3, "{steepest}");
    let causes: Vec<_> = plan.findings.iter().filter(|f| f.peak_hz < 200.0).collect();
    assert!(causes.iter().all(|f| f.cause == Cause::Room));
    assert!(
        causes
            .iter()
            .any(|f| matches!(f.ground, Ground::Known(Circumstance::SeatsNull { .. })))
    );
}

#[test]
fn report_and_json_say_what_the_seats_hear() {
    let grid = Grid::logarithmic(20.0, 500.0, 48.0);
    let seat = |size_db: f64| peaking_db(grid.freqs_hz(), &[(48.0, 8.0, size_db)]);
    let seats = [9.0, 10.0, 8.0].map(seat).to_vec();
    let mut room = room_of(200.0, &grid, seats);
    let named = room.seats.as_ref().unwrap();
    let mut named: Vec<Seat> = named.seats().to_vec();
    named[1].name = "<b>\u{1b}[31m & sofa".into();
    room.seats = SeatLevels::new(grid.clone(), named);
    let plan = planned(&speaker(20.0), None, room, PlanOptions::default());
    let provenance = planish::report::html::Provenance {
        version: "0".into(),
        command: "planish plan".into(),
        inputs: Vec::new(),
        understood: String::new(),
    };
    let page = planish::report::html::html(&plan, &provenance).unwrap();
    assert!(page.contains("The seats below the transition, before and after"));
    assert!(page.contains("Below 200\u{a0}Hz the 3 seats decide: one shared peak is cut"));
    assert!(page.contains("&lt;b&gt;") && !page.contains("<b>\u{1b}"));
    let text = planish::report::text::plan(&plan, &[]);
    assert!(
        !text.contains('\u{1b}') && text.lines().all(|line| line.chars().count() <= 80),
        "{text}"
    );
    let json: serde_json::Value =
        serde_json::from_str(&planish::export::json::plan(&plan)).unwrap();
    let room = &json["room"];
    assert_eq!(room["transition_from"], "stated");
    assert_eq!(room["seats"].as_array().unwrap().len(), 3);
    let peak = &room["shared_peaks"][0];
    assert!((peak["peak_hz"].as_f64().unwrap() / 48.0 - 1.0).abs() < 0.02);
    assert!(peak["left_db"].as_f64().unwrap().abs() < 1.0);
    assert_eq!(
        room["freq_hz"].as_array().unwrap().len(),
        room["wish_db"].as_array().unwrap().len()
    );
}

#[test]
fn a_mode_that_one_seat_lacks_is_left() {
    let grid = Grid::logarithmic(20.0, 500.0, 48.0);
    let seat = |size_db: f64| peaking_db(grid.freqs_hz(), &[(63.0, 10.0, size_db)]);
    let seats = [9.0, 10.0, 8.0, 9.0, -14.0].map(seat).to_vec();
    let plan = planned(
        &speaker(20.0),
        None,
        room_of(200.0, &grid, seats),
        PlanOptions::default(),
    );
    assert!(gains_db(&plan, &[63.0])[0] > -1.0);
    let seats = &plan
        .situation
        .room
        .as_ref()
        .unwrap()
        .outcome
        .as_ref()
        .unwrap()
        .seats;
    for seat in seats {
        let ratio = seat.variance_after_db2 / seat.variance_before_db2;
        assert!(ratio < 1.005, "{ratio}");
    }
}

#[test]
fn without_seats_the_zone_is_left_and_marked() {
    let room = Room {
        transition: Transition::of_room(50.0, 0.4).unwrap(),
        seats: None,
    };
    // A broad lack above the transition, whose boost would reach into the zone.
    let speaker = speaker(20.0);
    let freqs_hz = speaker.grid().freqs_hz();
    let speaker = speaker.with_gain(&peaking_db(freqs_hz, &[(320.0, 0.7, -5.0)]));
    let device = run::device(None).unwrap();
    let free = planned_as(&device, &speaker, None, &PlanOptions::default());
    assert!(gains_db(&free, &[170.0])[0] > 1.0, "no boost to take back");
    let plan = planned(&speaker, None, room, PlanOptions::default());
    // Only shape matters: a cut of all else lifts it as well.
    let boost_db = gains_db(&plan, &[340.0])[0] - plan.prediction.eq_level_db;
    assert!(boost_db > 2.0, "{boost_db}");
    let finding = plan
        .findings
        .iter()
        .find(|f| f.cause == Cause::Room)
        .unwrap();
    assert_eq!(finding.decision, Decision::Leave);
    assert!((finding.to_hz - 178.9).abs() < 0.1);
    let zone = Grid::logarithmic(20.0, 178.0, 24.0);
    let gains = gains_db(&plan, zone.freqs_hz());
    assert!(gains.iter().all(|g| g.abs() < 0.2), "{gains:?}");
}

#[test]
fn what_contradicts_is_said() {
    let grid = Grid::logarithmic(40.0, 120.0, 6.0);
    let seats = vec![vec![0.0; grid.len()]; 1];
    let mut room = room_of(180.0, &grid, seats);
    let plan = planned(
        &speaker(200.0),
        Some(300.0),
        room.clone(),
        PlanOptions::default(),
    );
    let said = planish::predict::contradictions(&plan);
    let has = |wanted: fn(&Contradiction) -> bool| said.iter().any(wanted);
    assert!(has(|c| matches!(
        c,
        Contradiction::TransitionBelowTrusted { .. }
    )));
    assert!(has(|c| matches!(c, Contradiction::SeatsShort { .. })));
    assert!(has(|c| matches!(c, Contradiction::SeatsCoarse { .. })));
    assert!(has(|c| matches!(c, Contradiction::OneSeat)));
    let text = planish::report::text::plan(&plan, &[]);
    assert!(
        text.starts_with("Note: the room decides below 180 Hz"),
        "{text}"
    );
    let json: serde_json::Value =
        serde_json::from_str(&planish::export::json::plan(&plan)).unwrap();
    assert_eq!(
        json["situation"]["contradictions"]
            .as_array()
            .unwrap()
            .len(),
        said.len()
    );
    room.transition = Transition::stated(700.0).unwrap();
    room.seats = None;
    let plan = planned(&speaker(200.0), None, room, PlanOptions::default());
    let said = planish::predict::contradictions(&plan);
    assert!(
        matches!(said[..], [Contradiction::TransitionHigh { .. }]),
        "{said:?}"
    );
}

/// What the seats of a simulated room show before and after.
struct Reading {
    /// Shared peaks: where, mean over the seats before, and after, dB over the baseline.
    peaks: Vec<(f64, f64, f64)>,
    /// Ratio of the variance after to before, the worst seat.
    worst_variance: f64,
    boost_db: f64,
}

fn reading(seed: u64) -> Reading {
    let listening = Listening::drawn(seed, 5);
    let transition_hz = schroeder_hz(listening.room.volume_m3(), listening.room.rt60_s);
    let grid = Grid::logarithmic(18.0, 2.4 * transition_hz, 48.0);
    let seats = listening.levels_db(&grid);
    let options = PlanOptions {
        effort: Some(0.05),
        ..PlanOptions::default()
    };
    let room = room_of(transition_hz, &grid, seats.clone());
    // Stages for every mode.
    let device = Device {
        stages: 20,
        ..run::device(None).unwrap()
    };
    let plan = planned_on(&device, &speaker(20.0), None, room, options);
    let gains = gains_db(&plan, grid.freqs_hz());
    let zone = grid.range(20.0, transition_hz);
    let judged = plan
        .situation
        .room
        .as_ref()
        .unwrap()
        .judged
        .as_ref()
        .unwrap();
    // Over the baseline that the plan states, on the test's own grid.
    let over: Vec<Vec<f64>> = judged
        .over_db
        .iter()
        .map(|seat| {
            let at = |f: &f64| seat[judged.grid.nearest(*f)];
            grid.freqs_hz().iter().map(at).collect()
        })
        .collect();
    let mean: Vec<f64> = (0..grid.len())
        .map(|i| over.iter().map(|s| s[i]).sum::<f64>() / 5.0)
        .collect();
    let peaks = zone
        .clone()
        .filter(|i| *i > 2 && mean[i - 3..=i + 3].iter().all(|m| *m <= mean[*i]))
        .filter(|i| mean[*i] > 4.0 && over.iter().all(|s| s[*i] > 0.6 * mean[*i]))
        .map(|i| (grid.freqs_hz()[i], mean[i], mean[i] + gains[i]))
        .collect();
    let spread = |values: &[f64]| {
        let part = &values[zone.clone()];
        let mean = part.iter().sum::<f64>() / part.len() as f64;
        part.iter().map(|v| (v - mean).powi(2)).sum::<f64>()
    };
    let ratio = |seat: &Vec<f64>| {
        let after: Vec<f64> = seat.iter().zip(&gains).map(|(s, g)| s + g).collect();
        spread(&after) / spread(seat)
    };
    Reading {
        peaks,
        worst_variance: seats.iter().map(ratio).fold(0.0, f64::max),
        boost_db: gains[zone]
            .iter()
            .copied()
            .fold(f64::NEG_INFINITY, f64::max),
    }
}

/// Rooms by their modes. Judging seeds: none of 100000 and above was looked at while the thresholds
/// were set.
#[test]
fn shared_modes_of_simulated_rooms_are_cut_and_no_seat_pays_for_it() {
    let (mut peaks, mut met, mut near) = (0, 0, 0);
    for seed in 500..512 {
        let reading = reading(seed);
        for (f_hz, before, after) in &reading.peaks {
            peaks += 1;
            met += usize::from(after.abs() <= 1.0);
            near += usize::from(after.abs() <= 2.0);
            println!("{seed} {f_hz:.1} Hz {before:.1} -> {after:.1}");
        }
        // Below 1.0 in all rooms but one, where the speaker's own stages add a thousandth and a half.
        assert!(
            reading.worst_variance <= 1.002,
            "{seed}: {}",
            reading.worst_variance
        );
        // Nothing is boosted, so no null is filled.
        assert!(reading.boost_db < 0.1, "{seed}: {}", reading.boost_db);
    }
    println!("{met} within 1 dB, {near} within 2 dB of {peaks}");
    assert!(peaks > 10 && met * 5 >= peaks * 4 && near * 10 >= peaks * 9);
}

fn scratch(name: &str) -> std::path::PathBuf {
    let dir = std::path::Path::new(env!("CARGO_TARGET_TMPDIR"))
        .join("seats")
        .join(name);
    let _ = std::fs::remove_dir_all(&dir);
    std::fs::create_dir_all(&dir).unwrap();
    dir
}

#[test]
fn seats_are_read_with_and_without_names_and_from_a_folder() {
    let dir = scratch("read");
    let rows = |columns: usize| -> String {
        (2..20)
            .map(|i| {
                let fields: Vec<String> =
                    (0..columns).map(|c| format!("{}.5", 60 + i + c)).collect();
                format!("{}0,{}\n", i, fields.join(","))
            })
            .collect()
    };
    let table = dir.join("seats.csv");
    let names = |text: String| {
        std::fs::write(&table, text).unwrap();
        let read = planish::read::seats::read(&table)?;
        let names = read.levels.seats().iter().map(|s| s.name.clone());
        Ok::<Vec<String>, planish::Error>(names.collect())
    };
    assert_eq!(
        names("freq_hz,left,sofa\n".to_string() + &rows(2)).unwrap(),
        ["left", "sofa"]
    );
    assert_eq!(
        names("freq_hz,1,2,3\n".to_string() + &rows(3)).unwrap(),
        ["1", "2", "3"]
    );
    assert_eq!(names(rows(2)).unwrap(), ["seat 1", "seat 2"]);
    let wrong = |text: String| names(text).unwrap_err().to_string();
    assert!(
        wrong("freq_hz,a,a\n".to_string() + &rows(2))
            .contains("seats.csv:1:11: found a second seat named \"a\"")
    );
    assert!(
        wrong("freq_hz,a,phase a\n".to_string() + &rows(2))
            .contains("found the column \"phase a\"")
    );
    assert!(wrong("freq_hz,a,b\n".to_string() + &rows(3)).contains("found 4 fields, expected 3"));
    assert!(wrong("freq_hz,a\n20,x\n".to_string()).contains("seats.csv:2:4"));
    let folder = dir.join("folder");
    std::fs::create_dir_all(&folder).unwrap();
    std::fs::write(folder.join("b.txt"), rows(2)).unwrap();
    std::fs::write(folder.join("a.txt"), rows(1).replace("20,", "21,")).unwrap();
    let read = planish::read::seats::read(&folder).unwrap();
    let names: Vec<&str> = read
        .levels
        .seats()
        .iter()
        .map(|s| s.name.as_str())
        .collect();
    assert_eq!(names, ["a", "b"]);
    assert!((read.levels.grid().first_hz() - 21.0).abs() < 1e-9);
    assert_eq!(read.inputs.len(), 2);
}

#[test]
fn the_command_line_says_what_is_wrong_with_a_room() {
    let planish = |arguments: &[&str]| {
        let output = std::process::Command::new(env!("CARGO_BIN_EXE_planish"))
            .args(["audit", "examples/quayside_5"])
            .args(arguments)
            .output()
            .unwrap();
        (
            output.status.code(),
            String::from_utf8_lossy(&output.stderr).into_owned(),
        )
    };
    for (arguments, words) in [
        (&["--transition", "5000"][..], "between 25 and 1000 Hz"),
        (&["--transition", "0"], "a frequency in Hz above 0"),
        (&["--room-volume", "50"], "--rt60"),
        (&["--room-volume", "-1", "--rt60", "1"], "a number above 0"),
        (
            &["--room-volume", "1e9", "--rt60", "0.1"],
            "that rings for 0.1 s",
        ),
        (
            &["--transition", "200", "--room-volume", "50", "--rt60", "1"],
            "cannot be used with",
        ),
        (&["--seats", "nowhere.csv"], "nowhere.csv: cannot read"),
        (
            &["--sub-seats", "examples/quayside_5/seats.csv"],
            "--sub <HZ>",
        ),
        (
            &["--sub", "80", "--sub-seats", "nowhere.csv"],
            "nowhere.csv: cannot read",
        ),
    ] {
        let (code, said) = planish(arguments);
        assert_eq!(code, Some(2), "{arguments:?}");
        assert!(said.contains(words), "{arguments:?}: {said}");
    }
}

/// Two shared peaks of known size below the crossover and one above, a null of one seat.
#[test]
fn the_subwoofers_list_cuts_what_the_seats_share_below_the_crossover() {
    let grid = Grid::logarithmic(20.0, 300.0, 48.0);
    let seat = |a: f64, b: f64, null_hz: f64| -> Vec<f64> {
        let peaks = [
            (33.0, 8.0, a),
            (56.0, 8.0, b),
            (130.0, 8.0, 9.0),
            (null_hz, 8.0, -15.0),
        ];
        peaking_db(grid.freqs_hz(), &peaks)
    };
    let seats = vec![
        seat(9.0, 7.0, 44.0),
        seat(10.0, 6.0, 25.0),
        seat(8.5, 7.5, 70.0),
    ];
    let sub_seats = room_of(200.0, &grid, seats).seats;
    let options = PlanOptions {
        owner: Wishes {
            sub: Some(SubWanted {
                f_hz: 80.0,
                order: Order::Fourth,
            }),
            ..Wishes::default()
        },
        sub_seats,
        ..PlanOptions::default()
    };
    let device = run::device(None).unwrap();
    let plan = planned_as(&device, &speaker(20.0), None, &options);
    let room = plan.crossover.as_ref().unwrap().room.as_ref();
    let room = room.unwrap();
    let gain_db = |f_hz: f64| {
        let stages = Bank {
            rate_hz: device.rate_hz,
            gain_db: 0.0,
            sections: room
                .stages
                .iter()
                .map(|s| s.biquad(device.rate_hz))
                .collect(),
        };
        stages.gain_at_db(f_hz)
    };
    // The means of the three seats, 9.17 and 6.83 dB, with what nulls nearby take from them.
    assert!((gain_db(33.0) + 9.2).abs() < 1.0, "{}", gain_db(33.0));
    assert!((gain_db(56.0) + 6.8).abs() < 1.5, "{}", gain_db(56.0));
    // What lies above the crossover is the speaker's, and no null is filled.
    assert!(gain_db(130.0).abs() < 0.5, "{}", gain_db(130.0));
    assert!(grid.freqs_hz().iter().all(|f| gain_db(*f) < 0.05));
    for seat in &room.outcome.as_ref().unwrap().seats {
        assert!(seat.variance_after_db2 < seat.variance_before_db2);
    }
    // With one stage beside the lowpass the larger peak goes first, and the rest is said.
    let few = Device {
        stages: 3,
        ..device.clone()
    };
    let few = planned_as(&few, &speaker(20.0), None, &options);
    let room = few.crossover.as_ref().unwrap().room.as_ref();
    assert_eq!(room.unwrap().stages.len(), 1);
    assert!((room.unwrap().stages[0].f0_hz / 33.0).log2().abs() < 0.05);
    let text = planish::report::text::plan(&few, &[]);
    let text = text.split_whitespace().collect::<Vec<_>>().join(" ");
    assert!(text.contains("One more shared peak stays"), "{text}");
    // A type that is forbidden is not used here either.
    let without = PlanOptions {
        without: vec![Kind::Peaking],
        ..options
    };
    let plan = planned_as(&device, &speaker(20.0), None, &without);
    let room = plan.crossover.as_ref().unwrap().room.as_ref();
    assert!(room.unwrap().stages.is_empty());
}

/// As a process: the list is written, sound, and holds the cut.
#[test]
fn the_written_list_of_the_subwoofer_holds_the_cuts() {
    let dir = tempfile::tempdir().unwrap();
    let out = dir.path().to_str().unwrap();
    let run = |arguments: &[&str]| {
        let output = std::process::Command::new(env!("CARGO_BIN_EXE_planish"))
            .args(arguments)
            .output()
            .unwrap();
        assert_eq!(output.status.code(), Some(0));
        String::from_utf8(output.stdout).unwrap()
    };
    let seats = "examples/quayside_5/seats.csv";
    let speaker = "examples/quayside_5";
    let said = run(&[
        "plan",
        speaker,
        "--sub",
        "80",
        "--seats",
        seats,
        "--sub-seats",
        seats,
        "--out",
        out,
    ]);
    assert!(said.contains("That list also cuts"), "{said}");
    assert!(!said.contains("is not cut in this list"), "{said}");
    let list = dir.path().join("subwoofer.txt");
    let text = std::fs::read_to_string(&list).unwrap();
    assert!(text.contains("stage 2 lowpass f0_hz=80"), "{text}");
    assert!(text.contains("stage 3 peaking"), "{text}");
    let checked = run(&["check", list.to_str().unwrap()]);
    assert!(checked.contains("The list is sound."), "{checked}");
    let report = std::fs::read_to_string(dir.path().join("report.html")).unwrap();
    assert!(report.contains("That list also cuts"));
    assert!(report.contains("--sub-seats seats.csv"));
}

/// Knobs and few stages: stages go where they do most, and what stays is said.
#[test]
fn few_stages_are_divided_and_what_stays_is_said() {
    let grid = Grid::logarithmic(20.0, 500.0, 48.0);
    let peaks = [
        (35.0, 8.0, 12.0),
        (58.0, 8.0, 5.0),
        (92.0, 8.0, 4.0),
        (140.0, 8.0, 4.0),
    ];
    let seats = vec![peaking_db(grid.freqs_hz(), &peaks); 3];
    let options = PlanOptions {
        stages: Some(3),
        ..PlanOptions::default()
    };
    let plan = planned(
        &speaker(20.0),
        None,
        room_of(200.0, &grid, seats.clone()),
        options,
    );
    assert!(plan.fit.stages.len() <= 3);
    // The largest of the room and the bump of the speaker both get one.
    assert!((gains_db(&plan, &[35.0])[0] + 12.0).abs() < 1.0);
    assert!((gains_db(&plan, &[1000.0])[0] + 4.0).abs() < 1.0);
    let said = planish::predict::contradictions(&plan);
    assert!(
        said.iter()
            .any(|c| matches!(c, Contradiction::SharedPeaksStay { .. })),
        "{said:?}"
    );
    let options = PlanOptions {
        device: Some("knob-receiver".into()),
        ..PlanOptions::default()
    };
    let plan = planned(&speaker(20.0), None, room_of(200.0, &grid, seats), options);
    let zone = Grid::logarithmic(20.0, 200.0, 48.0);
    assert!(gains_db(&plan, zone.freqs_hz()).iter().all(|g| *g < 0.6));
}
