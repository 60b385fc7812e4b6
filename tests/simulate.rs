//! Simulated speakers behave as their physics says.

use planish::curve::Grid;
use planish::response::{Direction, Orbit, Response};
use planish::simulate::{
    BoxTuning, Crossover, Defect, DefectKind, Design, Driver, Fault, Filter, Measurement, Place,
    SecondSource, Sides, Simulated, Slope, Speaker, demo_speakers, full_orbits,
};

/// Speed of sound of the simulation, m/s.
const SPEED_M_PER_S: f64 = 343.0;

fn driver(radius_m: f64, elevation_deg: f64) -> Driver {
    Driver {
        radius_m,
        elevation_deg,
        azimuth_deg: 0.0,
        level_db: 0.0,
        ripple: Vec::new(),
    }
}

fn one_way(radius_m: f64, sphere_radius_m: f64) -> Design {
    Design {
        sphere_radius_m,
        distance_m: None,
        level_db: 0.0,
        drivers: vec![driver(radius_m, 0.0)],
        crossovers: Vec::new(),
        tuning: BoxTuning::Sealed { f_hz: 1.0, q: 0.7 },
        top_hz: 1e6,
        ripple: Vec::new(),
    }
}

fn two_way() -> Design {
    Design {
        sphere_radius_m: 0.16,
        drivers: vec![driver(0.05, -20.0), driver(0.0125, 14.0)],
        crossovers: vec![Crossover {
            f_hz: 2200.0,
            slope: Slope::FourthOrder,
        }],
        ..one_way(0.05, 0.16)
    }
}

fn speaker(design: &Design, faults: Vec<(DefectKind, f64, Fault)>) -> Speaker {
    let defects = faults
        .into_iter()
        .map(|(kind, f_hz, fault)| Defect { kind, f_hz, fault })
        .collect();
    Speaker::new("test", design.clone(), defects).unwrap()
}

fn levels(response: &Response, orbit: Orbit, angle_deg: f64) -> &[f64] {
    &response.at(orbit, angle_deg).unwrap().levels_db
}

/// Level with all defects minus level without any, dB.
fn change_db(speaker: &Speaker, grid: &Grid, orbit: Orbit, angle_deg: f64) -> Vec<f64> {
    let direction = [Direction::new(orbit, angle_deg)];
    let with = speaker.response(grid, &direction).unwrap();
    let without = speaker.healthy().response(grid, &direction).unwrap();
    levels(&with, orbit, angle_deg)
        .iter()
        .zip(levels(&without, orbit, angle_deg))
        .map(|(a, b)| a - b)
        .collect()
}

fn lowest(values: &[f64]) -> (usize, f64) {
    values
        .iter()
        .copied()
        .enumerate()
        .min_by(|a, b| a.1.total_cmp(&b.1))
        .unwrap()
}

fn largest_magnitude(values: &[f64]) -> f64 {
    values.iter().map(|v| v.abs()).fold(0.0, f64::max)
}

fn one_point(f_hz: f64) -> Grid {
    Grid::new(vec![f_hz, 1.01 * f_hz]).unwrap()
}

#[test]
fn a_small_driver_on_a_large_sphere_beams_like_a_piston_in_a_baffle() {
    // tests/data/piston_baffle.csv: 2 J1(u)/u by an independent library. What remains is the
    // curvature of the sphere, 160 driver radii here: 0.055 dB at most (ka 1, 60 degrees).
    const CURVATURE_DB: f64 = 0.08;
    let radius_m = 0.025;
    let off_axis_db = |ka: f64, sphere_radius_m: f64, angle_deg: f64| {
        let f_hz = ka * SPEED_M_PER_S / (2.0 * std::f64::consts::PI * radius_m);
        let directions = [0.0, angle_deg].map(|a| Direction::new(Orbit::Horizontal, a));
        let response = speaker(&one_way(radius_m, sphere_radius_m), Vec::new())
            .response(&one_point(f_hz), &directions)
            .unwrap();
        levels(&response, Orbit::Horizontal, angle_deg)[0]
            - levels(&response, Orbit::Horizontal, 0.0)[0]
    };
    for row in include_str!("data/piston_baffle.csv").lines().skip(2) {
        let v: Vec<f64> = row.split(',').map(|cell| cell.parse().unwrap()).collect();
        for (angle_deg, expected_db) in [(30.0, v[1]), (60.0, v[2])] {
            let found_db = off_axis_db(v[0], 160.0 * radius_m, angle_deg);
            assert!(
                (found_db - expected_db).abs() < CURVATURE_DB,
                "ka {} at {angle_deg} degrees: {found_db} against {expected_db}",
                v[0]
            );
        }
    }
    // The box matters where it is small: 1.3 dB on a sphere of 4 driver radii.
    assert!(off_axis_db(1.0, 4.0 * radius_m, 60.0) < -0.8274 - 1.0);
}

#[test]
fn a_healthy_speaker_is_flat_on_axis_but_for_its_makers_ripple() {
    // Two-way without ripple: crossover sum and voicing leave nothing (voicing floor -40 dB).
    let grid = Grid::logarithmic(100.0, 16_000.0, 12.0);
    for slope in [Slope::SecondOrder, Slope::FourthOrder] {
        let mut design = two_way();
        design.crossovers[0].slope = slope;
        let response = speaker(&design, Vec::new())
            .response(&grid, &[Direction::new(Orbit::Horizontal, 0.0)])
            .unwrap();
        assert!(largest_magnitude(levels(&response, Orbit::Horizontal, 0.0)) < 0.01);
    }
    // Drawn ones: up to seven bumps of 0.4 dB deviation and driver levels off by 0.3 dB.
    let grid = Grid::logarithmic(300.0, 9_000.0, 12.0);
    for seed in 0..40 {
        let healthy = Speaker::draw(seed).healthy();
        let response = healthy
            .response(&grid, &[Direction::new(Orbit::Horizontal, 0.0)])
            .unwrap();
        let on_axis = levels(&response, Orbit::Horizontal, 0.0);
        let mean = on_axis.iter().sum::<f64>() / on_axis.len() as f64;
        let off: Vec<f64> = on_axis.iter().map(|v| v - mean).collect();
        assert!(largest_magnitude(&off) < 2.0, "seed {seed}");
    }
}

#[test]
fn a_resonance_in_front_of_everything_is_the_same_at_all_angles() {
    let filter = Filter::Peaking {
        f_hz: 900.0,
        gain_db: 5.0,
        q: 4.0,
    };
    let fault = Fault::Filter(filter, Place::Whole);
    let speaker = speaker(&two_way(), vec![(DefectKind::Resonance, 900.0, fault)]);
    let grid = Grid::logarithmic(100.0, 10_000.0, 12.0);
    let expected: Vec<f64> = grid
        .freqs_hz()
        .iter()
        .map(|f| 20.0 * filter.response(*f).norm().log10())
        .collect();
    for direction in full_orbits() {
        let found = change_db(&speaker, &grid, direction.orbit(), direction.angle_deg());
        for (a, b) in found.iter().zip(&expected) {
            assert!((a - b).abs() < 1e-9);
        }
    }
}

#[test]
fn a_resonance_of_a_driver_stays_within_what_that_driver_carries() {
    let filter = |f_hz| Filter::Peaking {
        f_hz,
        gain_db: 6.0,
        q: 5.0,
    };
    let in_woofer = |f_hz: f64| {
        let fault = Fault::Filter(filter(f_hz), Place::Driver(0));
        let speaker = speaker(&two_way(), vec![(DefectKind::Resonance, f_hz, fault)]);
        change_db(&speaker, &one_point(f_hz), Orbit::Horizontal, 0.0)[0]
    };
    assert!((in_woofer(500.0) - 6.0).abs() < 0.1);
    // Two octaves above a fourth-order crossover the woofer is 48 dB down.
    assert!(in_woofer(8800.0).abs() < 0.1);
}

#[test]
fn a_late_tweeter_makes_a_dip_that_horizontal_angles_share_and_vertical_ones_do_not() {
    let f_hz = 2200.0;
    let fault = Fault::Offset {
        driver: 1,
        delay_s: 0.4 / f_hz,
        inverted: false,
    };
    let speaker = speaker(&two_way(), vec![(DefectKind::CrossoverPhase, f_hz, fault)]);
    let grid = one_point(f_hz);
    let at = |orbit, angle_deg| change_db(&speaker, &grid, orbit, angle_deg)[0];
    // Linkwitz-Riley halves of 1/2 each, 0.4 periods apart: |1 + e^{j 0.8 pi}| / 2.
    let expected_db = 20.0 * (0.4 * std::f64::consts::PI).cos().log10();
    assert!((at(Orbit::Horizontal, 0.0) - expected_db).abs() < 0.02);
    for angle_deg in [-20.0, -10.0, 10.0, 20.0] {
        let off_db = at(Orbit::Horizontal, angle_deg) - expected_db;
        assert!(off_db.abs() < 1.0, "{angle_deg}: {off_db}");
    }
    // The lobe turns towards the late driver: upwards the sum recovers, downwards it does not.
    let vertical: Vec<f64> = (-6..=6)
        .map(|i| at(Orbit::Vertical, 10.0 * f64::from(i)))
        .collect();
    let highest = vertical.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    assert!(highest > 3.0, "a vertical angle gains: {vertical:?}");
    assert!(
        vertical[8] - vertical[6] > 4.0,
        "20 degrees up: {vertical:?}"
    );
}

#[test]
fn a_directivity_step_leaves_the_axis_flat_and_takes_power_below_the_crossover() {
    let fault = Fault::WideDriver {
        driver: 0,
        radius_m: 0.095,
    };
    let speaker = speaker(
        &two_way(),
        vec![(DefectKind::DirectivityStep, 2000.0, fault)],
    );
    let grid = Grid::logarithmic(200.0, 10_000.0, 12.0);
    let effect = speaker.effect(0, &grid).unwrap();
    assert!(largest_magnitude(&effect.on_axis_db) < 0.1);
    let (i, dip_db) = lowest(&effect.sound_power_db);
    let at_hz = grid.freqs_hz()[i];
    assert!(dip_db < -1.5 && (1000.0..2400.0).contains(&at_hz));
    assert!(effect.sound_power_db[grid.nearest(9000.0)].abs() < 0.1);
}

#[test]
fn a_rear_port_cancels_towards_the_front_and_not_towards_the_back() {
    // A third of a period through the pipe and the way round the sphere bring the port out of
    // phase in front.
    let port = SecondSource {
        driver: 0,
        elevation_deg: 0.0,
        azimuth_deg: 180.0,
        radius_m: 0.03,
        level: 0.9,
        f_hz: 500.0,
        q: 3.0,
        delay_s: 0.65e-3,
        inverted: false,
    };
    let speaker = speaker(
        &two_way(),
        vec![(DefectKind::Cancellation, 500.0, Fault::Source(port))],
    );
    let grid = Grid::logarithmic(250.0, 1000.0, 24.0);
    let front = change_db(&speaker, &grid, Orbit::Horizontal, 0.0);
    let (i, dip_db) = lowest(&front);
    let back_db = change_db(&speaker, &grid, Orbit::Horizontal, 180.0)[i];
    assert!(dip_db < -5.0, "{dip_db}");
    assert!(back_db > dip_db + 5.0, "{back_db}");
}

#[test]
fn a_uniform_ring_of_edges_vanishes_at_the_zeros_of_j0() {
    // A ring of copies late by d - d sin(t) cos(phi) adds up to J0(k d sin t) e^{-jkd}. First zero
    // of J0: 2.404825557695773 (DLMF table 10.21.1). 16 pieces stand for a ring up to J16.
    let distance_m = 0.1;
    let fault = Fault::Edge {
        driver: 0,
        distance_m,
        strength: 0.5,
        shares: vec![1.0; 16],
    };
    let speaker = speaker(
        &one_way(0.008, 0.2),
        vec![(DefectKind::SingleAxisRipple, 3000.0, fault)],
    );
    for angle_deg in [20.0f64, 40.0] {
        let k = 2.404_825_557_695_773 / (distance_m * angle_deg.to_radians().sin());
        let grid = one_point(k * SPEED_M_PER_S / (2.0 * std::f64::consts::PI));
        for orbit in [Orbit::Horizontal, Orbit::Vertical] {
            assert!(change_db(&speaker, &grid, orbit, angle_deg)[0].abs() < 1e-6);
        }
        assert!(change_db(&speaker, &grid, Orbit::Horizontal, 0.0)[0].abs() > 0.5);
    }
    let grid = Grid::logarithmic(1000.0, 10_000.0, 24.0);
    let effect = speaker.effect(0, &grid).unwrap();
    let window = largest_magnitude(&effect.listening_window_db);
    assert!(window < 0.6 * largest_magnitude(&effect.on_axis_db));
}

#[test]
fn a_null_by_reflection_sits_where_the_paths_differ_by_half_a_wave() {
    // Object 0.2 m below: on axis late by 0.2 m, null at c/(2 * 0.2); 30 degrees up late by
    // 0.2 (1 + sin 30) = 0.3 m (standards sheet section 9: first null c/(2d)).
    let fault = Fault::Reflection {
        place_m: [0.0, 0.0, -0.2],
        strength: 0.95,
        f_hz: 700.0,
        // Broad, so that the band's own phase does not move the null.
        q: 0.05,
    };
    let speaker = speaker(&two_way(), vec![(DefectKind::DeepNull, 857.5, fault)]);
    let grid = Grid::logarithmic(350.0, 1400.0, 96.0);
    for (angle_deg, late_m) in [(0.0, 0.2), (30.0, 0.3), (-30.0, 0.1)] {
        let null_hz = SPEED_M_PER_S / (2.0 * late_m);
        let change = change_db(&speaker, &grid, Orbit::Vertical, angle_deg);
        if null_hz < grid.last_hz() {
            let (i, depth_db) = lowest(&change);
            assert!((grid.freqs_hz()[i] / null_hz).log2().abs() < 0.03);
            assert!(depth_db < -15.0);
        } else {
            assert!(lowest(&change).1 > -10.0);
        }
    }
    // Level with the axis, sideways angles keep the path difference.
    let sideways = change_db(&speaker, &grid, Orbit::Horizontal, 20.0);
    let on_axis = change_db(&speaker, &grid, Orbit::Horizontal, 0.0);
    assert_eq!(lowest(&sideways).0, lowest(&on_axis).0);
}

#[test]
fn taking_every_defect_out_leaves_the_healthy_speaker() {
    let speaker = Speaker::draw(11);
    let mut stripped = speaker.clone();
    while !stripped.defects().is_empty() {
        stripped = stripped.without(0);
    }
    assert_eq!(stripped, speaker.healthy());
    assert_eq!(speaker.without(99), speaker);
    let last = speaker.defects().len() - 1;
    let rest = speaker.without(last);
    assert_eq!(rest.defects(), &speaker.defects()[..last]);
    assert_eq!(rest.design(), speaker.design());
}

#[test]
fn the_same_seed_gives_the_same_speaker_and_the_same_noise() {
    let measurement = Measurement {
        noise_db: 0.3,
        seed: 4,
        ..Measurement::default()
    };
    let once = Speaker::draw(3);
    assert_eq!(once, Speaker::draw(3));
    assert_ne!(once, Speaker::draw(4));
    assert_eq!(
        once.measure(&measurement).unwrap(),
        once.measure(&measurement).unwrap()
    );
}

#[test]
fn the_population_has_every_kind_in_its_range() {
    let mut counts = std::collections::BTreeMap::new();
    let speakers = 80;
    for seed in 0..speakers {
        let speaker = Speaker::draw(1000 + seed);
        let defects = speaker.defects();
        assert!((3..=5).contains(&defects.len()));
        for (i, defect) in defects.iter().enumerate() {
            *counts.entry(defect.kind).or_insert(0) += 1;
            assert!((250.0..=9000.0).contains(&defect.f_hz), "{defect:?}");
            for other in &defects[i + 1..] {
                assert_ne!(defect.f_hz, other.f_hz);
            }
        }
    }
    // Eight kinds share about 4 defects a speaker: 40 each. A kind under 20 would be starved by
    // its own check.
    assert_eq!(counts.len(), DefectKind::ALL.len());
    assert!(counts.values().all(|count| *count >= 20), "{counts:?}");
}

#[test]
fn drawn_nulls_are_there_with_the_other_defects_around_them() {
    let grid = Grid::logarithmic(200.0, 12_000.0, 24.0);
    for seed in 0..25 {
        let speaker = Speaker::draw(500 + seed);
        for (i, defect) in speaker.defects().iter().enumerate() {
            let effect = speaker.effect(i, &grid).unwrap();
            let near = grid.range(defect.f_hz / 1.3, defect.f_hz * 1.3);
            let on_axis_db = lowest(&effect.on_axis_db[near.clone()]).1;
            let window_db = lowest(&effect.listening_window_db[near]).1;
            match defect.kind {
                DefectKind::Cancellation | DefectKind::CrossoverPhase => {
                    assert!(
                        on_axis_db < -3.0 && window_db < -2.0,
                        "{seed} {defect:?} {on_axis_db} {window_db}"
                    );
                }
                DefectKind::DeepNull => {
                    assert!(on_axis_db < -6.0, "{seed} {defect:?} {on_axis_db}")
                }
                _ => {}
            }
        }
    }
}

#[test]
fn noise_has_the_stated_size_and_missing_angles_are_missing() {
    let (_, speaker, _) = &demo_speakers().unwrap()[0];
    let measurement = Measurement {
        noise_db: 0.4,
        seed: 9,
        phase: false,
        horizontal: Sides::Positive,
        vertical: Sides::Missing,
        ..Measurement::default()
    };
    let measured = speaker.measure(&measurement).unwrap();
    let clean = speaker
        .response(measured.grid(), &measurement.directions())
        .unwrap();
    assert_eq!(measured.members().len(), 19);
    assert!(!measured.has_orbit(Orbit::Vertical));
    let mut squares = Vec::new();
    for (a, b) in measured.members().iter().zip(clean.members()) {
        assert!(a.phase_deg.is_none() && a.direction.angle_deg() >= 0.0);
        squares.extend(
            a.levels_db
                .iter()
                .zip(&b.levels_db)
                .map(|(a, b)| (a - b).powi(2)),
        );
    }
    let rms = (squares.iter().sum::<f64>() / squares.len() as f64).sqrt();
    // Five standard errors of 19 x 241 values: 5 / sqrt(2 n).
    assert!((rms / 0.4 - 1.0).abs() < 0.053, "{rms}");
    for seed in 0..50 {
        let drawn = Measurement::draw(seed);
        let density = drawn.grid().unwrap().points_per_octave();
        assert!((12.0..48.2).contains(&density) && (0.0..0.5).contains(&drawn.noise_db));
    }
    let curves = speaker.measure_curves(&Measurement::default()).unwrap();
    assert!(curves.in_room.is_some());
}

#[test]
fn phase_keeps_its_turns_on_a_coarse_grid() {
    let speaker = Speaker::draw(2).healthy();
    let fine = Grid::logarithmic(20.0, 20_480.0, 96.0);
    let coarse = Grid::logarithmic(20.0, 20_480.0, 12.0);
    let directions = full_orbits();
    let fine = speaker.response(&fine, &directions).unwrap();
    let coarse = speaker.response(&coarse, &directions).unwrap();
    for (a, b) in fine.members().iter().zip(coarse.members()) {
        let (a, b) = (a.phase_deg.as_ref().unwrap(), b.phase_deg.as_ref().unwrap());
        for (i, phase_deg) in b.iter().enumerate() {
            // One turn lost would be 360; the grids' own frequencies differ in the last digit.
            assert!((a[8 * i] - phase_deg).abs() < 1e-3);
        }
    }
    // Half way round the sphere the sound comes late by the shadow's path, about (1 + pi/2) R:
    // several turns at 20 kHz, which a grid without care would lose.
    let behind = coarse.at(Orbit::Horizontal, 180.0).unwrap();
    assert!(behind.phase_deg.as_ref().unwrap()[120] < -1800.0);
}

#[test]
fn parts_that_do_not_fit_are_refused() {
    let too_large = one_way(0.3, 0.2);
    assert!(Speaker::new("x", too_large, Vec::new()).is_err());
    let mut uneven = two_way();
    uneven.crossovers.clear();
    assert!(Speaker::new("x", uneven, Vec::new()).is_err());
    let stray = Defect {
        kind: DefectKind::CrossoverPhase,
        f_hz: 1000.0,
        fault: Fault::Offset {
            driver: 7,
            delay_s: 0.0,
            inverted: true,
        },
    };
    assert!(Speaker::new("x", two_way(), vec![stray]).is_err());
    let no_grid = Measurement {
        from_hz: -1.0,
        ..Measurement::default()
    };
    let speaker = speaker(&two_way(), Vec::new());
    assert!(speaker.measure(&no_grid).is_err());
    assert!(speaker.response(&one_point(100.0), &[]).is_err());
}
