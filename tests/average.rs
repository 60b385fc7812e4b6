//! The averaged curves of CTA-2034-A against closed-form sources and against the definitions
//! written out plainly.

use planish::average::{
    Average, AveragedCurves, LEAST_COMPLETENESS, RearWall, in_room_shares, sound_power_weight,
};
use planish::curve::Grid;
use planish::response::{Direction, Member, Orbit, Response};
use std::collections::{BTreeMap, HashMap};

/// The rows of a table in `tests/data` by the names of its columns; its first line is a comment.
fn rows(name: &str) -> Vec<HashMap<String, String>> {
    let text = std::fs::read_to_string(format!("tests/data/{name}")).unwrap();
    let mut reader = csv::ReaderBuilder::new()
        .comment(Some(b'#'))
        .from_reader(text.as_bytes());
    reader.deserialize().map(Result::unwrap).collect()
}

/// Levels in dB by orbit (`H`, `V`) and angle.
type Levels = BTreeMap<(char, i32), Vec<f64>>;

fn response(levels: &Levels) -> Response {
    let count = levels.values().next().unwrap().len();
    let freqs_hz = (0..count).map(|i| 100.0 * 2f64.powi(i as i32)).collect();
    let members = levels
        .iter()
        .map(|((orbit, angle), levels_db)| Member {
            direction: Direction::new(
                match orbit {
                    'H' => Orbit::Horizontal,
                    _ => Orbit::Vertical,
                },
                f64::from(*angle),
            ),
            levels_db: levels_db.clone(),
            phase_deg: None,
            mirrored: false,
        })
        .collect();
    Response::new(Grid::new(freqs_hz).unwrap(), members).unwrap()
}

/// Both orbits in full, -170 to 180 degrees.
fn both_orbits(mut level: impl FnMut(char, i32) -> Vec<f64>) -> Levels {
    let angles = (-17..=18).map(|i| 10 * i);
    angles
        .flat_map(|angle| [('H', angle), ('V', angle)])
        .map(|(orbit, angle)| ((orbit, angle), level(orbit, angle)))
        .collect()
}

/// Pressure of a closed-form source. The angle to the axis is the same on both orbits; the
/// vertical pairs are two equal points in phase, half a wave or a wave apart.
fn pressure(source: &str, orbit: char, angle_deg: i32) -> f64 {
    let angle_rad = f64::from(angle_deg).to_radians();
    let (cos, sin) = (angle_rad.cos(), angle_rad.sin());
    let path = std::f64::consts::PI * if orbit == 'V' { sin } else { 0.0 };
    match source {
        "monopole" => 1.0,
        "dipole" => cos,
        "cardioid" => 0.5 * (1.0 + cos),
        "hypercardioid" => 0.25 * (1.0 + 3.0 * cos),
        "cardioid_cubed" => (0.5 * (1.0 + cos)).powi(3),
        "vertical_pair_half_wave" => (0.5 * path).cos(),
        "vertical_pair_one_wave" => path.cos(),
        other => panic!("{other}"),
    }
}

/// The reference is printed with six decimals.
const PRINTED_DB: f64 = 1e-6;

#[test]
fn closed_form_sources_give_the_reference_curves_in_both_readings_of_the_rear_wall() {
    let rows = rows("cta2034_analytic_sources.csv");
    assert_eq!(rows.len(), 7);
    for row in rows {
        let levels = both_orbits(|orbit, angle| {
            // An exact null has no level; 400 dB down it adds nothing.
            let p = pressure(&row["source"], orbit, angle).abs().max(1e-20);
            vec![20.0 * p.log10(); 2]
        });
        let response = response(&levels);
        let near = |curve: &Option<Average>, column: &str| {
            let curve = curve.as_ref().unwrap();
            let wanted: f64 = row[column].parse().unwrap();
            for got in &curve.levels_db {
                assert!(
                    (got - wanted).abs() < PRINTED_DB,
                    "{} {column} {got} {wanted}",
                    row["source"]
                );
            }
            assert!((curve.completeness - 1.0).abs() < 1e-12);
        };
        let three = AveragedCurves::from_response(&response, RearWall::ThreePoints);
        near(&three.on_axis, "on_axis_db");
        near(&three.listening_window, "listening_window_db");
        near(&three.early_reflections, "er_zone_mean_rear3_db");
        near(&three.sound_power, "sp_normalised_db");
        near(&three.sound_power_di, "sp_di_db");
        near(&three.early_reflections_di, "er_di_zone3_db");
        near(&three.in_room, "pir_power_domain_db");
        let arc = AveragedCurves::from_response(&response, RearWall::FullArc);
        near(&arc.early_reflections, "er_zone_mean_rear19_db");
        near(&arc.sound_power, "sp_normalised_db");
    }
}

#[test]
fn sound_power_weights_are_the_published_ones() {
    let mut sum = 0.0;
    for row in rows("cta2034_weights.csv") {
        let column = |name: &str| row[name].parse::<f64>().unwrap();
        let got = sound_power_weight(column("angle_deg"));
        assert!((got - column("w_derived")).abs() < 1e-15, "{row:?}");
        // Nine printed decimals.
        assert!((got - column("w_published_9dp")).abs() < 1e-9, "{row:?}");
        sum += column("points_in_70") * got;
    }
    // Not 1: each pole counts once, where the whole sphere asks for four times.
    assert!((sum - 0.996_373_083).abs() < 1e-9, "{sum}");
}

/// One curve by its definition: level in dB at each frequency, and how complete it is.
type Plain = Option<(Vec<f64>, f64)>;

/// All curves by their definitions, for one frequency after another, angle lists and weights
/// from the reference tables. In the order of `AveragedCurves::named`.
fn by_definition(levels: &Levels, rear: &str) -> [Plain; 7] {
    let count = levels.values().next().unwrap().len();
    // The axis and its back belong to both orbits.
    let at = |orbit: char, angle: i32| {
        levels.get(&(orbit, angle)).or_else(|| {
            let other = if orbit == 'H' { 'V' } else { 'H' };
            levels.get(&(other, angle)).filter(|_| angle % 180 == 0)
        })
    };
    let power = |orbit, angle, i: usize| at(orbit, angle).map(|l| 10f64.powf(l[i] / 10.0));
    let sets = rows("cta2034_angles.csv");
    // Mean power over the held angles of a set at one frequency, and the share that is held.
    let set = |name: &str, i: usize| {
        let (mut sum, mut held, mut asked) = (0.0, 0.0, 0.0);
        for row in sets.iter().filter(|row| row["set"] == name) {
            asked += 1.0;
            let orbit = row["orbit"].chars().next().unwrap();
            if let Some(p) = power(orbit, row["angle_deg"].parse().unwrap(), i) {
                sum += p;
                held += 1.0;
            }
        }
        assert!(asked > 0.0, "{name}");
        (held > 0.0).then(|| (sum / held, held / asked))
    };
    let curve = |at_one: &dyn Fn(usize) -> Option<(f64, f64)>| -> Plain {
        let all: Option<Vec<(f64, f64)>> = (0..count).map(at_one).collect();
        let all = all?;
        let completeness = all[0].1;
        let levels_db = all.iter().map(|(p, _)| 10.0 * p.log10()).collect();
        (completeness >= LEAST_COMPLETENESS).then_some((levels_db, completeness))
    };
    let on_axis = at('H', 0).map(|l| (l.clone(), 1.0));
    let window = curve(&|i| set("listening_window", i));
    let reflections = curve(&|i| {
        let zones = [
            "floor_bounce",
            "ceiling_bounce",
            "front_wall",
            "side_wall",
            rear,
        ];
        let present: Vec<(f64, f64)> = zones.iter().filter_map(|zone| set(zone, i)).collect();
        let mean = present.iter().map(|z| z.0).sum::<f64>() / present.len() as f64;
        let completeness = present.iter().map(|z| z.1).sum::<f64>() / 5.0;
        (!present.is_empty()).then_some((mean, completeness))
    });
    let weights = rows("cta2034_weights.csv");
    let sound_power = curve(&|i| {
        let (mut sum, mut held, mut asked) = (0.0, 0.0, 0.0);
        for row in &weights {
            let angle: i32 = row["angle_deg"].parse().unwrap();
            let weight: f64 = row["w_derived"].parse().unwrap();
            let points: &[(char, i32)] = match angle {
                0 | 180 => &[('H', angle)],
                _ => &[('H', angle), ('H', -angle), ('V', angle), ('V', -angle)],
            };
            for (orbit, angle) in points {
                asked += weight;
                if let Some(p) = power(*orbit, *angle, i) {
                    sum += weight * p;
                    held += weight;
                }
            }
        }
        (held > 0.0).then(|| (sum / held, held / asked))
    });
    let minus = |a: &Plain, b: &Plain| -> Plain {
        let ((a, share_a), (b, share_b)) = (a.as_ref()?, b.as_ref()?);
        let levels_db = a.iter().zip(b).map(|(a, b)| a - b).collect();
        Some((levels_db, share_a.min(*share_b)))
    };
    let in_room = || -> Plain {
        let parts = [
            (0.12, window.as_ref()?),
            (0.44, reflections.as_ref()?),
            (0.44, sound_power.as_ref()?),
        ];
        let level_db = |i: usize| {
            let power: f64 = parts
                .iter()
                .map(|(w, c)| w * 10f64.powf(c.0[i] / 10.0))
                .sum();
            10.0 * power.log10()
        };
        let completeness = parts.iter().map(|(w, c)| w * c.1).sum();
        Some(((0..count).map(level_db).collect(), completeness))
    };
    let (er_di, sp_di, in_room) = (
        minus(&window, &reflections),
        minus(&window, &sound_power),
        in_room(),
    );
    [
        on_axis,
        window,
        reflections,
        sound_power,
        er_di,
        sp_di,
        in_room,
    ]
}

/// Two ways of ordering the same double arithmetic.
const ORDER_OF_ARITHMETIC: f64 = 1e-9;

/// Compares with the definitions in both readings of the rear wall; how many curves were there.
fn compare(levels: &Levels, response: &Response) -> usize {
    let mut present = 0;
    for (rear_wall, name) in [
        (RearWall::ThreePoints, "rear_3"),
        (RearWall::FullArc, "rear_19"),
    ] {
        let curves = AveragedCurves::from_response(response, rear_wall);
        for ((name, got), wanted) in curves.named().into_iter().zip(by_definition(levels, name)) {
            assert_eq!(got.is_some(), wanted.is_some(), "{name}");
            let (Some(got), Some((levels_db, completeness))) = (got, wanted) else {
                continue;
            };
            present += 1;
            assert!(
                (got.completeness - completeness).abs() < ORDER_OF_ARITHMETIC,
                "{name}"
            );
            for (a, b) in got.levels_db.iter().zip(&levels_db) {
                assert!((a - b).abs() < ORDER_OF_ARITHMETIC, "{name} {a} {b}");
            }
        }
    }
    present
}

/// A seeded generator for the tests. Source: Steele, Lea and Flood 2014, Fast Splittable
/// Pseudorandom Number Generators, OOPSLA, figure 17 (the SplitMix64 mix).
struct Chance(u64);

impl Chance {
    /// From 0 to below 1.
    fn next(&mut self) -> f64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        ((z ^ (z >> 31)) >> 11) as f64 / (1u64 << 53) as f64
    }
}

fn random_levels(chance: &mut Chance) -> Levels {
    both_orbits(|_, _| (0..5).map(|_| 60.0 + 40.0 * chance.next()).collect())
}

#[test]
fn random_responses_average_as_the_definitions_say() {
    let mut chance = Chance(1);
    for _ in 0..20 {
        let levels = random_levels(&mut chance);
        assert_eq!(compare(&levels, &response(&levels)), 14);
    }
}

#[test]
fn missing_angles_are_left_out_and_a_curve_with_too_little_left_is_absent() {
    let mut chance = Chance(2);
    let mut seen = Vec::new();
    for _ in 0..200 {
        let kept = chance.next();
        let mut levels = random_levels(&mut chance);
        levels.retain(|_, _| chance.next() < kept);
        if !levels.is_empty() {
            seen.push(compare(&levels, &response(&levels)));
        }
    }
    // The cases reach from hardly any curve to all seven in both readings.
    assert!(
        seen.iter().any(|n| *n <= 2) && seen.contains(&14),
        "{seen:?}"
    );
}

#[test]
fn without_the_vertical_orbit_the_curves_stand_on_the_horizontal_one_and_say_so() {
    let mut levels = random_levels(&mut Chance(3));
    levels.retain(|(orbit, _), _| *orbit == 'H');
    let response = response(&levels);
    assert_eq!(compare(&levels, &response), 14);
    let curves = AveragedCurves::from_response(&response, RearWall::ThreePoints);
    let completeness = |curve: &Option<Average>| curve.as_ref().unwrap().completeness;
    assert!((completeness(&curves.listening_window) - 7.0 / 9.0).abs() < 1e-12);
    // Three of five zones.
    assert!((completeness(&curves.early_reflections) - 0.6).abs() < 1e-12);
    assert!((completeness(&curves.sound_power) - 0.5).abs() < 1e-3);
}

#[test]
fn a_missing_side_is_its_mirror_image() {
    let full = random_levels(&mut Chance(4));
    let mut half = full.clone();
    half.retain(|(orbit, angle), _| *orbit == 'V' || *angle >= 0);
    let mut image = half.clone();
    for ((orbit, angle), levels_db) in &half {
        if *orbit == 'H' && *angle > 0 && *angle < 180 {
            image.insert((*orbit, -angle), levels_db.clone());
        }
    }
    let (mirrored, orbits) = response(&half).mirrored();
    assert_eq!(orbits, [Orbit::Horizontal]);
    assert_eq!(compare(&image, &mirrored), 14);
    let curves = AveragedCurves::from_response(&mirrored, RearWall::ThreePoints);
    assert!((curves.sound_power.unwrap().completeness - 1.0).abs() < 1e-12);
}

#[test]
fn an_axis_measured_on_the_vertical_orbit_alone_serves_both() {
    let mut levels = random_levels(&mut Chance(5));
    levels.retain(|(orbit, angle), _| *orbit == 'V' || angle % 180 != 0);
    assert_eq!(compare(&levels, &response(&levels)), 14);
}

#[test]
fn shares_of_the_angles_in_the_in_room_response_rebuild_it() {
    // Were all angles equally loud, raising one by a little raises the in-room power by its share.
    let level = |raised: Option<(char, i32)>| {
        both_orbits(|orbit, angle| {
            let is_raised = raised == Some((orbit, angle));
            vec![
                if is_raised {
                    10.0 * 1.001f64.log10()
                } else {
                    0.0
                };
                2
            ]
        })
    };
    let plain = response(&level(None));
    for rear_wall in [RearWall::ThreePoints, RearWall::FullArc] {
        let shares = in_room_shares(&plain, rear_wall);
        assert!((shares.iter().sum::<f64>() - 1.0).abs() < 1e-12);
        for (member, share) in plain.members().iter().zip(shares) {
            let angle = member.direction.angle_deg().round() as i32;
            let orbit = match member.direction.orbit() {
                Orbit::Horizontal => 'H',
                Orbit::Vertical => 'V',
            };
            let raised = response(&level(Some((orbit, angle))));
            let in_room = AveragedCurves::from_response(&raised, rear_wall).in_room;
            let power = 10f64.powf(in_room.unwrap().levels_db[0] / 10.0);
            assert!(
                (power - 1.0 - 0.001 * share).abs() < 1e-12,
                "{orbit} {angle}"
            );
        }
    }
}
