//! CTA-2034-A averages against closed-form sources and against a plain second computation.

use planish::average::{AveragedCurves, RearWall, in_room_shares, sound_power_weight};
use planish::curve::Grid;
use planish::read::folder::{Measured, read_speaker};
use planish::response::{Direction, Member, Orbit, Response};
use std::f64::consts::PI;
use std::fs;
use std::path::Path;

/// Any grid will do for sources without frequency.
fn grid() -> Grid {
    Grid::logarithmic(100.0, 1000.0, 3.0)
}

/// Both orbits in full, 36 angles each, the level at `(orbit, angle, row)` from a formula.
fn both_orbits(grid: &Grid, level_db: impl Fn(Orbit, f64, usize) -> f64) -> Response {
    let mut members = Vec::new();
    for orbit in [Orbit::Horizontal, Orbit::Vertical] {
        for step in -17..=18 {
            let angle_deg = 10.0 * f64::from(step);
            members.push(Member {
                direction: Direction::new(orbit, angle_deg),
                levels_db: (0..grid.len())
                    .map(|i| level_db(orbit, angle_deg, i))
                    .collect(),
                phase_deg: None,
                mirrored: false,
            });
        }
    }
    Response::new(grid.clone(), members).unwrap()
}

/// Pressure of a closed-form far-field source, on-axis 1. Source: textbook directivities; the
/// vertical pair is two equal in-phase points above one another, `spacing` in wavelengths.
fn pressure(source: &str, orbit: Orbit, angle_deg: f64) -> f64 {
    let (sin, cos) = (angle_deg * PI / 180.0).sin_cos();
    let pair = |spacing: f64| match orbit {
        Orbit::Horizontal => 1.0,
        Orbit::Vertical => (PI * spacing * sin).cos(),
    };
    match source {
        "monopole" => 1.0,
        "dipole" => cos,
        "cardioid" => 0.5 + 0.5 * cos,
        "hypercardioid" => 0.25 + 0.75 * cos,
        "cardioid_cubed" => (0.5 + 0.5 * cos).powi(3),
        "vertical_pair_half_wave" => pair(0.5),
        "vertical_pair_one_wave" => pair(1.0),
        other => panic!("{other}"),
    }
}

/// The table prints six decimals.
const PRINTED_DB: f64 = 1e-6;

/// Source: `tests/data/cta2034_analytic_sources.csv`, computed with NumPy from the closed-form
/// directivities; our early reflections are the mean of the five zone means.
#[test]
fn closed_form_sources_give_the_reference_curves_in_both_readings() {
    let text = fs::read_to_string("tests/data/cta2034_analytic_sources.csv").unwrap();
    let mut lines = text.lines().filter(|line| !line.starts_with('#'));
    let names: Vec<&str> = lines.next().unwrap().split(',').collect();
    let mut checked = 0;
    for line in lines {
        let fields: Vec<&str> = line.split(',').collect();
        let wanted = |name: &str| -> f64 {
            let column = names.iter().position(|n| *n == name).unwrap();
            fields[column].parse().unwrap()
        };
        let response = both_orbits(&grid(), |orbit, angle_deg, _| {
            // A perfect null has no level; 300 dB down it adds nothing that is printed.
            let p = pressure(fields[0], orbit, angle_deg).abs().max(1e-15);
            20.0 * p.log10()
        });
        let three = AveragedCurves::from_response(&response, RearWall::ThreePoints);
        let arc = AveragedCurves::from_response(&response, RearWall::FullArc);
        for (curve, name) in [
            (&three.on_axis, "on_axis_db"),
            (&three.listening_window, "listening_window_db"),
            (&three.early_reflections, "er_zone_mean_rear3_db"),
            (&arc.early_reflections, "er_zone_mean_rear19_db"),
            (&three.sound_power, "sp_normalised_db"),
            (&arc.sound_power, "sp_normalised_db"),
            (&three.sound_power_di, "sp_di_db"),
            (&three.early_reflections_di, "er_di_zone3_db"),
            (&three.in_room, "pir_power_domain_db"),
        ] {
            let got_db = curve.as_ref().unwrap().levels_db[0];
            assert!(
                (got_db - wanted(name)).abs() < PRINTED_DB,
                "{} {name}: {got_db}, not {}",
                fields[0],
                wanted(name)
            );
            checked += 1;
        }
    }
    assert_eq!(checked, 63);
}

/// Source: `tests/data/cta2034_weights.csv`: areas of square pyramids in closed form, and the
/// published nine digits (from memory).
#[test]
fn sound_power_weights_are_the_published_ones() {
    let text = fs::read_to_string("tests/data/cta2034_weights.csv").unwrap();
    let (mut sum, mut count) = (0.0, 0);
    for line in text.lines().skip(2) {
        let fields: Vec<f64> = line.split(',').map(|f| f.parse().unwrap()).collect();
        let [angle_deg, derived, published, points] = fields[..] else {
            panic!("{line}");
        };
        let got = sound_power_weight(angle_deg);
        assert!((got - derived).abs() < 1e-15, "{line}: {got}");
        assert!((got - published).abs() < 1e-9, "{line}: {got}");
        sum += points * got;
        count += 1;
    }
    assert_eq!(count, 19);
    // Source: the 70 weights add up to this and not to 1.
    assert!((sum - 0.996_373_083).abs() < 1e-9, "{sum}");
}

/// A level that no two directions share and that changes with frequency.
fn rough(orbit: Orbit, angle_deg: f64, row: usize) -> f64 {
    let shift = match orbit {
        Orbit::Horizontal => 0.3,
        Orbit::Vertical => 1.7,
    };
    85.0 - 0.08 * angle_deg.abs() + 2.5 * (0.37 * angle_deg + shift + 0.9 * row as f64).sin()
}

/// All curves of one row, computed plainly: every set of angles is written out again, every
/// average is a loop. `has` says which directions exist.
///
/// Source: ANSI/CTA-2034-A (2015), angle sets and weights as restated in the project's reference
/// sheet; a missing angle leaves its average, the remaining weights renormalised.
fn plainly(
    level_db: &dyn Fn(Orbit, f64) -> f64,
    has: &dyn Fn(Orbit, f64) -> bool,
    full_arc: bool,
) -> [Option<f64>; 4] {
    use Orbit::{Horizontal as H, Vertical as V};
    let mean_power = |angles: &[(Orbit, f64)]| -> Option<f64> {
        let mut sum = 0.0;
        let mut count = 0;
        for (orbit, angle_deg) in angles {
            if has(*orbit, *angle_deg) {
                sum += 10f64.powf(level_db(*orbit, *angle_deg) / 10.0);
                count += 1;
            }
        }
        (count > 0).then(|| sum / f64::from(count))
    };
    let window = mean_power(&[
        (H, -30.0),
        (H, -20.0),
        (H, -10.0),
        (H, 0.0),
        (H, 10.0),
        (H, 20.0),
        (H, 30.0),
        (V, -10.0),
        (V, 10.0),
    ]);
    let mut rear = vec![(H, -90.0), (H, 90.0), (H, 180.0)];
    if full_arc {
        for angle in [100.0, 110.0, 120.0, 130.0, 140.0, 150.0, 160.0, 170.0] {
            rear.push((H, angle));
            rear.push((H, -angle));
        }
    }
    let zones = [
        mean_power(&[(V, -20.0), (V, -30.0), (V, -40.0)]),
        mean_power(&[(V, 40.0), (V, 50.0), (V, 60.0)]),
        mean_power(&[
            (H, 0.0),
            (H, 10.0),
            (H, -10.0),
            (H, 20.0),
            (H, -20.0),
            (H, 30.0),
            (H, -30.0),
        ]),
        mean_power(&[
            (H, 40.0),
            (H, -40.0),
            (H, 50.0),
            (H, -50.0),
            (H, 60.0),
            (H, -60.0),
            (H, 70.0),
            (H, -70.0),
            (H, 80.0),
            (H, -80.0),
        ]),
        mean_power(&rear),
    ];
    let present: Vec<f64> = zones.into_iter().flatten().collect();
    let reflections =
        (!present.is_empty()).then(|| present.iter().sum::<f64>() / present.len() as f64);
    // Weights as published, nine digits.
    let weights = [
        0.000604486,
        0.004730189,
        0.008955027,
        0.012387354,
        0.014989611,
        0.016868154,
        0.018165962,
        0.019006744,
        0.019477787,
        0.019629373,
    ];
    let (mut sum, mut used) = (0.0, 0.0);
    for orbit in [H, V] {
        for step in -17..=18i32 {
            let angle_deg = 10.0 * f64::from(step);
            // The axis and its back are one direction each and count once.
            if orbit == V && (step == 0 || step == 18) {
                continue;
            }
            if has(orbit, angle_deg) {
                let off = step.unsigned_abs() as usize;
                let weight = weights[off.min(18 - off)];
                sum += weight * 10f64.powf(level_db(orbit, angle_deg) / 10.0);
                used += weight;
            }
        }
    }
    let power = (used > 0.0).then(|| sum / used);
    let in_room = match (window, reflections, power) {
        (Some(w), Some(r), Some(p)) => Some(0.12 * w + 0.44 * r + 0.44 * p),
        _ => None,
    };
    [window, reflections, power, in_room].map(|power| power.map(|p| 10.0 * p.log10()))
}

/// The plain computation uses weights of nine digits.
const NINE_DIGITS_DB: f64 = 1e-6;

fn compare(
    response: &Response,
    level_db: &dyn Fn(Orbit, f64, usize) -> f64,
    has: &dyn Fn(Orbit, f64) -> bool,
) {
    for (rear_wall, full_arc) in [(RearWall::ThreePoints, false), (RearWall::FullArc, true)] {
        let curves = AveragedCurves::from_response(response, rear_wall);
        for row in 0..response.grid().len() {
            let wanted = plainly(&|o, a| level_db(o, a, row), has, full_arc);
            let got = [
                &curves.listening_window,
                &curves.early_reflections,
                &curves.sound_power,
                &curves.in_room,
            ];
            for (i, (got, wanted)) in got.into_iter().zip(wanted).enumerate() {
                let got_db = got.as_ref().map(|curve| curve.levels_db[row]).unwrap();
                assert!(
                    (got_db - wanted.unwrap()).abs() < NINE_DIGITS_DB,
                    "curve {i}, row {row}: {got_db} {wanted:?}"
                );
            }
        }
    }
}

fn without(response: &Response, leave_out: &dyn Fn(Orbit, f64) -> bool) -> Response {
    let members = response
        .members()
        .iter()
        .filter(|m| !leave_out(m.direction.orbit(), m.direction.angle_deg()))
        .cloned()
        .collect();
    Response::new(response.grid().clone(), members).unwrap()
}

#[test]
fn the_full_orbits_agree_with_the_plain_computation() {
    let response = both_orbits(&grid(), rough);
    compare(&response, &rough, &|_, _| true);
    let curves = AveragedCurves::from_response(&response, RearWall::ThreePoints);
    for (name, curve) in curves.named() {
        assert!((curve.unwrap().completeness - 1.0).abs() < 1e-12, "{name}");
    }
    for row in 0..response.grid().len() {
        let di_db = curves.sound_power_di.as_ref().unwrap().levels_db[row];
        let lw_db = curves.listening_window.as_ref().unwrap().levels_db[row];
        let sp_db = curves.sound_power.as_ref().unwrap().levels_db[row];
        assert_eq!(di_db, lw_db - sp_db);
    }
}

#[test]
fn without_the_vertical_orbit_the_rest_is_renormalised() {
    let full = both_orbits(&grid(), rough);
    let response = without(&full, &|orbit, _| orbit == Orbit::Vertical);
    compare(&response, &rough, &|orbit, _| orbit == Orbit::Horizontal);
    let curves = AveragedCurves::from_response(&response, RearWall::ThreePoints);
    let share = |curve: &Option<planish::average::Average>| curve.as_ref().unwrap().completeness;
    // By counting: 7 of 9 angles, 3 of 5 zones.
    assert!((share(&curves.listening_window) - 7.0 / 9.0).abs() < 1e-12);
    assert!((share(&curves.early_reflections) - 0.6).abs() < 1e-12);
    assert!((share(&curves.sound_power) - 0.5).abs() < 1e-3);
}

#[test]
fn missing_angles_leave_their_averages() {
    let gone = |orbit: Orbit, angle_deg: f64| match orbit {
        Orbit::Horizontal => [20.0, -70.0, 130.0, 180.0].contains(&angle_deg),
        // The floor has one angle left, the ceiling none.
        Orbit::Vertical => [-20.0, -40.0, 40.0, 50.0, 60.0, 10.0, 180.0].contains(&angle_deg),
    };
    let response = without(&both_orbits(&grid(), rough), &gone);
    compare(&response, &rough, &|orbit, angle| !gone(orbit, angle));
    let curves = AveragedCurves::from_response(&response, RearWall::ThreePoints);
    // By counting: floor 1/3, ceiling 0, front 6/7, side 9/10, rear 2/3, of five zones.
    let wanted = (1.0 / 3.0 + 6.0 / 7.0 + 0.9 + 2.0 / 3.0) / 5.0;
    let share = curves.early_reflections.unwrap().completeness;
    assert!((share - wanted).abs() < 1e-12, "{share}");
}

#[test]
fn a_missing_side_counts_as_its_mirror_image() {
    let one_sided = without(&both_orbits(&grid(), rough), &|_, angle_deg| {
        angle_deg < 0.0
    });
    let (response, filled) = one_sided.mirrored();
    assert_eq!(filled.len(), 2);
    compare(&response, &|o, a, row| rough(o, a.abs(), row), &|_, _| true);
}

#[test]
fn the_axis_of_the_vertical_orbit_stands_in_for_the_horizontal() {
    let response = without(&both_orbits(&grid(), rough), &|orbit, angle_deg| {
        orbit == Orbit::Horizontal && (angle_deg == 0.0 || angle_deg == 180.0)
    });
    let stand_in = |orbit: Orbit, angle_deg: f64, row: usize| match angle_deg {
        0.0 | 180.0 => rough(Orbit::Vertical, angle_deg, row),
        _ => rough(orbit, angle_deg, row),
    };
    compare(&response, &stand_in, &|_, _| true);
}

#[test]
fn with_too_little_left_a_curve_is_absent() {
    let front = without(&both_orbits(&grid(), rough), &|orbit, angle_deg| {
        orbit == Orbit::Vertical || angle_deg.abs() > 30.0
    });
    let curves = AveragedCurves::from_response(&front, RearWall::ThreePoints);
    assert!(curves.on_axis.is_some() && curves.listening_window.is_some());
    assert!(curves.early_reflections.is_none() && curves.sound_power.is_none());
    assert!(curves.in_room.is_none() && curves.sound_power_di.is_none());
}

/// The share of a member is what one part in a million of more power there adds to the in-room
/// response of members that are all equally loud.
#[test]
fn in_room_shares_are_the_derivative_of_the_in_room_response() {
    let response = both_orbits(&grid(), |_, _, _| 0.0);
    let shares = in_room_shares(&response, RearWall::ThreePoints);
    assert!((shares.iter().sum::<f64>() - 1.0).abs() < 1e-12);
    let in_room_power = |response: &Response| {
        let curves = AveragedCurves::from_response(response, RearWall::ThreePoints);
        10f64.powf(curves.in_room.unwrap().levels_db[0] / 10.0)
    };
    for (i, share) in shares.iter().enumerate() {
        let mut members = response.members().to_vec();
        members[i].levels_db[0] = 10.0 * 1.001f64.log10();
        let louder = Response::new(response.grid().clone(), members).unwrap();
        let derivative = (in_room_power(&louder) - 1.0) / 0.001;
        assert!(
            (derivative - share).abs() < 1e-9,
            "{i}: {derivative} {share}"
        );
    }
}

#[test]
fn the_measured_speaker_agrees_with_the_plain_computation() {
    let speaker = read_speaker(Path::new("tests/data/measured_a")).unwrap();
    let Measured::Angles(response) = &speaker.measured else {
        panic!("orbits were given");
    };
    let level_db = |orbit: Orbit, angle_deg: f64, row: usize| {
        response.at(orbit, angle_deg).unwrap().levels_db[row]
    };
    compare(response, &level_db, &|_, _| true);
}
