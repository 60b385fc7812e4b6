//! Numbers at the edge of what can be measured, and beyond: each gives a sensible plan or says why
//! not, and no number that is written is anything but finite.

use planish::average::RearWall;
use planish::predict::Plan;
use planish::run::{self, PlanOptions, Speaker};
use serde_json::Value;
use std::fmt::Write;
use std::fs;

/// Made-up levels by frequency and angle.
type Levels<'a> = &'a dyn Fn(f64, f64) -> f64;

/// What the speakers of these tests do where nothing odd is asked of them: a bump and a lack, and
/// beaming.
fn usual_db(f_hz: f64, angle_deg: f64) -> f64 {
    let bell = |at_hz: f64, width_oct: f64| (-((f_hz / at_hz).log2() / width_oct).powi(2)).exp();
    let beam = (f_hz / 20_000.0) * (angle_deg / 30.0).powi(2);
    5.0 * bell(800.0, 0.3) - 3.0 * bell(3000.0, 0.6) - beam.min(25.0)
}

/// Frequencies `per_octave` apart from 20 Hz to 20 kHz.
fn per_octave(count: f64) -> Vec<f64> {
    let steps = (1000f64.log2() * count) as i32;
    (0..=steps)
        .map(|i| 20.0 * (f64::from(i) / count).exp2())
        .collect()
}

fn tens() -> Vec<f64> {
    (-17..=18).map(|i| 10.0 * f64::from(i)).collect()
}

fn table(freqs_hz: &[f64], angles_deg: &[f64], level_db: Levels) -> String {
    let mut text = String::from("freq_hz");
    for angle in angles_deg {
        write!(text, ",{angle}").unwrap();
    }
    for f_hz in freqs_hz {
        write!(text, "\n{f_hz}").unwrap();
        for angle in angles_deg {
            write!(text, ",{}", level_db(*f_hz, *angle)).unwrap();
        }
    }
    text
}

/// A plan of made-up levels, or why there is none. Whatever comes of it, all that would be written
/// has been looked at.
fn planned(freqs_hz: &[f64], angles_deg: &[f64], level_db: Levels) -> Result<Plan, String> {
    let dir = tempfile::tempdir().unwrap();
    let text = "[speaker]\nname = \"Edge\"\n[orbits]\nhorizontal = \"h.csv\"\n";
    fs::write(dir.path().join("speaker.toml"), text).unwrap();
    fs::write(
        dir.path().join("h.csv"),
        table(freqs_hz, angles_deg, level_db),
    )
    .unwrap();
    let speaker =
        Speaker::read(dir.path(), RearWall::ThreePoints).map_err(|error| error.to_string())?;
    let mut last = Err("no device".to_string());
    for device in ["knob-receiver", "open-48k"] {
        let options = PlanOptions {
            device: Some(device.to_string()),
            effort: Some(0.02),
            ..PlanOptions::default()
        };
        last = run::plan(&speaker, &options).map_err(|error| error.to_string());
        match &last {
            Ok(plan) => assert_sound(plan, &speaker),
            Err(reason) => assert!(reason.len() > 20, "{reason}"),
        }
    }
    last
}

/// Values of a plan that may be missing: what was not asked for, not measured or does not apply.
const MAY_BE_NULL: &[&str] = &[
    "aim_between_angles",
    "aim_deg",
    "corner_hz",
    "distance_m",
    "error_db",
    "f10_hz",
    "f3_hz",
    "f6_hz",
    "gain_db",
    "holds_down_deg",
    "holds_up_deg",
    "axis_db",
    "instead",
    "instead_error_db",
    "largest_demand",
    "left_deg",
    "level",
    "load",
    "pair",
    "q",
    "rating_after",
    "rating_before",
    "reach",
    "reach_from",
    "reach_to",
    "right_deg",
    "room",
    "room_db",
    "inside",
    "moves_hz",
    "settle",
    "window_db",
    "sensitivity_db",
    "spread_db",
    "subwoofer",
    "trusted_from_hz",
    "trusted_to_hz",
    "worst_change",
    "yield",
];

/// The largest boost of the wanted EQ unless another one is asked for, dB (`audit::Options`), with what
/// rounding of sums adds.
const BOOST_AT_MOST_DB: f64 = 5.0 + 1e-9;

/// Above full scale by rounding of the search for the peak, dB.
const CLIPS_NOT_DB: f64 = 0.001;

/// Neither the plan itself nor anything written of it holds a number that is not finite, every curve
/// has as many values as frequencies, the stages are those of the device, nothing is boosted farther
/// than is allowed, and full scale does not clip.
fn assert_sound(plan: &Plan, speaker: &Speaker) {
    // The debug text shows every number of the plan, those that JSON would turn into null too.
    assert_no_odd_word(
        "the plan",
        &format!("{:?} {:?} {:?}", plan.audit, plan.fit, plan.prediction),
    );
    let pictures = Some(run::PictureFormat::Svg);
    for (name, content) in run::plan_files(plan, speaker, "planish plan", pictures).unwrap() {
        let text = String::from_utf8(content).unwrap();
        // The page's script may say these words; its numbers stand outside.
        let text = match text.split_once("<script") {
            Some((before, rest)) => {
                format!(
                    "{before}{}",
                    rest.split_once("</script>").map_or("", |(_, after)| after)
                )
            }
            None => text,
        };
        assert_no_odd_word(&name, &text);
        if name.ends_with(".json") {
            assert_numbers("", &serde_json::from_str(&text).unwrap());
        }
    }
    let rows = plan.audit.grid.len();
    assert!(rows > 24, "{rows}");
    for curve in [
        plan.wish.eq.values_db(),
        plan.audit.shared.values_db(),
        plan.audit.spread.values_db(),
        &plan.audit.fit_weights,
        plan.prediction.eq.values_db(),
    ] {
        assert_eq!(curve.len(), rows);
    }
    let measured = plan.curves.grid.len();
    for (_, curve) in plan.prediction.curves_after.named() {
        assert!(curve.is_none_or(|c| c.levels_db.len() == measured));
    }
    let most_db = plan.wish.eq.values_db().iter().copied().fold(0.0, f64::max);
    assert!(most_db <= BOOST_AT_MOST_DB, "{most_db}");
    let bank = &plan.prediction.bank;
    assert!(bank.gain_db <= 0.0 && bank.peak_db() <= CLIPS_NOT_DB);
    assert_eq!(plan.prediction.price_db, 0.0 - bank.gain_db);
    assert_eq!(bank.sections.len(), plan.fit.stages.len());
    let device = &plan.device;
    assert!(plan.fit.stages.len() <= device.stages);
    for stage in &plan.fit.stages {
        assert!(stage.f0_hz > 0.0 && stage.f0_hz < 0.5 * device.rate_hz && stage.q > 0.0);
        assert!(stage.gain_db.abs() <= 30.0, "{stage:?}");
    }
}

fn assert_no_odd_word(place: &str, text: &str) {
    let word = |text: &str| text.chars().next().is_some_and(char::is_alphanumeric);
    for odd in ["NaN", "nan", "inf", "Infinity"] {
        for (at, _) in text.match_indices(odd) {
            let alone = !word(&text[at + odd.len()..])
                && !text[..at]
                    .chars()
                    .next_back()
                    .is_some_and(char::is_alphanumeric);
            assert!(
                !alone,
                "{place} says {odd}: {}",
                &text[at.saturating_sub(200)..(at + 80).min(text.len())]
            );
        }
    }
}

fn assert_numbers(key: &str, value: &Value) {
    match value {
        Value::Null => assert!(MAY_BE_NULL.contains(&key), "{key} is null"),
        Value::Array(values) => {
            for value in values {
                assert!(!value.is_null(), "a null in {key}");
                assert_numbers(key, value);
            }
        }
        Value::Object(values) => values
            .iter()
            .for_each(|(key, value)| assert_numbers(key, value)),
        _ => {}
    }
}

/// The largest gain of the stages, dB.
fn largest_boost_db(plan: &Plan) -> f64 {
    let gains = plan.prediction.eq.values_db().iter().copied();
    gains.fold(f64::NEG_INFINITY, f64::max)
}

/// Gain of the stages at `f_hz`, dB.
fn gain_at_db(plan: &Plan, f_hz: f64) -> f64 {
    plan.prediction.eq.values_db()[plan.audit.grid.nearest(f_hz)]
}

fn eq_rms_db(plan: &Plan) -> f64 {
    let gains = &plan.prediction.eq.values_db();
    (gains.iter().map(|g| g * g).sum::<f64>() / gains.len() as f64).sqrt()
}

#[test]
fn a_spike_of_one_frequency_neither_breaks_the_plan_nor_rules_it() {
    let freqs_hz = per_octave(24.0);
    let at_hz = freqs_hz[120];
    let plain = planned(&freqs_hz, &tens(), &usual_db).unwrap();
    for height_db in [40.0, -40.0, -200.0, 300.0, 900.0, -900.0] {
        let spiked = |f_hz: f64, angle: f64| {
            usual_db(f_hz, angle) + if f_hz == at_hz { height_db } else { 0.0 }
        };
        let plan = planned(&freqs_hz, &tens(), &spiked).unwrap();
        // A spike downward is a null and must not be filled.
        if height_db < 0.0 {
            let at = plan.audit.grid.nearest(at_hz);
            // A cut that would make so deep a null deeper still is not made: the plan would be worse
            // than none by its own figures (DESIGN, section 4).
            let [with_db, without_db] = [&plan, &plain].map(|p| p.prediction.eq.values_db()[at]);
            let more_db = with_db - without_db.max(0.0);
            assert!(
                more_db < 1.0,
                "a spike of {height_db} dB is filled by {more_db} dB"
            );
        }
    }
    // On one angle only it is nothing that EQ could mend.
    let one = |f_hz: f64, angle: f64| {
        usual_db(f_hz, angle)
            + if f_hz == at_hz && angle == 170.0 {
                60.0
            } else {
                0.0
            }
    };
    let plan = planned(&freqs_hz, &tens(), &one).unwrap();
    assert!(largest_boost_db(&plan) < largest_boost_db(&plain) + 0.3);
}

#[test]
fn curves_that_are_all_equal_need_no_eq() {
    for level_db in [0.0, 85.0, -85.0, 300.0, 1000.0, -1000.0] {
        let plan = planned(&per_octave(24.0), &tens(), &|_, _| level_db).unwrap();
        assert!(
            eq_rms_db(&plan) < 0.05,
            "{level_db}: {} dB",
            eq_rms_db(&plan)
        );
        assert!(plan.prediction.price_db.abs() < 0.1);
    }
}

/// A lack of 3 dB is there at every angle that is not silent; less than a third of it is not filled.
const NOT_FILLED_DB: f64 = 1.0;

#[test]
fn angles_that_are_all_null_are_told_or_planned_round() {
    // All but the axis silent; all but the axis silent above 1 kHz; all silent, the axis too.
    let off_axis = |f: f64, a: f64| if a == 0.0 { usual_db(f, 0.0) } else { -200.0 };
    // What only a part of the angles has is no lack that EQ could fill.
    let filled_db = |level_db: Levels| {
        largest_boost_db(&planned(&per_octave(24.0), &tens(), level_db).unwrap())
    };
    assert!(filled_db(&off_axis) < NOT_FILLED_DB);
    let above = |f: f64, a: f64| {
        if a != 0.0 && f > 1000.0 {
            -200.0
        } else {
            usual_db(f, a)
        }
    };
    let plan = planned(&per_octave(24.0), &tens(), &above).unwrap();
    // The bump of 5 dB below 1 kHz is everybody's: half of it at least is cut.
    assert!(gain_at_db(&plan, 800.0) < -2.5);
    let silent = planned(&per_octave(24.0), &tens(), &|_, _| -200.0).unwrap();
    assert!(eq_rms_db(&silent) < 0.05);
    // One half of the angles silent, the other not; the axis alone silent.
    let half = |f: f64, a: f64| if a < 0.0 { -200.0 } else { usual_db(f, a) };
    assert!(filled_db(&half) < NOT_FILLED_DB);
    let axis = |f: f64, a: f64| if a == 0.0 { -200.0 } else { usual_db(f, a) };
    assert!(filled_db(&axis) < NOT_FILLED_DB);
}

#[test]
fn level_is_free_up_to_300_db_and_beyond() {
    let freqs_hz = per_octave(24.0);
    let plain = planned(&freqs_hz, &tens(), &usual_db).unwrap();
    for level_db in [85.0, 300.0, -300.0, 900.0] {
        let plan = planned(&freqs_hz, &tens(), &|f, a| usual_db(f, a) + level_db).unwrap();
        for (a, b) in plan
            .prediction
            .eq
            .values_db()
            .iter()
            .zip(plain.prediction.eq.values_db())
        {
            assert!((a - b).abs() < 0.2, "{level_db}: {a} dB instead of {b} dB");
        }
    }
    // From one row to the next by all that a table may hold.
    let wild = |f: f64, a: f64| {
        if ((f + a) as i64) % 2 == 0 {
            1000.0
        } else {
            -1000.0
        }
    };
    let _ = planned(&freqs_hz, &tens(), &wild);
    let steep = |f: f64, _: f64| (100.0 * (f / 1000.0).log2()).clamp(-1000.0, 1000.0);
    let _ = planned(&freqs_hz, &tens(), &steep);
}

/// A wish is made of bumps and dips of 0.58 dB at least (`audit/component.rs`): two that see nearly the same
/// may differ by one of them, and a little by what the others make of it.
const LEAST_COMPONENT_DB: f64 = 0.58;

#[test]
fn density_from_two_to_ten_thousand_points_in_an_octave_is_taken_as_it_is() {
    let smooth = |f: f64, a: f64| usual_db(f, a);
    let front: Vec<f64> = (-3..=3).map(|i| 10.0 * f64::from(i)).collect();
    let usual = planned(&per_octave(48.0), &front, &smooth).unwrap();
    let dense = planned(&per_octave(10_000.0), &front, &smooth).unwrap();
    for (f_hz, gain_db) in usual
        .audit
        .grid
        .freqs_hz()
        .iter()
        .zip(usual.wish.eq.values_db())
    {
        // Away from the ends, where the bands of the dense table are cut.
        if (40.0..10_000.0).contains(f_hz) {
            let other = dense.wish.eq.values_db()[dense.audit.grid.nearest(*f_hz)];
            assert!(
                (gain_db - other).abs() < 1.1 * LEAST_COMPONENT_DB,
                "{f_hz} Hz: {gain_db} and {other} dB"
            );
        }
    }
    let sparse = planned(&per_octave(2.0), &tens(), &smooth).unwrap();
    assert!(sparse.prediction.price_db < 6.0);
    // The bump of 5 dB is met between its rows, the broad lack of 3 dB by most of it.
    assert!(gain_at_db(&sparse, 800.0) < -2.0 && gain_at_db(&sparse, 3000.0) > 2.0);
    // Eight rows over ten octaves is the least a table may hold.
    let least = planned(&per_octave(0.8), &tens(), &smooth).unwrap();
    assert!(gain_at_db(&least, 800.0) < 0.0 && gain_at_db(&least, 3000.0) > 1.0);
}

#[test]
fn one_angle_and_seventy_two_in_one_orbit_are_planned() {
    let freqs_hz = per_octave(24.0);
    let fives: Vec<f64> = (0..72).map(|i| 5.0 * f64::from(i)).collect();
    let folded = |f: f64, a: f64| usual_db(f, if a > 180.0 { a - 360.0 } else { a });
    let many = planned(&freqs_hz, &fives, &folded).unwrap();
    let tens = planned(&freqs_hz, &tens(), &usual_db).unwrap();
    for (a, b) in many
        .wish
        .eq
        .values_db()
        .iter()
        .zip(tens.wish.eq.values_db())
    {
        assert!((a - b).abs() < 0.3, "{a} and {b} dB");
    }
    // One direction says nothing of what the others share.
    for alone in [0.0, 30.0, 90.0, 180.0] {
        let reason = planned(&freqs_hz, &[alone], &usual_db).unwrap_err();
        assert!(
            reason.contains("listening window") && reason.contains("hint: measure"),
            "{reason}"
        );
    }
}

#[test]
fn bands_that_hearing_does_not_reach_are_refused_with_the_reason() {
    for (from_hz, to_hz) in [
        (1e-300f64, 1e-290f64),
        (1e-3, 1.0),
        (1.0, 15.0),
        (990.0, 1010.0),
        (30_000.0, 90_000.0),
        (1e6, 1e7),
    ] {
        let freqs_hz: Vec<f64> = (0..40)
            .map(|i| from_hz * (to_hz / from_hz).powf(f64::from(i) / 39.0))
            .collect();
        match planned(&freqs_hz, &tens(), &usual_db) {
            Ok(plan) => assert!(plan.audit.judged.to_hz > 1.9 * plan.audit.judged.from_hz),
            Err(reason) => assert!(
                reason.contains("Hz") || reason.contains("octave"),
                "{reason}"
            ),
        }
    }
    // All that a table may hold, a thousand octaves.
    let freqs_hz: Vec<f64> = (0..400)
        .map(|i| (1e7f64.ln() - f64::from(i) * 1.8).exp())
        .collect();
    let _ = planned(&freqs_hz, &tens(), &usual_db);
}
