//! The fit against outside numbers: a reference problem solved elsewhere, curves whose exact
//! answer is known, and input that cannot be fitted.

mod fit_problems;

use fit_problems::{device, device_of, gains_db, knobs, limits, peaking, range};
use planish::device::{Device, Setting};
use planish::filter::{Kind, Stage};
use planish::fit::{Fit, Options, Wanted, fit};

fn rows() -> Vec<f64> {
    fit_problems::rows(240)
}

fn fit_evenly(freqs_hz: &[f64], gain_db: &[f64], device: &Device, options: &Options) -> Fit {
    let weights = vec![1.0; freqs_hz.len()];
    fit(
        &Wanted {
            freqs_hz,
            gain_db,
            weights: &weights,
        },
        device,
        options,
    )
    .unwrap()
}

fn rms_db(freqs_hz: &[f64], gain_db: &[f64], fit: &Fit) -> f64 {
    let sum: f64 = gains_db(&fit.stages, freqs_hz)
        .iter()
        .zip(gain_db)
        .map(|(g, w)| (w - fit.level_db - g).powi(2))
        .sum();
    (sum / freqs_hz.len() as f64).sqrt()
}

#[test]
fn the_reference_problem_is_solved_as_well_as_by_joint_refinement_with_restarts() {
    // tests/data/eq_fit_baseline.csv; the formula, grid and limits are those of its first line.
    let target = [
        (110.0, 2.5, 0.45),
        (190.0, -2.0, 0.25),
        (340.0, 1.8, 0.2),
        (620.0, -2.4, 0.35),
        (980.0, 3.2, 0.12),
        (1450.0, -1.6, 0.18),
        (2100.0, 2.2, 0.3),
        (3050.0, -3.5, 0.22),
        (4300.0, 2.8, 0.15),
        (6100.0, -1.5, 0.2),
        (8200.0, 2.4, 0.35),
        (12500.0, -2.2, 0.3),
    ];
    let freqs_hz: Vec<f64> = (-1000..1000)
        .map(|k| 1000.0 * 10f64.powf(0.3 * f64::from(k) / 24.0))
        .filter(|f| (99.0..=16200.0).contains(f))
        .collect();
    assert_eq!(freqs_hz.len(), 177);
    let gain_db: Vec<f64> = freqs_hz
        .iter()
        .map(|f| {
            -target
                .iter()
                .map(|(fc, g, s)| g * (-((f / fc).log2() / s).powi(2)).exp())
                .sum::<f64>()
        })
        .collect();
    let baseline = include_str!("data/eq_fit_baseline.csv");
    let mut checked = 0;
    for line in baseline
        .lines()
        .filter(|l| l.starts_with(|c: char| c.is_ascii_digit()))
    {
        let numbers: Vec<f64> = line.split(',').map(|n| n.parse().unwrap()).collect();
        let (sections, joint_rms_db) = (numbers[0] as usize, numbers[3]);
        let device = device_of(
            sections,
            vec![limits(
                Kind::Peaking,
                range(60.0, 18000.0),
                range(-12.0, 12.0),
                range(0.3, 12.0),
            )],
        );
        let options = Options {
            stages: Some(sections),
            level_cost: f64::INFINITY,
            ..Options::default()
        };
        let fit = fit_evenly(&freqs_hz, &gain_db, &device, &options);
        // The table is printed to 1e-4 dB.
        assert!(
            fit.rms_db <= joint_rms_db + 0.5e-4,
            "{sections} sections: {} dB, elsewhere {joint_rms_db} dB",
            fit.rms_db
        );
        assert!((rms_db(&freqs_hz, &gain_db, &fit) - fit.rms_db).abs() < 1e-8);
        println!("{sections} {:.4} {joint_rms_db:.4}", fit.rms_db);
        checked += 1;
    }
    assert_eq!(checked, 15);
}

#[test]
fn of_two_shelves_that_do_the_same_the_one_without_a_level_is_taken_where_a_level_costs() {
    // With a free level a low shelf of -6 dB and a high shelf of +6 dB do the same.
    let freqs_hz = rows();
    for kind in [Kind::LowShelf, Kind::HighShelf] {
        let stage = Stage {
            kind,
            f0_hz: 700.0,
            gain_db: -6.0,
            q: 0.7,
        };
        let options = Options {
            level_cost: 0.01,
            ..Options::default()
        };
        let wanted_db = gains_db(&[stage], &freqs_hz);
        let fit = fit_evenly(&freqs_hz, &wanted_db, &device(3), &options);
        assert_eq!(fit.stages.len(), 1);
        assert_eq!(fit.stages[0].kind, kind);
        assert!(fit.level_db.abs() < 1e-3, "{}", fit.level_db);
        assert!(fit.rms_db < 1e-3);
    }
}

#[test]
fn one_stage_is_found_exactly_with_its_level() {
    let freqs_hz = rows();
    for kind in [Kind::Peaking, Kind::LowShelf, Kind::HighShelf] {
        let stage = Stage {
            kind,
            f0_hz: 1234.0,
            gain_db: -5.5,
            q: 0.9,
        };
        let gain_db: Vec<f64> = gains_db(&[stage], &freqs_hz)
            .iter()
            .map(|g| g + 3.0)
            .collect();
        let fit = fit_evenly(&freqs_hz, &gain_db, &device(10), &Options::default());
        assert_eq!(fit.stages.len(), 1, "{kind}: {fit:?}");
        let found = fit.stages[0];
        if found.kind == kind {
            assert!(
                (found.f0_hz / 1234.0 - 1.0).abs() < 1e-5
                    && (found.gain_db + 5.5).abs() < 1e-5
                    && (found.q - 0.9).abs() < 1e-5
            );
            assert!((fit.level_db - 3.0).abs() < 1e-5);
        }
        assert!(fit.rms_db < 1e-5);
    }
}

#[test]
fn a_curve_that_wants_nothing_gets_no_stage() {
    let freqs_hz = rows();
    let fit = fit_evenly(
        &freqs_hz,
        &vec![-4.0; freqs_hz.len()],
        &device(10),
        &Options::default(),
    );
    assert!(fit.stages.is_empty());
    assert!((fit.level_db + 4.0).abs() < 1e-12);
    assert_eq!(fit.ladder.len(), 11);
}

#[test]
fn rows_without_weight_have_no_say() {
    let freqs_hz = rows();
    let stage = peaking(500.0, 4.0, 2.0);
    let mut gain_db = gains_db(&[stage], &freqs_hz);
    let mut weights = vec![1.0; gain_db.len()];
    for i in 200..240 {
        gain_db[i] += 20.0;
        weights[i] = 0.0;
    }
    let wanted = Wanted {
        freqs_hz: &freqs_hz,
        gain_db: &gain_db,
        weights: &weights,
    };
    let fit = fit(&wanted, &device(5), &Options::default()).unwrap();
    assert!(fit.rms_db < 1e-5 && fit.stages.len() == 1);
}

#[test]
fn boosts_and_cuts_keep_their_own_limits() {
    let freqs_hz = rows();
    let stages = [
        peaking(100.0, 8.0, 5.0),
        peaking(700.0, -8.0, 5.0),
        peaking(3000.0, 6.0, 4.0),
        peaking(8000.0, -5.0, 3.0),
    ];
    let gain_db = gains_db(&stages, &freqs_hz);
    let options = Options {
        boost_q_at_most: Some(2.0),
        boost_at_most_db: Some(3.0),
        cut_q_at_most: Some(4.5),
        cut_at_most_db: Some(7.0),
        ..Options::default()
    };
    let fit = fit_evenly(&freqs_hz, &gain_db, &device(8), &options);
    assert!(fit.stages.iter().any(|s| s.gain_db > 1.0));
    assert!(fit.stages.iter().any(|s| s.gain_db < -6.0 && s.q > 4.0));
    for stage in &fit.stages {
        let (most_db, most_q) = if stage.gain_db > 0.0 {
            (3.0, 2.0)
        } else {
            (7.0, 4.5)
        };
        assert!(
            stage.gain_db.abs() <= most_db + 1e-9 && stage.q <= most_q + 1e-9,
            "{stage:?}"
        );
    }
}

#[test]
fn forbidden_types_and_counts_by_type_are_kept() {
    let freqs_hz = rows();
    let gain_db: Vec<f64> = freqs_hz
        .iter()
        .map(|f| 5.0 * (f / 20.0).log10() + (3.0 * f.ln()).sin())
        .collect();
    let mut six = device(6);
    six.limits[0].at_most = Some(2);
    let options = Options {
        stages: Some(6),
        forbid: vec![Kind::HighShelf],
        ..Options::default()
    };
    let fit = fit_evenly(&freqs_hz, &gain_db, &six, &options);
    assert!(fit.stages.iter().all(|s| s.kind != Kind::HighShelf));
    assert!(
        fit.stages
            .iter()
            .filter(|s| s.kind == Kind::Peaking)
            .count()
            <= 2
    );
    assert!(fit.stages.len() > 2);
}

#[test]
fn the_same_input_gives_the_same_bytes_on_any_thread() {
    let freqs_hz = rows();
    let gain_db: Vec<f64> = freqs_hz
        .iter()
        .map(|f| 3.0 * (2.0 * f.ln()).sin() + (5.0 * f.ln()).cos())
        .collect();
    let one = fit_evenly(&freqs_hz, &gain_db, &device(6), &Options::default());
    std::thread::scope(|scope| {
        let runs: Vec<_> = (0..2)
            .map(|_| {
                scope.spawn(|| fit_evenly(&freqs_hz, &gain_db, &device(6), &Options::default()))
            })
            .collect();
        for run in runs {
            assert_eq!(run.join().unwrap(), one);
        }
    });
}

/// Settings of three stages, level and rms of the fit below.
const BITS: &str = "[40652f9a03df0cac, 3ff9917c1bc43233, 3fd9769bdcf401a0, 4075d73dfc1f84dc, \
    4006fc7173b5ff00, 3fe71014b8e80a08, 408f804f5f1074e8, 3fff5ae17bded2b6, 3fdc70251c5427db, \
    c0003703e3ae0129, 3f9186bf479997db]";

#[test]
fn the_bits_of_a_fit_are_those_of_every_machine_and_every_build() {
    // Ours, printed by this very fit: with and without the vector unit (see `fit/gram.rs`) and
    // with and without optimisation it has to come to them. The curve takes no function that a
    // system library might round in another way.
    let freqs_hz: Vec<f64> = (0..200).map(|i| 25.0 + f64::from(i * i) / 2.0).collect();
    let gain_db: Vec<f64> = freqs_hz
        .iter()
        .map(|f| 4.0 / (1.0 + (f / 300.0 - 1.0) * (f / 300.0 - 1.0)) - 900.0 / (f + 200.0))
        .collect();
    let options = Options {
        stages: Some(3),
        ..Options::default()
    };
    let fit = fit_evenly(&freqs_hz, &gain_db, &device(3), &options);
    let bits: Vec<u64> = fit
        .stages
        .iter()
        .flat_map(|s| [s.f0_hz, s.gain_db, s.q])
        .chain([fit.level_db, fit.rms_db])
        .map(f64::to_bits)
        .collect();
    assert_eq!(format!("{bits:x?}"), BITS);
}

#[test]
fn the_ladder_never_rises_and_the_fewest_stages_near_the_best_are_kept() {
    let freqs_hz = rows();
    let gain_db: Vec<f64> = freqs_hz
        .iter()
        .map(|f| 3.0 * (2.5 * f.ln()).sin() + (0.9 * f.ln()).cos())
        .collect();
    let fit = fit_evenly(&freqs_hz, &gain_db, &device(10), &Options::default());
    assert_eq!(fit.ladder.len(), 11);
    assert!(
        fit.ladder
            .windows(2)
            .all(|pair| pair[1].rms_db <= pair[0].rms_db)
    );
    let best_db = fit.ladder[10].rms_db;
    assert!(fit.rms_db <= 1.02 * best_db + 1e-9, "{fit:?}");
    if let Some(fewer) = fit.stages.len().checked_sub(1) {
        assert!(fit.ladder[fewer].rms_db > 1.02 * best_db, "{fit:?}");
    }
}

#[test]
fn what_cannot_be_fitted_is_an_error_and_no_panic() {
    let ok = [100.0, 200.0, 400.0];
    let zero = [0.0; 3];
    let one = [1.0; 3];
    let attempt = |freqs_hz: &[f64], gain_db: &[f64], weights: &[f64], device: &Device| {
        fit(
            &Wanted {
                freqs_hz,
                gain_db,
                weights,
            },
            device,
            &Options::default(),
        )
    };
    let device = device(3);
    assert!(attempt(&ok, &zero, &one, &device).is_ok());
    assert!(attempt(&[], &[], &[], &device).is_err());
    assert!(attempt(&ok, &zero[..2], &one, &device).is_err());
    assert!(attempt(&ok, &zero, &one[..2], &device).is_err());
    assert!(attempt(&[100.0, 100.0, 400.0], &zero, &one, &device).is_err());
    assert!(attempt(&[100.0, f64::NAN, 400.0], &zero, &one, &device).is_err());
    assert!(attempt(&[100.0, 200.0, 24000.0], &zero, &one, &device).is_err());
    assert!(attempt(&[0.0, 200.0, 400.0], &zero, &one, &device).is_err());
    assert!(attempt(&ok, &[0.0, f64::INFINITY, 0.0], &one, &device).is_err());
    assert!(attempt(&ok, &zero, &[1.0, -1.0, 1.0], &device).is_err());
    assert!(attempt(&ok, &zero, &[0.0; 3], &device).is_err());
    assert!(attempt(&ok, &zero, &[f64::NAN; 3], &device).is_err());
    let mut empty = device.clone();
    empty.limits.clear();
    assert!(attempt(&ok, &zero, &one, &empty).is_err());
    let mut reversed = device.clone();
    reversed.limits[0].q = range(2.0, 1.0);
    assert!(attempt(&ok, &zero, &one, &reversed).is_err());
    // Hard, but allowed: two rows, a huge wish, a single row.
    assert!(attempt(&ok[..2], &[1e6, -1e6], &one[..2], &device).is_ok());
    assert!(attempt(&ok[..1], &[5.0], &one[..1], &device).is_ok());
    assert!(attempt(&ok, &[1e150, -1e150, 1e150], &[1e-300, 1e300, 1.0], &device).is_ok());
}

fn is_on(setting: &Setting, value: f64) -> bool {
    setting.values().unwrap().contains(&value)
}

#[test]
fn on_a_device_with_steps_every_number_is_one_of_its_own_and_beats_plain_rounding() {
    let freqs_hz = rows();
    let mut needed = 0;
    for k in 0..6 {
        // Broad bumps and dips that lie between the knobs' places.
        let bump = |f: f64, at_hz: f64, size_db: f64, width_oct: f64| {
            size_db * (-((f / at_hz).log2() / width_oct).powi(2)).exp()
        };
        let gain_db: Vec<f64> = freqs_hz
            .iter()
            .map(|f| {
                let shift = 1.0 + 0.06 * f64::from(k);
                bump(*f, 55.0 * shift, -6.0, 0.5)
                    + bump(*f, 290.0 / shift, 3.5, 0.7)
                    + bump(*f, 1450.0 * shift, -4.0, 0.4)
                    + bump(*f, 5900.0 * shift, 2.5, 0.9)
            })
            .collect();
        let device = knobs(6);
        let options = Options {
            stages: Some(6),
            ..Options::default()
        };
        let fit = fit_evenly(&freqs_hz, &gain_db, &device, &options);
        let limits = &device.limits[0];
        for stage in &fit.stages {
            assert!(is_on(&limits.f0_hz, stage.f0_hz), "{stage:?}");
            assert!(is_on(&limits.gain_db, stage.gain_db), "{stage:?}");
            assert!(is_on(&limits.q, stage.q), "{stage:?}");
        }
        let rounded_rms_db = fit.rounded_rms_db.unwrap();
        assert!(fit.rms_db <= rounded_rms_db);
        assert!((rms_db(&freqs_hz, &gain_db, &fit) - fit.rms_db).abs() < 1e-8);
        println!(
            "{:.4} continuous, {rounded_rms_db:.4} rounded, {:.4} searched",
            fit.continuous_rms_db, fit.rms_db
        );
        needed += usize::from(rounded_rms_db > 1.5 * fit.rms_db);
    }
    // Rounding has to be plainly bad for the search to prove anything.
    assert!(needed >= 4, "{needed}");
}

#[test]
fn on_a_small_grid_the_search_finds_what_trying_everything_finds() {
    let freqs_hz: Vec<f64> = (0..60)
        .map(|i| 50.0 * 200f64.powf(f64::from(i) / 59.0))
        .collect();
    let (places, gains, widths) = (
        [125.0, 250.0, 500.0, 1000.0, 2000.0, 4000.0],
        [-6.0, -4.0, -2.0, 2.0, 4.0],
        [0.7, 1.4, 2.8],
    );
    let device = device_of(
        2,
        vec![limits(
            Kind::Peaking,
            Setting::List(places.to_vec()),
            Setting::List(gains.to_vec()),
            Setting::List(widths.to_vec()),
        )],
    );
    let mut stages = Vec::new();
    for f0_hz in places {
        for gain_db in gains {
            for q in widths {
                stages.push(peaking(f0_hz, gain_db, q));
            }
        }
    }
    let responses: Vec<Vec<f64>> = stages.iter().map(|s| gains_db(&[*s], &freqs_hz)).collect();
    for k in 0..5 {
        let phase = 0.9 * f64::from(k);
        let gain_db: Vec<f64> = freqs_hz
            .iter()
            .map(|f| 3.0 * (1.5 * f.ln() + phase).sin() + (4.0 * f.ln()).cos())
            .collect();
        let spread_db = |left: &[f64]| {
            let mean = left.iter().sum::<f64>() / left.len() as f64;
            (left.iter().map(|l| (l - mean).powi(2)).sum::<f64>() / left.len() as f64).sqrt()
        };
        let mut best_db = f64::INFINITY;
        for a in &responses {
            for b in &responses {
                let left: Vec<f64> = gain_db
                    .iter()
                    .zip(a.iter().zip(b))
                    .map(|(w, (a, b))| w - a - b)
                    .collect();
                best_db = best_db.min(spread_db(&left));
            }
        }
        let options = Options {
            stages: Some(2),
            ..Options::default()
        };
        let fit = fit_evenly(&freqs_hz, &gain_db, &device, &options);
        assert!(
            fit.rms_db <= 1.02 * best_db,
            "{k}: {} found, {best_db} exists",
            fit.rms_db
        );
    }
}

/// A boost and a cut of more than 1 dB within half an octave.
fn opposed(stages: &[Stage]) -> Vec<[usize; 2]> {
    let pairs = (0..stages.len()).flat_map(|i| (0..i).map(move |j| [j, i]));
    pairs
        .filter(|[j, i]| {
            let (a, b) = (&stages[*j], &stages[*i]);
            a.gain_db * b.gain_db < 0.0
                && a.gain_db.abs().min(b.gain_db.abs()) > 1.0
                && (a.f0_hz / b.f0_hz).log2().abs() <= 0.5
        })
        .collect()
}

#[test]
fn opposed_stages_stay_only_where_leaving_them_out_costs_what_is_stated() {
    const SHARE: f64 = 0.05;
    let freqs_hz = rows();
    let calm = Options {
        opposed_share: Some(SHARE),
        ..Options::default()
    };
    let mut left_out = 0;
    for k in 0..8 {
        // Ten bumps and dips side by side, the same every time: fractions of the golden ratio.
        let part = |i: usize| ((7 * k + i) as f64 * 0.618_033_988_749_895).fract();
        let wanted: Vec<Stage> = (0..10)
            .map(|i| {
                let f0_hz = 150.0 * (0.6 * (i as f64 + part(3 * i))).exp2();
                peaking(
                    f0_hz,
                    8.0 * part(3 * i + 1) - 4.0,
                    1.0 + 3.0 * part(3 * i + 2),
                )
            })
            .collect();
        let gain_db = gains_db(&wanted, &freqs_hz);
        let weights = vec![1.0; freqs_hz.len()];
        let wanted = Wanted {
            freqs_hz: &freqs_hz,
            gain_db: &gain_db,
            weights: &weights,
        };
        let device = device(12);
        let free = fit(&wanted, &device, &Options::default()).unwrap();
        let fit = fit(&wanted, &device, &calm).unwrap();
        left_out += usize::from(opposed(&fit.stages).len() < opposed(&free.stages).len());
        let none = free.ladder[0].rms_db.powi(2);
        for pair in opposed(&fit.stages) {
            let fewer: Vec<Stage> = (fit.stages.iter().enumerate())
                .filter(|(i, _)| !pair.contains(i))
                .map(|(_, stage)| *stage)
                .collect();
            let without =
                planish::fit::refine(&wanted, &device, &Options::default(), &fewer).unwrap();
            let costs = without.rms_db.powi(2) - fit.rms_db.powi(2);
            assert!(
                costs > 0.9 * SHARE * (none - fit.rms_db.powi(2)),
                "{k}: {costs}"
            );
        }
    }
    assert!(left_out > 0, "nothing was left out");
    // A bump beside a dip is no such pair: nothing else makes it.
    let both = gains_db(
        &[peaking(1000.0, 4.0, 4.0), peaking(1350.0, -4.0, 4.0)],
        &freqs_hz,
    );
    let fit = fit_evenly(&freqs_hz, &both, &device(12), &calm);
    assert_eq!(opposed(&fit.stages).len(), 1, "{:?}", fit.stages);
}
