//! A listener to the side of the axis: against the same simulated speaker turned on its stand.

use planish::aim::Aimed;
use planish::average::{AveragedCurves, RearWall};
use planish::curve::Grid;
use planish::response::{Direction, Member, Orbit, Response};
use planish::run::{DEFAULT_DEVICE, PlanOptions, Speaker as Folder, aims};
use planish::simulate::{
    BoxTuning, Crossover, Defect, DefectKind, Design, Driver, Fault, Filter, Measurement,
    Simulated, Slope, Speaker,
};
use planish::units::{db_to_power, power_to_db};

fn rms_db(a: &[f64], b: &[f64]) -> f64 {
    let squares: f64 = a.iter().zip(b).map(|(a, b)| (a - b).powi(2)).sum();
    (squares / a.len() as f64).sqrt()
}

/// Horizontal angles of the standard's sets (ANSI/CTA-2034-A).
fn horizontal_sets() -> [(&'static str, Vec<f64>); 4] {
    let both = |angles: &[f64]| angles.iter().flat_map(|a| [*a, -a]).collect::<Vec<f64>>();
    let mut front = both(&[10.0, 20.0, 30.0]);
    front.push(0.0);
    let mut rear = both(&[90.0]);
    rear.push(180.0);
    [
        ("axis", vec![0.0]),
        ("window and front wall", front),
        ("side walls", both(&[40.0, 50.0, 60.0, 70.0, 80.0])),
        ("rear wall", rear),
    ]
}

fn power_average(response: &Response, angles_deg: &[f64]) -> Vec<f64> {
    (0..response.grid().len())
        .map(|i| {
            let sum: f64 = angles_deg
                .iter()
                .map(|a| db_to_power(response.at(Orbit::Horizontal, *a).unwrap().levels_db[i]))
                .sum();
            power_to_db(sum / angles_deg.len() as f64)
        })
        .collect()
}

/// Bar of the issue for the horizontal sets, dB rms.
const SETS_DB: f64 = 0.3;

/// One direction between measured ones, on the mean of speakers, dB rms; our own bar: what the
/// same rule leaves on the demo speakers at twice the step.
const BETWEEN_DB: f64 = 0.5;

#[test]
fn an_aim_hears_what_a_turned_speaker_plays() {
    // Ten degrees apart, so that 30 and -20 were measured and 25 and 7 lie between. Judging seeds.
    let (mut between, mut alone) = (Vec::new(), Vec::new());
    for seed in 100_000..100_006 {
        let speaker = Speaker::draw(seed);
        let measurement = Measurement::default();
        let own = speaker.measure(&measurement).unwrap();
        for aim_deg in [30.0, -20.0, 25.0, 7.0] {
            let turned = speaker
                .clone()
                .turned(aim_deg)
                .measure(&measurement)
                .unwrap();
            let aimed = Aimed::new(&own, RearWall::ThreePoints, aim_deg).unwrap();
            assert_eq!(aimed.between, aim_deg % 10.0 != 0.0);
            assert!(aimed.missing_deg.is_empty());
            for (name, angles_deg) in horizontal_sets() {
                let [is, should] =
                    [&aimed.response, &turned].map(|r| power_average(r, &angles_deg));
                let apart_db = rms_db(&is, &should);
                println!("{seed} {aim_deg} {name}: {apart_db:.4} dB");
                if !aimed.between {
                    assert!(apart_db < SETS_DB, "{seed} {aim_deg} {name}: {apart_db}");
                } else if angles_deg.len() > 1 {
                    between.push(apart_db);
                } else {
                    alone.push(apart_db);
                }
            }
        }
    }
    let mean_db = |all: &[f64]| all.iter().sum::<f64>() / all.len() as f64;
    println!(
        "between: sets {:.3} dB, one direction {:.3} dB",
        mean_db(&between),
        mean_db(&alone)
    );
    // The issue states no bar for aims between measured angles; sets keep it on the mean. One
    // direction beside a null is told less well.
    assert!(mean_db(&between) < SETS_DB && mean_db(&alone) < BETWEEN_DB);
    assert!(mean_db(&between) > 0.0, "what lies between is not measured");
}

#[test]
fn sound_power_stays_and_the_in_room_curve_follows() {
    let own = Speaker::draw(100_001)
        .measure(&Measurement::default())
        .unwrap();
    let straight = AveragedCurves::from_response(&own, RearWall::ThreePoints);
    let aimed = Aimed::new(&own, RearWall::ThreePoints, 30.0)
        .unwrap()
        .curves;
    assert_eq!(aimed.sound_power, straight.sound_power);
    assert_ne!(aimed.listening_window, straight.listening_window);
    let level = |curve: &Option<planish::average::Average>, i: usize| {
        db_to_power(curve.as_ref().unwrap().levels_db[i])
    };
    for i in 0..aimed.grid.len() {
        // ANSI/CTA-2034-A: 12, 44 and 44 % of window, reflections and power.
        let wanted = 0.12 * level(&aimed.listening_window, i)
            + 0.44 * level(&aimed.early_reflections, i)
            + 0.44 * level(&straight.sound_power, i);
        let is = aimed.in_room.as_ref().unwrap().levels_db[i];
        assert!((is - power_to_db(wanted)).abs() < 1e-9);
    }
}

/// A source whose level falls in a straight line with the cosine of the angle from its axis.
fn linear_in_cosine_db(direction: Direction, turn_deg: f64) -> f64 {
    let angle_rad = direction.angle_deg().to_radians();
    let turn_rad = turn_deg.to_radians();
    let cosine = match direction.orbit() {
        Orbit::Horizontal => (angle_rad + turn_rad).cos(),
        Orbit::Vertical => angle_rad.cos() * turn_rad.cos(),
    };
    4.0 * cosine
}

#[test]
fn the_vertical_approximation_is_exact_where_it_says_so() {
    let response = |turn_deg: f64| {
        let members = (-17..=18)
            .flat_map(|i| {
                [Orbit::Horizontal, Orbit::Vertical].map(|o| Direction::new(o, 10.0 * f64::from(i)))
            })
            .map(|direction| Member {
                direction,
                levels_db: vec![linear_in_cosine_db(direction, turn_deg); 2],
                phase_deg: None,
                mirrored: false,
            })
            .collect();
        Response::new(Grid::new(vec![100.0, 200.0]).unwrap(), members).unwrap()
    };
    let aimed = Aimed::new(&response(0.0), RearWall::ThreePoints, 30.0)
        .unwrap()
        .response;
    let turned = response(30.0);
    for member in aimed.members() {
        let direction = member.direction;
        let exact = turned.at(direction.orbit(), direction.angle_deg()).unwrap();
        assert!(
            (member.levels_db[0] - exact.levels_db[0]).abs() < 1e-9,
            "{direction}"
        );
    }
}

#[test]
fn an_aim_beyond_what_was_measured_is_refused_or_said() {
    let whole = Speaker::draw(3).measure(&Measurement::default()).unwrap();
    let front = Response::new(
        whole.grid().clone(),
        whole
            .members()
            .iter()
            .filter(|m| m.direction.off_axis_deg() <= 40.0)
            .cloned()
            .collect(),
    )
    .unwrap();
    let aimed = Aimed::new(&front, RearWall::ThreePoints, 20.0).unwrap();
    assert_eq!(aimed.missing_deg, [30.0]);
    let refused = Aimed::new(&front, RearWall::ThreePoints, 60.0).unwrap_err();
    assert!(
        refused.to_string().contains("reach from -40 to 40 degrees"),
        "{refused}"
    );
    for aim_deg in [91.0, f64::NAN, f64::INFINITY] {
        assert!(Aimed::new(&whole, RearWall::ThreePoints, aim_deg).is_err());
    }
}

fn driver(radius_m: f64, elevation_deg: f64) -> Driver {
    Driver {
        radius_m,
        elevation_deg,
        azimuth_deg: 0.0,
        level_db: 0.0,
        ripple: vec![],
    }
}

/// A two-way, healthy but for its defects.
fn two_way(defects: Vec<Defect>) -> Speaker {
    let design = Design {
        sphere_radius_m: 0.14,
        distance_m: Some(2.0),
        level_db: 86.0,
        drivers: vec![driver(0.05, -22.0), driver(0.0125, 12.0)],
        crossovers: vec![Crossover {
            f_hz: 2300.0,
            slope: Slope::FourthOrder,
        }],
        tuning: BoxTuning::Vented {
            f_hz: 45.0,
            q: [0.54, 1.3],
        },
        top_hz: 30_000.0,
        ripple: vec![],
    };
    Speaker::new("Harbour Light", design, defects).unwrap()
}

/// The speaker as if read from its folder.
fn folder(speaker: &Speaker) -> (tempfile::TempDir, Folder) {
    let measurement = Measurement {
        noise_db: 0.05,
        seed: 7,
        ..Measurement::default()
    };
    written(&speaker.measure(&measurement).unwrap())
}

fn written(response: &Response) -> (tempfile::TempDir, Folder) {
    let dir = tempfile::tempdir().unwrap();
    for (name, text) in planish::export::folder::speaker_files("Harbour Light", response, None, "")
    {
        std::fs::write(dir.path().join(name), text).unwrap();
    }
    let read = Folder::read(dir.path(), RearWall::ThreePoints).unwrap();
    (dir, read)
}

fn compared(speaker: &Folder) -> planish::predict::aims::Aims {
    let device = planish::read::device::device(DEFAULT_DEVICE).unwrap();
    let target = planish::read::target::target("flat").unwrap();
    aims::compare(speaker, &device, &target, &PlanOptions::default()).unwrap()
}

/// A source that beams ever more above some kilohertz, its level falling with the cosine of the
/// angle, whose maker made the window 30 degrees aside flat: what it has wrong is a treble that
/// rises on axis.
fn rising_on_axis() -> Response {
    let grid = Grid::logarithmic(20.0, 20_000.0, 24.0);
    let of = |rise_db: &[f64]| {
        let members = (-17..=18)
            .flat_map(|i| {
                [Orbit::Horizontal, Orbit::Vertical].map(|o| Direction::new(o, 10.0 * f64::from(i)))
            })
            .map(|direction| {
                let aside = 1.0 - direction.angle_deg().to_radians().cos();
                let levels_db = grid.freqs_hz().iter().zip(rise_db).map(|(f_hz, rise)| {
                    let beams = (f_hz / 6000.0).powi(2);
                    rise - 20.0 * beams / (1.0 + beams) * aside
                });
                Member {
                    direction,
                    levels_db: levels_db.collect(),
                    phase_deg: None,
                    mirrored: false,
                }
            })
            .collect();
        Response::new(grid.clone(), members).unwrap()
    };
    let level = of(&vec![0.0; grid.len()]);
    let aside = Aimed::new(&level, RearWall::ThreePoints, 30.0).unwrap();
    let window = aside.curves.listening_window.unwrap().levels_db;
    of(&window.iter().map(|w| -w).collect::<Vec<f64>>())
}

/// Stages that move the treble by less than this are no treble filter, dB.
const NO_FILTER_DB: f64 = 0.5;

#[test]
fn a_treble_that_rises_on_axis_only_is_turned_away_instead_of_filtered() {
    let (_dir, speaker) = written(&rising_on_axis());
    let aims = compared(&speaker);
    let treble_db = |aim_deg: f64| {
        let aimed = speaker.aimed(aim_deg).unwrap();
        let plan = planish::run::plan(&aimed, &PlanOptions::default()).unwrap();
        let level_db = plan.prediction.eq_level_db;
        let band = plan.audit.grid.range(3000.0, 16_000.0);
        plan.prediction.eq.values_db()[band]
            .iter()
            .map(|g| (g - level_db).abs())
            .fold(0.0, f64::max)
    };
    for row in &aims.rows {
        println!(
            "{}: tilt {:?}, deviation {:.2}, stages {}",
            row.aim_deg, row.treble_tilt_db_per_oct, row.deviation_db, row.stages
        );
    }
    let best_deg = aims.best().aim_deg;
    let [own_db, turned_db] = [0.0, best_deg].map(treble_db);
    println!("treble filter {own_db:.2} dB, turned {best_deg} degrees {turned_db:.2} dB");
    assert!(best_deg >= 20.0, "{best_deg}");
    assert!(own_db > 2.0 * NO_FILTER_DB && turned_db < 0.5 * NO_FILTER_DB);
}

#[test]
fn a_healthy_speaker_is_not_turned_and_a_resonance_does_not_vanish() {
    let resonance = Defect {
        kind: DefectKind::Resonance,
        f_hz: 900.0,
        fault: Fault::Filter(
            Filter::Peaking {
                f_hz: 900.0,
                gain_db: 4.0,
                q: 4.0,
            },
            planish::simulate::Place::Driver(0),
        ),
    };
    let (_dir, speaker) = folder(&two_way(vec![resonance]));
    let aims = compared(&speaker);
    assert_eq!(aims.best().aim_deg, 0.0);
    let place = aims
        .findings
        .iter()
        .position(|f| (f.peak_hz / 900.0).log2().abs() < 0.1)
        .expect("the resonance is found");
    assert!(aims.rows.iter().all(|row| !row.vanished.contains(&place)));
    assert_eq!(aims.rows.len(), 5);
}

#[test]
fn a_ripple_of_the_axis_vanishes_when_the_speaker_is_turned() {
    // Edges at the same distance all round: their copies arrive together on the axis alone.
    let edge = Defect {
        kind: DefectKind::SingleAxisRipple,
        f_hz: 3500.0,
        fault: Fault::Edge {
            driver: 1,
            distance_m: 0.1,
            strength: 0.6,
            shares: vec![1.0; 24],
        },
    };
    let (_dir, speaker) = folder(&two_way(vec![edge]));
    let aims = compared(&speaker);
    let single: Vec<usize> = (0..aims.findings.len())
        .filter(|i| {
            let finding = &aims.findings[*i];
            finding.cause == planish::audit::Cause::SingleAxis
                && (finding.peak_hz / 3500.0).log2().abs() < 0.5
                && finding.stands_out().0.abs() > 1.0
        })
        .collect();
    for finding in &aims.findings {
        println!(
            "{} {:.1} {}",
            finding.peak_hz, finding.size_db, finding.cause
        );
    }
    for row in &aims.rows {
        println!("{}: {:?}", row.aim_deg, row.vanished);
    }
    assert!(!single.is_empty(), "the ripple is found on the axis");
    let far = aims.rows.iter().find(|row| row.aim_deg == 30.0).unwrap();
    assert!(single.iter().all(|place| far.vanished.contains(place)));
}
