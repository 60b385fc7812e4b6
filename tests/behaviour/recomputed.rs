//! Every figure of a plan, computed again from `curves.csv`, `filters.txt` and the measured tables.

use super::made::{Made, Orbit, Planned, beaming_db, bell_db, per_octave};
use super::written::{Curves, List};
use std::path::Path;

/// Levels in `curves.csv` have four decimals.
const PRINTED_DB: f64 = 0.0001;

/// Figures made of rounded levels: the rounding averages out.
const FIGURE_DB: f64 = 0.002;

/// A level of the made-up speaker, dB: what angles share, what they do not, and a box that ends
/// at 50 Hz.
fn level_db(f_hz: f64, orbit: Orbit, angle_deg: f64) -> f64 {
    let off = angle_deg.abs();
    let shared = bell_db(f_hz, 900.0, 5.0, 3.0) + bell_db(f_hz, 2600.0, -3.0, 1.2);
    let side = bell_db(f_hz, 5000.0, 4.0 * (off / 90.0).min(1.0), 1.5);
    let own = match orbit {
        Orbit::Vertical => bell_db(f_hz, 1700.0, -0.1 * off.min(60.0), 2.0),
        // Each angle has a ripple at its own place, so that they get rougher by different amounts.
        Orbit::Horizontal => bell_db(f_hz, 900.0 * (1.0 + angle_deg / 60.0).max(0.2), -2.5, 3.0),
    };
    let box_db = -10.0 * (1.0 + (50.0 / f_hz).powi(8)).log10();
    85.0 + shared + side + own + box_db + beaming_db(f_hz, angle_deg)
}

/// On the audit's own frequencies, so that nothing is read between them.
fn speaker() -> Made {
    Made::of_angles(&per_octave(48.0), &level_db, "")
}

/// Weight of each frequency of the plan, adding up to 1: what hearing resolves in an octave there
/// (Glasberg and Moore 1990, Hearing Research 47, 103-138, eq. 4, the derivative of
/// `21.4 lg(4.37 F + 1)` along log2 F, F in kHz), nothing outside the judged band.
fn weights(planned: &Planned) -> Vec<f64> {
    let band = planned.number("judged_from_hz")..=planned.number("judged_to_hz");
    let per_octave = |f_hz: f64| {
        let x = 4.37 * f_hz / 1000.0;
        if band.contains(&f_hz) {
            x / (x + 1.0)
        } else {
            0.0
        }
    };
    let mut weights: Vec<f64> = planned
        .list("freq_hz")
        .into_iter()
        .map(per_octave)
        .collect();
    // The first and the last frequency stand for half as much: nothing lies beyond them.
    let last = weights.len() - 1;
    weights[0] *= 0.5;
    weights[last] *= 0.5;
    let sum: f64 = weights.iter().sum();
    weights.into_iter().map(|w| w / sum).collect()
}

fn mean(values: &[f64], weights: &[f64]) -> f64 {
    values.iter().zip(weights).map(|(v, w)| v * w).sum()
}

/// Weighted mean square round the weighted mean.
fn variance(values: &[f64], weights: &[f64]) -> f64 {
    let middle = mean(values, weights);
    let squares: Vec<f64> = values.iter().map(|v| (v - middle).powi(2)).collect();
    mean(&squares, weights)
}

fn sum(a: &[f64], b: &[f64]) -> Vec<f64> {
    a.iter().zip(b).map(|(a, b)| a + b).collect()
}

fn difference(a: &[f64], b: &[f64]) -> Vec<f64> {
    a.iter().zip(b).map(|(a, b)| a - b).collect()
}

/// The trend of values in equal steps of log frequency: at each the weighted straight line of
/// least squares through all, weights falling off as a Gaussian that is `width_oct` octaves wide at
/// half height.
fn trend(freqs_hz: &[f64], values: &[f64], width_oct: f64) -> Vec<f64> {
    let sigma = width_oct / (8.0 * 2f64.ln()).sqrt();
    let last = freqs_hz.len() - 1;
    freqs_hz
        .iter()
        .map(|centre_hz| {
            let [mut s0, mut s1, mut s2, mut t0, mut t1] = [0.0; 5];
            for (i, (f_hz, value)) in freqs_hz.iter().zip(values).enumerate() {
                let x = (f_hz / centre_hz).log2();
                if x.abs() > 4.0 * sigma {
                    continue;
                }
                // The ends stand for half a step.
                let cell = if i == 0 || i == last { 0.5 } else { 1.0 };
                let w = cell * (-0.5 * (x / sigma).powi(2)).exp();
                s0 += w;
                s1 += w * x;
                s2 += w * x * x;
                t0 += w * value;
                t1 += w * x * value;
            }
            (s2 * t0 - s1 * t1) / (s0 * s2 - s1 * s1)
        })
        .collect()
}

/// Straight lines over log frequency.
fn between(freqs_hz: &[f64], values: &[f64], f_hz: f64) -> f64 {
    let after = freqs_hz
        .partition_point(|f| *f < f_hz)
        .clamp(1, freqs_hz.len() - 1);
    let (low_hz, high_hz) = (freqs_hz[after - 1], freqs_hz[after]);
    let t = (f_hz / low_hz).ln() / (high_hz / low_hz).ln();
    values[after - 1] + t * (values[after] - values[after - 1])
}

#[test]
fn curves_after_are_those_before_with_the_whole_gain_of_the_written_stages() {
    for (speaker, devices) in [
        (
            "examples/quayside_5",
            &["open-48k", "fixed-96k", "knob-receiver"][..],
        ),
        ("examples/lantern_8", &["open-48k"]),
        ("tests/data/measured_a", &["float-44k"]),
    ] {
        for device in devices {
            let planned = Planned::of(Path::new(speaker), &["--device", device]);
            let list = List::read(&planned.file("filters.txt"));
            assert!(!list.sections.is_empty(), "{speaker} {device}");
            let curves = Curves::read(&planned.file("curves.csv"));
            let freqs_hz = curves.column("freq_hz");
            let gains_db: Vec<f64> = freqs_hz.iter().map(|f| list.stages_db(*f)).collect();
            let mut compared = 0;
            for name in curves.names().iter().filter(|n| n.ends_with("_after")) {
                let before = curves.column(name.trim_end_matches("_after"));
                let gain_db = |i: usize| match name.contains("_di_") {
                    true => 0.0,
                    false => gains_db[i],
                };
                for (i, after_db) in curves.column(name).into_iter().enumerate() {
                    let off_db = after_db - before[i] - gain_db(i);
                    // Both columns are rounded.
                    assert!(
                        off_db.abs() < 1.2 * PRINTED_DB,
                        "{speaker} {device} {name}: {off_db}"
                    );
                }
                compared += 1;
            }
            assert_eq!(compared, 7, "{speaker}");
            for (f_hz, filters_db) in planned
                .list("freq_hz")
                .iter()
                .zip(planned.list("filters_db"))
            {
                // The unit circle in 64-bit floats loses some 1e-7 dB at 20 Hz.
                let off_db = filters_db - list.stages_db(*f_hz);
                assert!(
                    off_db.abs() < 1e-5,
                    "{speaker} {device} {f_hz} Hz: {off_db}"
                );
            }
        }
    }
}

/// Listening window and in-room response minus their targets on the plan's frequencies, dB; the
/// target is flat.
fn deviations(planned: &Planned) -> [Vec<f64>; 2] {
    let curves = Curves::read(&planned.file("curves.csv"));
    let from_hz = curves.column("freq_hz");
    let grid_hz = planned.list("freq_hz");
    let on_grid = |name: &str| -> Vec<f64> {
        let values = curves.column(name);
        grid_hz
            .iter()
            .map(|f| between(&from_hz, &values, *f))
            .collect()
    };
    let (window, in_room) = (on_grid("listening_window"), on_grid("in_room"));
    // In the room less is wanted by the trend, an octave wide, of the speaker's directivity.
    let directivity = trend(&grid_hz, &difference(&window, &in_room), 1.0);
    [window, sum(&in_room, &directivity)]
}

/// Twice as many frequencies as were measured: what lies between is read along straight lines here
/// and along a curve there.
const BETWEEN_DB: f64 = 0.02;

#[test]
fn deviation_reach_yield_level_and_demand_are_what_the_curves_say() {
    assert_figures(&speaker().plan(&[]), FIGURE_DB);
    for demo in ["examples/quayside_5", "examples/lantern_8"] {
        assert_figures(&Planned::of(Path::new(demo), &[]), BETWEEN_DB);
    }
}

fn assert_figures(planned: &Planned, within_db: f64) {
    let weights = weights(planned);
    let deviations = deviations(planned);
    // The mean over window and room of the mean square, each with its level taken out.
    let energy = |gains_db: &[f64]| {
        let of = |d: &Vec<f64>| variance(&sum(d, gains_db), &weights);
        0.5 * (of(&deviations[0]) + of(&deviations[1]))
    };
    let (wish_db, filters_db) = (planned.list("wish_db"), planned.list("filters_db"));
    let nothing = vec![0.0; wish_db.len()];
    let (before, after) = (energy(&nothing), energy(&filters_db));
    // Window and room differ, so that neither can stand for both.
    let [window, room] = deviations.each_ref().map(|d| variance(d, &weights).sqrt());
    assert!((window - room).abs() > 0.05, "{window} {room}");
    let near = |key: &str, wanted: f64, within: f64| {
        let found = planned.number(key);
        assert!(
            (found - wanted).abs() < within,
            "{key} is {found}, not {wanted}"
        );
    };
    near("deviation_before_db", before.sqrt(), within_db);
    near("deviation_after_db", after.sqrt(), within_db);
    // Shares of an energy of several dB^2.
    near("reach", 1.0 - energy(&wish_db) / before, within_db);
    near("yield", 1.0 - after / before, within_db);
    let level_db = mean(&filters_db, &weights);
    near("eq_level_db", level_db, within_db);
    let most_db = filters_db.iter().copied().fold(f64::NEG_INFINITY, f64::max) - level_db;
    let demand = &planned.json["largest_demand"];
    let found = |key: &str| demand[key].as_f64().unwrap();
    assert!(
        (found("gain_db") - most_db).abs() < within_db,
        "{demand} {most_db}"
    );
    assert!((found("power_ratio") - 10f64.powf(most_db / 10.0)).abs() < within_db);
    assert!((planned.at("filters_db", found("freq_hz")) - level_db - most_db).abs() < within_db);
}

#[test]
fn with_a_slope_of_the_target_window_and_room_count_half_each() {
    // Averages as they are, so that the in-room curve is nobody's combination of the others.
    let window = |f: f64| 85.0 + bell_db(f, 900.0, 5.0, 2.0);
    let in_room = |f: f64| 84.0 - (f / 1000.0).log2() + bell_db(f, 3000.0, 7.0, 2.0);
    let speaker = Made::of_averages(
        &per_octave(48.0),
        &[
            ("on_axis", &window),
            ("listening_window", &window),
            ("in_room", &in_room),
        ],
    );
    let target = "about = \"Flat, with a slope in the room\"\nreason = \"A test\"\n\
        points = [[1000, 0.0]]\nin_room_slope_db_per_oct = -1.0\n";
    let target = speaker.write("slope.toml", target);
    let planned = speaker.plan(&["--target", target.to_str().unwrap()]);
    let weights = weights(&planned);
    let freqs_hz = planned.list("freq_hz");
    let of =
        |level: &dyn Fn(f64) -> f64| -> Vec<f64> { freqs_hz.iter().map(|f| level(*f)).collect() };
    let window_db = of(&window);
    let room_db = of(&|f| in_room(f) + (f / 1000.0).log2());
    let wanted_db = (0.5 * (variance(&window_db, &weights) + variance(&room_db, &weights))).sqrt();
    let found_db = planned.number("deviation_before_db");
    assert!(
        (found_db - wanted_db).abs() < FIGURE_DB,
        "{found_db} {wanted_db}"
    );
}

/// The directions of the listening window. Source: ANSI/CTA-2034-A (from memory).
fn window_directions() -> Vec<(Orbit, f64)> {
    let horizontal = (-3..=3).map(|i| (Orbit::Horizontal, 10.0 * f64::from(i)));
    horizontal
        .chain([-10.0, 10.0].map(|a| (Orbit::Vertical, a)))
        .collect()
}

#[test]
fn the_worst_change_is_that_of_the_angle_that_fares_worst_before_and_after() {
    let planned = speaker().plan(&[]);
    let (freqs_hz, weights) = (planned.list("freq_hz"), weights(&planned));
    let filters_db = planned.list("filters_db");
    // Roughness: deviation from the angle's own trend, an octave wide, dB rms.
    let roughness_db = |levels_db: &[f64]| {
        let local = difference(levels_db, &trend(&freqs_hz, levels_db, 1.0));
        let squares: Vec<f64> = local.iter().map(|v| v * v).collect();
        mean(&squares, &weights).sqrt()
    };
    let changes: Vec<(Orbit, f64, f64, f64)> = window_directions()
        .into_iter()
        .map(|(orbit, angle_deg)| {
            // The axis is a column of both tables; the horizontal one is read.
            let before: Vec<f64> = freqs_hz
                .iter()
                .map(|f| level_db(*f, orbit, angle_deg))
                .collect();
            let after = roughness_db(&sum(&before, &filters_db));
            (orbit, angle_deg, roughness_db(&before), after)
        })
        .collect();
    let by_change = |a: &&(Orbit, f64, f64, f64), b: &&(Orbit, f64, f64, f64)| {
        (a.3 - a.2).total_cmp(&(b.3 - b.2))
    };
    let worst = changes.iter().max_by(by_change).unwrap();
    let best = changes.iter().min_by(by_change).unwrap();
    // The angles differ, so that no other one can stand for the worst.
    assert!(worst.3 - worst.2 > best.3 - best.2 + 0.05);
    let said = &planned.json["worst_change"];
    let found = |key: &str| said[key].as_f64().unwrap();
    let orbit = if worst.0 == Orbit::Vertical {
        "vertical"
    } else {
        "horizontal"
    };
    assert_eq!(
        (said["orbit"].as_str().unwrap(), found("angle_deg")),
        (orbit, worst.1)
    );
    assert!(
        (found("roughness_before_db") - worst.2).abs() < FIGURE_DB,
        "{said} {}",
        worst.2
    );
    assert!(
        (found("roughness_after_db") - worst.3).abs() < FIGURE_DB,
        "{said} {}",
        worst.3
    );
}

/// The published preference model. Source: S. E. Olive, A Multiple Regression Model for Predicting
/// Loudspeaker Preference Using Objective Measurements, Part II, AES preprint 6190 (2004), the
/// general model (formula restated; the definitions of the terms from memory).
fn preference(freqs_hz: &[f64], axis: &[f64], window: &[f64], power: &[f64], room: &[f64]) -> f64 {
    // Twenty samples an octave.
    let samples = |values: &[f64], from_hz: f64, to_hz: f64| -> Vec<(f64, f64)> {
        let count = (20.0 * (to_hz / from_hz).log2()).floor() as usize;
        (0..count)
            .map(|k| from_hz * 2f64.powf((k as f64 + 0.5) / 20.0))
            .map(|f| (f.log10(), between(freqs_hz, values, f)))
            .collect()
    };
    let average = |values: &mut dyn Iterator<Item = f64>| {
        let values: Vec<f64> = values.collect();
        values.iter().sum::<f64>() / values.len() as f64
    };
    let narrow_band = |values: &[f64]| {
        let samples = samples(values, 100.0, 12_000.0);
        let bands = samples.chunks(10).map(|band| {
            let middle = average(&mut band.iter().map(|s| s.1));
            average(&mut band.iter().map(|s| (s.1 - middle).abs()))
        });
        average(&mut bands.into_iter())
    };
    let smoothness = {
        let samples = samples(room, 100.0, 16_000.0);
        let x = average(&mut samples.iter().map(|s| s.0));
        let y = average(&mut samples.iter().map(|s| s.1));
        let of = |a: &dyn Fn(&(f64, f64)) -> f64| samples.iter().map(a).sum::<f64>();
        let xy = of(&|s| (s.0 - x) * (s.1 - y));
        xy * xy / (of(&|s| (s.0 - x).powi(2)) * of(&|s| (s.1 - y).powi(2)))
    };
    let limit = average(&mut samples(window, 300.0, 10_000.0).iter().map(|s| s.1)) - 6.0;
    let below = freqs_hz.partition_point(|f| *f < 300.0);
    let i = (0..below)
        .rev()
        .find(|i| power[*i] <= limit)
        .expect("it ends within the data");
    let t = (limit - power[i]) / (power[i + 1] - power[i]);
    let extension_hz = freqs_hz[i] * (freqs_hz[i + 1] / freqs_hz[i]).powf(t);
    12.69 - 2.49 * narrow_band(axis) - 2.99 * narrow_band(room) - 4.31 * extension_hz.log10()
        + 2.32 * smoothness
}

#[test]
fn the_rating_before_and_after_is_that_of_the_curves_before_and_after() {
    /// Samples are read between frequencies along straight lines here.
    const APART: f64 = 0.01;
    let planned = speaker().plan(&[]);
    let curves = Curves::read(&planned.file("curves.csv"));
    let rated = |suffix: &str| {
        let column = |name: &str| curves.column(&format!("{name}{suffix}"));
        let [axis, window] = [column("on_axis"), column("listening_window")];
        let [power, room] = [column("sound_power"), column("in_room")];
        preference(&curves.column("freq_hz"), &axis, &window, &power, &room)
    };
    let (before, after) = (rated(""), rated("_after"));
    assert!((after - before).abs() > 0.2, "{before} {after}");
    for (key, wanted) in [("rating_before", before), ("rating_after", after)] {
        let found = planned.number(key);
        assert!(
            (found - wanted).abs() < APART,
            "{key} is {found}, not {wanted}"
        );
    }
}

/// The grade by the numbers that the README and the report state with it: below 1 dB rms little
/// EQ, else two thirds (0.66) and one third (0.33) of the energy.
fn grade(deviation_db: f64, reach: f64) -> &'static str {
    match (deviation_db, reach) {
        (d, _) if d < 1.0 => "needs-little",
        (_, r) if r >= 0.66 => "well",
        (_, r) if r >= 0.33 => "partly",
        _ => "hardly",
    }
}

#[test]
fn the_grade_follows_from_deviation_and_reach() {
    // Averages with a bump in all curves, and a swing of 14 dB in the room alone that no EQ mends.
    let mut seen: Vec<(f64, &str)> = Vec::new();
    for (bump_db, swing_db) in [
        (6.0, 0.0),
        (7.0, 14.0),
        (6.0, 14.0),
        (5.0, 14.0),
        (4.2, 14.0),
        (3.8, 14.0),
        (3.0, 14.0),
        (2.0, 14.0),
    ] {
        let window = |f: f64| 85.0 + bell_db(f, 900.0, bump_db, 2.0);
        let in_room = |f: f64| window(f) + bell_db(f, 4000.0, swing_db, 2.5);
        let speaker = Made::of_averages(
            &per_octave(24.0),
            &[
                ("on_axis", &window),
                ("listening_window", &window),
                ("in_room", &in_room),
            ],
        );
        let planned = speaker.plan(&[]);
        let reach = planned.number("reach");
        let wanted = grade(planned.number("deviation_before_db"), reach);
        assert_eq!(planned.json["grade"], wanted, "reach {reach}");
        seen.push((reach, wanted));
    }
    let flat = Made::alike(|f_hz| bell_db(f_hz, 1000.0, 0.5, 1.0), "").plan(&[]);
    assert_eq!(flat.json["grade"], "needs-little");
    // Both sides of each limit and the middle are there.
    for range in [0.0..0.33, 0.33..0.5, 0.5..0.66, 0.66..1.0] {
        let met = seen
            .iter()
            .any(|(reach, grade)| range.contains(reach) && *grade != "needs-little");
        assert!(met, "{range:?} of {seen:?}");
    }
}

#[test]
fn what_the_fit_leaves_counts_a_common_level_with_a_hundredth_of_its_square() {
    // 1 dB of level costs as much as a tenth of a dB everywhere: 0.01 L^2. At the best L the mean m
    // of what is left adds m^2 0.01 / 1.01 to the variance.
    const LEVEL_COST: f64 = 0.01;
    /// The last digits of a weighted sum over 480 rows.
    const SAME_DB: f64 = 1e-6;
    let shelves: [&dyn Fn(f64) -> f64; 3] = [
        &|f| 4.0 / (1.0 + (f / 500.0).powi(2)),
        &|f| 4.0 / (1.0 + (2500.0 / f).powi(2)) + bell_db(f, 700.0, 3.0, 2.0),
        &|f| bell_db(f, 300.0, 4.0, 0.8) + bell_db(f, 6000.0, 4.0, 0.8),
    ];
    let mut telling = 0;
    for (shelf, stages) in shelves.into_iter().zip(["1", "1", "1"]) {
        let planned = Made::alike(shelf, "").plan(&["--stages", stages]);
        let judged = weights(&planned);
        // Outside the judged band rows count a tenth of the heaviest, up to 0.49 of the rate.
        let heaviest = judged.iter().copied().fold(0.0, f64::max);
        let all: Vec<f64> = judged
            .iter()
            .map(|w| if *w > 0.0 { *w } else { 0.1 * heaviest })
            .collect();
        let total: f64 = all.iter().sum();
        let all: Vec<f64> = all.iter().map(|w| w / total).collect();
        let left_db = difference(&planned.list("wish_db"), &planned.list("filters_db"));
        let level_part = mean(&left_db, &all).powi(2) * LEVEL_COST / (1.0 + LEVEL_COST);
        let free_db = variance(&left_db, &all).sqrt();
        let wanted_db = (variance(&left_db, &all) + level_part).sqrt();
        let found_db = planned.number("fit_rms_db");
        assert!(
            (found_db - wanted_db).abs() < SAME_DB,
            "{found_db} {wanted_db}"
        );
        telling += usize::from(wanted_db - free_db > 3.0 * SAME_DB);
    }
    assert!(telling > 0, "no level was left anywhere");
}

/// DESIGN: the fewest stages that come within 2 % of the best.
#[test]
fn a_fit_keeps_the_fewest_stages_within_two_per_cent_of_the_best() {
    let mut between = 0;
    for turn in 0..4 {
        let turn = f64::from(turn);
        let wave = |f: f64| {
            let x = f.ln();
            let fine = 1.2 * (9.0 * x - 2.0 * turn).sin() + 0.8 * (17.0 * x + turn).sin();
            2.0 * (1.3 * x + turn).sin() + fine
        };
        let dir = tempfile::tempdir().unwrap();
        let rows: String = per_octave(24.0)
            .into_iter()
            .filter(|f| (50.0..=12_000.0).contains(f))
            .map(|f| format!("{f},{}\n", wave(f)))
            .collect();
        let curve = dir.path().join("curve.csv");
        std::fs::write(&curve, format!("freq_hz,gain_db\n{rows}")).unwrap();
        let json = super::made::printed(&["fit", curve.to_str().unwrap(), "--json"]);
        let json: serde_json::Value = serde_json::from_str(&json).unwrap();
        let ladder: Vec<f64> = json["ladder"]
            .as_array()
            .unwrap()
            .iter()
            .map(|rung| rung["rms_db"].as_f64().unwrap())
            .collect();
        let best_db = *ladder.last().unwrap();
        let kept = json["stages"].as_array().unwrap().len();
        let fewest = ladder.iter().position(|db| *db <= 1.02 * best_db).unwrap();
        assert_eq!(kept, fewest, "{ladder:?}");
        // Where the rung below is within 20 %, a looser rule would have kept fewer.
        between += usize::from(ladder[..kept].iter().any(|db| *db <= 1.2 * best_db));
    }
    assert!(between > 0, "no curve tells 2 % from 20 %");
}
