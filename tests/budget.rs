//! Level, distance, load, clean limits and subwoofer: figures against the reference sheet, and
//! what they do to a plan.

use planish::audit::Cause;
use planish::average::{AveragedCurves, RearWall};
use planish::budget::{
    Ease, Impedance, Law, LevelWanted, Load, LowEnd, Order, SubWanted, Wishes, epdr_ohm,
    excursion_gain_db, free_field_loss_db, furnished_loss_db, two_speakers_db,
};
use planish::curve::Grid;
use planish::filter::{Bank, Kind, Stage};
use planish::predict::Plan;
use planish::predict::contradiction::Contradiction;
use planish::read::folder::{Measured, SpeakerFolder};
use planish::run::{PlanOptions, Speaker, plan, write_plan};
use planish::units::amplitude_to_db;
use std::path::Path;

#[test]
fn epdr_is_that_of_the_table() {
    // tests/data/epdr.csv: closed form, and by brute force over a cycle.
    let mut rows = 0;
    for line in include_str!("data/epdr.csv")
        .lines()
        .filter(|l| l.starts_with(|c: char| c.is_ascii_digit()))
    {
        let v: Vec<f64> = line.split(',').map(|v| v.parse().unwrap()).collect();
        for sign in [1.0, -1.0] {
            let ratio = epdr_ohm(1.0, sign * v[0]);
            // Twelve digits of the closed form; the brute force is good to 1e-9.
            assert!((ratio - v[1]).abs() < 1e-11, "{v:?}: {ratio}");
            assert!((ratio - v[2]).abs() < 1e-9, "{v:?}: {ratio}");
            for (ohm, wanted) in [(4.0, v[3]), (6.0, v[4]), (8.0, v[5])] {
                assert!((epdr_ohm(ohm, sign * v[0]) - wanted).abs() < 1e-6);
            }
        }
        rows += 1;
    }
    assert_eq!(rows, 19);
}

#[test]
fn epdr_is_the_largest_dissipation_over_a_cycle() {
    // Definition, evaluated: (1 - sin x) sin(x - phi) at its largest, a resistor having 1/4.
    for phase_deg in [0.0, 17.0, 42.0, 63.0, 85.0] {
        let phase_rad = f64::to_radians(phase_deg);
        let largest = (0..200_000)
            .map(|i| 2.0 * std::f64::consts::PI * f64::from(i) / 200_000.0)
            .map(|x| (1.0 - x.sin()) * (x - phase_rad).sin())
            .fold(0.0, f64::max);
        assert!((epdr_ohm(1.0, phase_deg) - 0.25 / largest).abs() < 1e-7);
    }
}

#[test]
fn distance_and_level_follow_their_laws() {
    // 20 lg r: 2, 3 and 4 m are 6.0206, 9.5424 and 12.0412 dB below 1 m (closed form).
    for (distance_m, loss_db) in [(1.0, 0.0), (2.0, 6.0206), (3.0, 9.5424), (4.0, 12.0412)] {
        assert!((free_field_loss_db(distance_m) - loss_db).abs() < 5e-5);
        // In furnished rooms half of it, 3 dB for each doubling (common practice).
        assert!((furnished_loss_db(distance_m) - 0.5 * loss_db).abs() < 5e-5);
    }
    assert!((furnished_loss_db(0.5) + 6.0206).abs() < 5e-5);
    // Two uncorrelated equal sources: +3.0103 dB.
    assert!((two_speakers_db() - 3.0103).abs() < 5e-5);
    let wanted = LevelWanted {
        level_db: 80.0,
        peaks_db: 20.0,
        distance_m: 3.0,
    };
    assert!((wanted.asked_average_db(Law::FreeField) - 86.5321).abs() < 1e-4);
    assert!((wanted.asked_peak_db(Law::FreeField) - 106.5321).abs() < 1e-4);
    assert!((wanted.asked_average_db(Law::Furnished) - 81.7609).abs() < 1e-4);
}

#[test]
fn excursion_allows_twelve_decibels_an_octave() {
    // x proportional to 1/f^2 at constant sound pressure: 12.04 dB per octave.
    assert!((excursion_gain_db(80.0, 40.0) - 12.0412).abs() < 1e-4);
    assert_eq!(excursion_gain_db(40.0, 80.0), 0.0);
}

#[test]
fn sensitivity_counts_volts_and_metres() {
    // 2.83 V is 1 W in 8 ohm and 2 W in 4 ohm: the same volts, whatever the load.
    let grid = Grid::logarithmic(20.0, 20_000.0, 24.0);
    let flat = vec![80.0; grid.len()];
    let of = |distance_m, drive_v| {
        LowEnd::new(&grid, &flat, Some(distance_m), Some(drive_v))
            .unwrap()
            .sensitivity_db
            .unwrap()
    };
    assert!((of(1.0, 2.83) - 80.0).abs() < 1e-9);
    assert!((of(2.0, 2.83) - 86.0206).abs() < 1e-4);
    assert!((of(1.0, 5.66) - 73.9794).abs() < 1e-4);
}

fn impedance(ohm: &[f64], phase_deg: Option<&[f64]>) -> Impedance {
    Impedance {
        freqs_hz: (0..ohm.len()).map(|i| 50.0 * (i as f64).exp2()).collect(),
        ohm: ohm.to_vec(),
        phase_deg: phase_deg.map(<[f64]>::to_vec),
    }
}

#[test]
fn a_rating_allows_a_fifth_less_and_no_more() {
    // IEC 60268-5: 8 ohm 6.4, 6 ohm 4.8, 4 ohm 3.2.
    for (rated, least) in [(8.0, 6.4), (6.0, 4.8), (4.0, 3.2)] {
        let of = |ohm: f64| {
            Load::new(&impedance(&[20.0, ohm, 9.0], None), Some(rated), |_| 0.0).unwrap()
        };
        assert_eq!(of(least).keeps_rating(), Some(true));
        assert_eq!(of(least - 0.01).keeps_rating(), Some(false));
        assert_eq!(of(least).allows_ohm, Some(rated));
    }
}

#[test]
fn the_hardest_place_is_that_of_the_equivalent_resistance() {
    let table = impedance(&[4.0, 6.0, 8.0], Some(&[0.0, -60.0, 45.0]));
    let load = Load::new(&table, None, |f_hz| if f_hz > 150.0 { 2.0 } else { 0.0 }).unwrap();
    assert_eq!((load.least.f_hz, load.least.ohm), (50.0, 4.0));
    // 6 ohm at 60 degrees heats like 1.668 ohm, 8 ohm at 45 like 2.828.
    let least = load.least_epdr.unwrap();
    assert_eq!(least.f_hz, 100.0);
    assert!((least.ohm - 6.0 * 0.278066143).abs() < 1e-8);
    let boosted = load.boosted.unwrap();
    assert_eq!((boosted.f_hz, boosted.gain_db), (200.0, 2.0));
    assert!((boosted.epdr_ohm.unwrap() - 2.8284).abs() < 1e-4);
    assert_eq!(load.ease, Ease::Hard);
}

/// The demo speaker with tables beside it; `clean_db` is where both bars of distortion are met.
fn with_tables(dir: &Path, clean_db: impl Fn(f64) -> f64) -> Speaker {
    for name in ["horizontal.csv", "vertical.csv"] {
        std::fs::copy(Path::new("examples/quayside_5").join(name), dir.join(name)).unwrap();
    }
    let toml = std::fs::read_to_string("examples/quayside_5/speaker.toml").unwrap();
    let toml = format!("{toml}\n[evidence]\nimpedance = \"ohm.csv\"\ndistortion = \"thd.csv\"\n");
    std::fs::write(dir.join("speaker.toml"), toml).unwrap();
    let mut thd = String::from("freq_hz,level_db,thd_percent\n");
    for f_hz in Grid::logarithmic(20.0, 16_000.0, 3.0).freqs_hz() {
        let bar = if *f_hz > 200.0 { 3.0 } else { 10.0 };
        for (over_db, share) in [(-20.0, 0.1), (0.0, 1.0), (10.0, 3.2)] {
            thd += &format!("{f_hz},{},{}\n", clean_db(*f_hz) + over_db, bar * share);
        }
    }
    std::fs::write(dir.join("thd.csv"), thd).unwrap();
    let mut ohm = String::from("freq_hz,ohm,phase_deg\n");
    for f_hz in Grid::logarithmic(20.0, 20_000.0, 6.0).freqs_hz() {
        ohm += &format!(
            "{f_hz},{},{}\n",
            5.0 + 2.0 * (f_hz.ln()).sin(),
            40.0 * f_hz.ln().cos()
        );
    }
    std::fs::write(dir.join("ohm.csv"), ohm).unwrap();
    Speaker::read(dir, RearWall::ThreePoints).unwrap()
}

fn planned(speaker: &Speaker, owner: Wishes) -> Plan {
    let options = PlanOptions {
        owner,
        ..PlanOptions::default()
    };
    plan(speaker, &options).unwrap()
}

fn level(level_db: f64) -> Wishes {
    Wishes {
        level: Some(LevelWanted {
            level_db,
            peaks_db: 20.0,
            distance_m: 2.5,
        }),
        ..Wishes::default()
    }
}

#[test]
fn a_boost_beyond_the_clean_limit_is_taken_back_and_said() {
    // Quayside 5 has a shallow dip at 2.6 kHz, which is filled where the speaker can.
    let dir = tempfile::tempdir().unwrap();
    let speaker = with_tables(dir.path(), |f_hz| {
        // Clean to 112 dB, but only 102 dB round the dip.
        112.0 - 10.0 * (-(f_hz / 2600.0).log2().powi(2) / 0.5).exp()
    });
    let free = planned(&speaker, Wishes::default());
    let at = free.audit.grid.nearest(2600.0);
    assert!(
        free.wish.eq.values_db()[at] > 1.0,
        "{}",
        free.wish.eq.values_db()[at]
    );
    // 75 dB at 2.5 m with 20 dB peaks asks 99.9 dB at 1 m: within all limits.
    let quiet = planned(&speaker, level(75.0));
    assert_eq!(quiet.wish.eq.values_db(), free.wish.eq.values_db());
    assert!(
        planish::predict::contradictions(&quiet).is_empty(),
        "{:?}",
        planish::predict::contradictions(&quiet)
    );
    let loud = planned(&speaker, level(79.0));
    let finding = loud
        .findings
        .iter()
        .find(|f| f.cause == Cause::OutputLimit)
        .expect("the limit is said");
    assert!(
        (finding.from_hz..=finding.to_hz).contains(&2600.0),
        "{finding:?}"
    );
    let boost_db = |plan: &Plan| plan.prediction.eq.values_db()[at] - plan.prediction.eq_level_db;
    assert!(boost_db(&loud) < boost_db(&free) - 0.3, "{finding:?}");
    assert!(loud.wish.eq.values_db()[at] < free.wish.eq.values_db()[at] - 0.5);
    for (a, b) in loud
        .wish
        .eq
        .values_db()
        .iter()
        .zip(free.wish.eq.values_db())
    {
        assert!(*a >= b.min(0.0) - 1e-12 && a <= b);
    }
    let reason = planish::report::words::finding::reason(finding).to_string();
    assert!(reason.contains("cleanly"), "{reason}");
    // Far too loud: the speaker cannot, with or without a plan.
    let beyond = planned(&speaker, level(95.0));
    let said = planish::predict::contradictions(&beyond).iter().any(|c| {
        matches!(c, Contradiction::LevelBeyondSpeaker { playable_db, .. } if *playable_db < 90.0)
    });
    assert!(said, "{:?}", planish::predict::contradictions(&beyond));
    assert!(beyond.situation.load.as_ref().unwrap().least_epdr.is_some());
}

#[test]
fn a_level_without_tables_says_what_is_not_known() {
    let speaker = Speaker::read(Path::new("examples/quayside_5"), RearWall::ThreePoints).unwrap();
    let plan = planned(&speaker, level(80.0));
    let budget = plan.situation.level.as_ref().unwrap();
    assert_eq!((budget.tables, budget.playable_db), ([false, false], None));
    let printed = planish::report::text::plan(&plan, &[]);
    assert!(
        printed.contains("No table of distortion or compression"),
        "{printed}"
    );
}

fn sub(f_hz: f64, order: Order) -> Wishes {
    Wishes {
        sub: Some(SubWanted { f_hz, order }),
        ..Wishes::default()
    }
}

/// Quayside 5 with a broad lack of 5 dB at 150 Hz at every angle.
fn with_a_lack() -> Speaker {
    let speaker = Speaker::read(Path::new("examples/quayside_5"), RearWall::ThreePoints).unwrap();
    let response = speaker.response().unwrap();
    let lack = Stage {
        kind: Kind::Peaking,
        f0_hz: 150.0,
        gain_db: -5.0,
        q: 0.7,
    };
    let bank = Bank {
        rate_hz: 192_000.0,
        gain_db: 0.0,
        sections: vec![lack.biquad(192_000.0)],
    };
    let response = response.with_gain(&bank.gains_db(response.grid().freqs_hz()));
    Speaker {
        curves: AveragedCurves::from_response(&response, RearWall::ThreePoints),
        folder: SpeakerFolder {
            measured: Measured::Angles(response),
            ..speaker.folder.clone()
        },
        ..speaker
    }
}

#[test]
fn a_subwoofer_takes_stages_and_every_boost_below_it() {
    let speaker = with_a_lack();
    // There is a boost to be taken back.
    let free = planned(&speaker, Wishes::default());
    let below_db = free.wish.eq.values_db()[free.audit.grid.nearest(87.0)];
    assert!(below_db > 1.0, "{below_db}");
    for (order, count) in [(Order::Fourth, 2), (Order::Second, 1)] {
        let plan = planned(&speaker, sub(90.0, order));
        let stages = plan.stages();
        assert!(stages.len() <= plan.device.stages);
        assert_eq!(plan.fit.stages.len(), stages.len() - count);
        assert!(
            stages[..count]
                .iter()
                .all(|s| s.kind == Kind::HighPass && s.f0_hz == 90.0)
        );
        let freqs_hz = plan.audit.grid.freqs_hz();
        for (f_hz, wish) in freqs_hz.iter().zip(plan.wish.eq.values_db()) {
            assert!(*f_hz > 90.0 || *wish <= 0.0);
        }
        // The plan's own stages, without the highpass, boost nothing worth speaking of there.
        for (f_hz, gain) in freqs_hz.iter().zip(plan.prediction.eq.values_db()) {
            assert!(*f_hz > 90.0 || *gain < 0.3, "{f_hz}: {gain}");
        }
        let bank = &plan.prediction.bank;
        let own_db = |f_hz: f64| {
            let at = plan.audit.grid.nearest(f_hz);
            plan.prediction.eq.values_db()[at]
        };
        // Both halves are 6.02 dB down at the crossover, and -24 or -12 dB per octave below.
        let f_hz = freqs_hz[plan.audit.grid.nearest(90.0)];
        let at_db = bank.gain_at_db(f_hz) - bank.gain_db - own_db(f_hz);
        let ratio2 = (90.0 / f_hz) * (90.0 / f_hz);
        let exact_db = match order {
            Order::Fourth => -amplitude_to_db(1.0 + ratio2 * ratio2),
            Order::Second => -amplitude_to_db(1.0 + ratio2),
        };
        // The bilinear transform at 48 kHz moves it by less than this.
        assert!(
            (at_db - exact_db).abs() < 0.01,
            "{order:?}: {at_db} {exact_db}"
        );
        let dir = tempfile::tempdir().unwrap();
        write_plan(&plan, &speaker, "planish plan", None, dir.path()).unwrap();
        let [list, below] = ["filters.txt", "subwoofer.txt"]
            .map(|name| planish::read::filter_list::read(&dir.path().join(name)).unwrap());
        assert_eq!(list.gain_db, below.gain_db);
        assert_eq!(below.stages.len(), count);
        // In level the two halves add up to one: in phase, or in opposite phase when reversed.
        let sign = if count == 1 { -1.0 } else { 1.0 };
        let crossover = Bank {
            sections: bank.sections[..count].to_vec(),
            gain_db: 0.0,
            ..bank.clone()
        };
        let mut low = below.bank();
        low.gain_db = 0.0;
        for f_hz in [20.0, 60.0, 90.0, 130.0, 400.0] {
            let sum = crossover.response(f_hz) + sign * low.response(f_hz);
            assert!(
                (sum.norm() - 1.0).abs() < 1e-3,
                "{order:?} {f_hz}: {}",
                sum.norm()
            );
        }
    }
}

#[test]
fn an_older_list_that_belongs_to_no_filter_of_the_plan_is_taken_away() {
    let speaker = Speaker::read(Path::new("examples/quayside_5"), RearWall::default()).unwrap();
    let dir = tempfile::tempdir().unwrap();
    let with_sub = planned(&speaker, sub(80.0, Order::Fourth));
    write_plan(&with_sub, &speaker, "planish plan", None, dir.path()).unwrap();
    assert!(dir.path().join("subwoofer.txt").exists());
    // Somebody's notes under a name of ours stay.
    let notes = dir.path().join("filters_unit_1.txt");
    std::fs::write(&notes, "ask for the other unit\n").unwrap();
    let without = planned(&speaker, Wishes::default());
    write_plan(&without, &speaker, "planish plan", None, dir.path()).unwrap();
    assert!(!dir.path().join("subwoofer.txt").exists());
    assert!(dir.path().join("filters.txt").exists() && notes.exists());
}

#[test]
fn what_contradicts_stands_in_the_first_lines() {
    let speaker = Speaker::read(Path::new("examples/quayside_5"), RearWall::ThreePoints).unwrap();
    let knobs = PlanOptions {
        device: Some("knob-receiver".into()),
        owner: sub(35.0, Order::Fourth),
        ..PlanOptions::default()
    };
    let plan = plan(&speaker, &knobs).unwrap();
    let said = planish::predict::contradictions(&plan);
    assert!(
        matches!(said[0], Contradiction::NoHighpass { .. }),
        "{said:?}"
    );
    assert!(
        said.iter()
            .any(|c| matches!(c, Contradiction::SubBelowCorner { .. }))
    );
    assert!(plan.fit.stages.iter().all(|s| s.kind != Kind::HighPass));
    let printed = planish::report::text::plan(&plan, &[]);
    assert!(
        printed.starts_with("Note: knob-receiver has no stages for a highpass"),
        "{printed}"
    );
    let high = planned(&speaker, sub(160.0, Order::Second));
    assert!(matches!(
        planish::predict::contradictions(&high)[..],
        [Contradiction::SubHeardInPlace { .. }]
    ));
}
