//! `planish convert`: the same filters for other devices, read back by readers of this file.

use planish::convert::change::Remedied;
use planish::convert::{Change, Converted, Options, Remedy, Way, convert, own_device};
use planish::device::{Coefficient, Device, Feedback, Number};
use planish::export::filter_list::write;
use planish::filter::{Kind, Stage};
use planish::filter_list::{FilterList, ListedStage};
use planish::fit::WORDS_TOLERANCE_DB;
use planish::read::device::{all_devices, device};
use planish::report::words::stage::obstacle;
use std::collections::HashMap;
use std::f64::consts::PI;
use std::path::Path;
use std::process::{Command, Output, Stdio};

fn stage(kind: Kind, f0_hz: f64, gain_db: f64, q: f64) -> Stage {
    Stage {
        kind,
        f0_hz,
        gain_db,
        q,
    }
}

/// A list of exact 64-bit numbers.
fn list(rate_hz: f64, gain_db: f64, stages: &[Stage]) -> FilterList {
    FilterList {
        speaker: "Quayside 5".into(),
        rate_hz,
        number: Number::F64,
        feedback: Feedback::Subtracted,
        gain_db,
        stages: stages
            .iter()
            .map(|stage| ListedStage {
                stage: *stage,
                biquad: Some(stage.biquad(rate_hz)),
                words: None,
            })
            .collect(),
    }
}

/// Four stages that every device can be set to but for the knobs' steps.
fn usual() -> FilterList {
    list(
        48_000.0,
        -2.5,
        &[
            stage(Kind::Peaking, 63.7, -5.5, 3.2),
            stage(Kind::LowShelf, 210.0, 2.2, 0.71),
            stage(Kind::Peaking, 1_270.0, -3.3, 1.9),
            stage(Kind::HighShelf, 7_300.0, -1.8, 0.7),
        ],
    )
}

fn to(device: &Device, list: &FilterList) -> Converted {
    convert(list, device, &Options::default()).unwrap()
}

/// A reader of filter lists that shares nothing with the library: level in front, rate, and for
/// each stage five numbers b0 b1 b2 a1 a2 with the sign of `1 + a1/z + a2/z^2`, taken from the
/// hexadecimal words where there are any.
struct Read {
    gain_db: f64,
    rate_hz: f64,
    stages: Vec<[f64; 5]>,
}

impl Read {
    fn new(text: &str) -> Read {
        let (mut gain_db, mut rate_hz, mut sign, mut fraction, mut width) = (0.0, 0.0, 1.0, 0, 0);
        let mut order: Vec<usize> = Vec::new();
        let mut stages: Vec<[f64; 5]> = Vec::new();
        let mut b: Vec<f64> = Vec::new();
        for line in text.lines() {
            let (first, rest) = line.split_once(' ').unwrap();
            let numbers = || -> Vec<f64> { rest.split(' ').map(|v| v.parse().unwrap()).collect() };
            match first {
                "rate_hz" => rate_hz = numbers()[0],
                "gain_db" => gain_db = numbers()[0],
                "equation" => sign = if rest.contains("- a1") { 1.0 } else { -1.0 },
                "number" => {
                    if let Some((i, f)) =
                        rest.strip_prefix("fixed ").and_then(|n| n.split_once('.'))
                    {
                        fraction = f.parse::<i32>().unwrap();
                        width = i.parse::<i32>().unwrap() + fraction;
                    }
                }
                "#" => {
                    if let Some(names) = rest.strip_prefix("words: ") {
                        let place =
                            |n: &str| ["b0", "b1", "b2", "a1", "a2"].iter().position(|c| *c == n);
                        order = names.split(' ').map(|n| place(n).unwrap()).collect();
                    }
                }
                "b" => b = numbers(),
                "a" => {
                    let a = numbers();
                    stages.push([b[0], b[1], b[2], sign * a[0], sign * a[1]]);
                }
                "words" => {
                    let decoded = stages.last_mut().unwrap();
                    for (word, place) in rest.split(' ').zip(&order) {
                        let bits = i128::from_str_radix(word, 16).unwrap();
                        let value = if bits >> (width - 1) == 1 {
                            bits - (1i128 << width)
                        } else {
                            bits
                        };
                        let value = value as f64 / 2f64.powi(fraction);
                        decoded[*place] = if *place > 2 { sign * value } else { value };
                    }
                }
                _ => {}
            }
        }
        Read {
            gain_db,
            rate_hz,
            stages,
        }
    }

    /// Level of one stage, dB. Powers of `1/z` about z = 1, so that nothing cancels near 0 Hz:
    /// with `u = 1/z - 1` the polynomial is `(c0+c1+c2) + (c1+2 c2) u + c2 u^2`.
    fn stage_db(&self, i: usize, f_hz: f64) -> f64 {
        let w = 2.0 * PI * f_hz / self.rate_hz;
        let u = (-2.0 * (0.5 * w).sin().powi(2), -w.sin());
        let u2 = (u.0 * u.0 - u.1 * u.1, 2.0 * u.0 * u.1);
        let power = |c0: f64, c1: f64, c2: f64| {
            let (s, t) = (c0 + c1 + c2, c1 + 2.0 * c2);
            (s + t * u.0 + c2 * u2.0).powi(2) + (t * u.1 + c2 * u2.1).powi(2)
        };
        let c = &self.stages[i];
        10.0 * (power(c[0], c[1], c[2]) / power(1.0, c[3], c[4])).log10()
    }

    fn level_db(&self, f_hz: f64) -> f64 {
        self.gain_db
            + (0..self.stages.len())
                .map(|i| self.stage_db(i, f_hz))
                .sum::<f64>()
    }
}

fn audible(rate_hz: f64) -> Vec<f64> {
    let top_hz = 20_000f64.min(0.45 * rate_hz);
    (0..400)
        .map(|i| 20.0 * (top_hz / 20.0).powf(f64::from(i) / 399.0))
        .collect()
}

/// What an independent reader may be off by for 64-bit numbers, dB (issue 5).
const EXACT_DB: f64 = 1e-9;

#[test]
fn a_list_for_every_built_in_device_read_back_does_what_was_predicted() {
    for device in all_devices().unwrap() {
        let converted = to(&device, &usual());
        let text = write(&converted.list, &device.word_order).unwrap();
        let back = planish::read::filter_list::parse(Path::new("filters.txt"), &text).unwrap();
        assert_eq!(back, converted.list, "{}", device.name);
        if device.number == Number::None {
            continue;
        }
        let read = Read::new(&text);
        assert_eq!(read.rate_hz, device.rate_hz);
        let predicted = converted.list.bank();
        for f_hz in audible(device.rate_hz) {
            let off_db = read.level_db(f_hz) - predicted.gain_at_db(f_hz);
            assert!(
                off_db.abs() < EXACT_DB,
                "{} at {f_hz}: {off_db}",
                device.name
            );
            // The stated tolerance: each stage within 0.04 dB of its parameters.
            for (i, listed) in converted.list.stages.iter().enumerate() {
                let exact = listed.stage.biquad(device.rate_hz);
                let exact_db = exact.gain_db(2.0 * PI * f_hz / device.rate_hz);
                let off_db = read.stage_db(i, f_hz) - exact_db;
                assert!(
                    off_db.abs() < WORDS_TOLERANCE_DB + 0.002,
                    "{} stage {i}: {off_db}",
                    device.name
                );
            }
        }
        assert!(converted.list.bank().peak_db() <= 0.05, "{}", device.name);
    }
}

#[test]
fn another_sign_and_order_keep_every_number_to_the_bit() {
    let from = to(&device("fixed-96k").unwrap(), &usual()).list;
    use Coefficient::{A1, A2, B0, B1, B2};
    let other = Device {
        feedback: Feedback::Subtracted,
        word_order: [A2, A1, B2, B1, B0],
        ..device("fixed-96k").unwrap()
    };
    let converted = to(&other, &from);
    assert_eq!(converted.way, Way::Kept);
    assert_eq!(converted.list.bank(), from.bank());
    let (old, new) = (
        from.stages[0].words.unwrap(),
        converted.list.stages[0].words.unwrap(),
    );
    // 28-bit words: b turned round, a negated.
    assert_eq!([new[4], new[3], new[2]], [old[0], old[1], old[2]]);
    assert_eq!(new[1], (1 << 28) - old[3]);
    assert_eq!(converted.difference.largest_db, 0.0);
    // Without a device the list's own sign and order stay, told from its words.
    assert_eq!(own_device(&converted.list).word_order, other.word_order);
    assert_eq!(
        to(&own_device(&converted.list), &converted.list).list,
        converted.list
    );
}

#[test]
fn another_rate_has_the_cookbooks_numbers_there_and_the_difference_near_the_top_is_told() {
    let stages = [
        stage(Kind::Peaking, 200.0, -4.0, 2.0),
        stage(Kind::Peaking, 12_000.0, 5.0, 1.5),
    ];
    let converted = to(&device("open-48k").unwrap(), &list(96_000.0, -5.0, &stages));
    assert_eq!(converted.way, Way::Recomputed);
    for (listed, stage) in converted.list.stages.iter().zip(&stages) {
        assert_eq!(listed.stage, *stage);
        assert_eq!(listed.biquad.unwrap(), stage.biquad(48_000.0));
    }
    // The difference by another road: analogue frequencies of the two bilinear transforms.
    let level_db = |rate_hz: f64, f_hz: f64| -> f64 {
        let warp = |f: f64| (PI * f / rate_hz).tan();
        stages
            .iter()
            .map(|s| {
                let (x, a) = (warp(f_hz) / warp(s.f0_hz), 10f64.powf(s.gain_db / 40.0));
                let side = |width: f64| (1.0 - x * x).powi(2) + (x * width / s.q).powi(2);
                10.0 * (side(a) / side(1.0 / a)).log10()
            })
            .sum()
    };
    let found = &converted.difference;
    let at = found.largest_hz;
    assert!(at > 12_000.0 && found.largest_db.abs() > 0.3, "{found:?}");
    let expected_db = level_db(48_000.0, at) - level_db(96_000.0, at) - found.level_db;
    assert!((found.largest_db - expected_db).abs() < 1e-6);
    assert!(found.same_hz.unwrap().1 < 12_000.0);
    let refit = Options {
        refit: true,
        ..Options::default()
    };
    let nearer = convert(
        &list(96_000.0, -5.0, &stages),
        &device("open-48k").unwrap(),
        &refit,
    )
    .unwrap();
    assert!(
        nearer.difference.largest_db.abs() < 0.5 * found.largest_db.abs(),
        "{:?}",
        nearer.difference
    );
}

/// A broad treble boost, whose numbers go beyond 2, with its headroom.
fn boosted(gain_db: f64) -> FilterList {
    list(
        48_000.0,
        gain_db,
        &[
            stage(Kind::Peaking, 400.0, -3.0, 1.4),
            stage(Kind::HighShelf, 5_000.0, 8.0, 0.7),
        ],
    )
}

#[test]
fn a_shelf_that_overflows_2_30_becomes_another_type_or_is_scaled_or_split() {
    let device = device("fixed-48k").unwrap();
    let from = boosted(-8.0);
    for remedy in [
        None,
        Some(Remedy::AnotherType),
        Some(Remedy::Scale),
        Some(Remedy::Split),
    ] {
        let options = Options {
            remedy,
            ..Options::default()
        };
        let converted = convert(&from, &device, &options).unwrap();
        let Some(Change::Remedied {
            stage: 2,
            largest,
            limit,
            how,
            also,
            ..
        }) = converted
            .changes
            .iter()
            .find(|c| matches!(c, Change::Remedied { .. }))
        else {
            panic!("{:?}", converted.changes)
        };
        assert!(*largest > 2.0 && *limit < 2.0 && also.len() == 2);
        assert_eq!(how.remedy(), remedy.unwrap_or(Remedy::AnotherType));
        // The first two are exact but for the words; the level is that of the list.
        let within_db = match how {
            Remedied::Split { error_db, .. } => error_db + 0.02,
            _ => 0.02,
        };
        assert!(
            converted.difference.largest_db.abs() < within_db,
            "{:?}",
            converted.difference
        );
        if remedy != Some(Remedy::Split) {
            assert!(
                converted.difference.level_db.abs() < 0.01,
                "{:?}",
                converted.difference
            );
        }
        let text = write(&converted.list, &device.word_order).unwrap();
        let read = Read::new(&text);
        for f_hz in audible(48_000.0) {
            let off_db =
                read.level_db(f_hz) - from.bank().gain_at_db(f_hz) - converted.difference.level_db;
            assert!(off_db.abs() <= within_db, "{remedy:?} at {f_hz}: {off_db}");
        }
        // In fixed point nothing overflows on the way.
        assert!(converted.list.bank().internal_peak_db() <= 0.05);
        // The list is one that the check calls sound.
        assert!(planish::check::soundness(&converted.list).is_sound());
    }
}

#[test]
fn a_boost_without_headroom_is_split_rather_than_made_quieter() {
    // Two cuts of 4 dB at the top make the 8 dB of the shelf, so that there is no level in front.
    let from = list(
        48_000.0,
        -0.5,
        &[
            stage(Kind::HighShelf, 5_000.0, 8.0, 0.7),
            stage(Kind::HighShelf, 4_800.0, -8.0, 0.7),
        ],
    );
    let converted = to(&device("fixed-48k").unwrap(), &from);
    assert!(
        converted.changes.iter().any(|c| matches!(
            c,
            Change::Remedied {
                how: Remedied::Split { .. },
                ..
            }
        )),
        "{:?}",
        converted.changes
    );
    // Nothing overflows between the stages, which here needs another order.
    assert!(converted.changes.contains(&Change::Reordered));
    assert!(converted.list.bank().internal_peak_db() <= 0.05);
}

#[test]
fn a_treble_boost_from_low_on_is_no_matter_of_halves() {
    // At low f0 the numbers of a highshelf are near A^2 (1, -2, 1): even half a decibel is too much
    // for 2.30, and only a level helps.
    let low = list(48_000.0, -6.0, &[stage(Kind::HighShelf, 500.0, 6.0, 0.7)]);
    let converted = to(&device("fixed-48k").unwrap(), &low);
    let Change::Remedied { how, also, .. } = &converted.changes[0] else {
        panic!("{:?}", converted.changes)
    };
    assert_eq!(
        (how.remedy(), also.as_slice()),
        (Remedy::AnotherType, &[Remedy::Scale][..])
    );
    let split = Options {
        remedy: Some(Remedy::Split),
        ..Options::default()
    };
    let error = convert(&low, &device("fixed-48k").unwrap(), &split)
        .unwrap_err()
        .to_string();
    assert!(error.contains("--remedy another-type or scale"), "{error}");
}

#[test]
fn a_scaled_list_goes_back_to_one_without_a_level_in_its_numbers() {
    let from = boosted(-8.0);
    let scale = Options {
        remedy: Some(Remedy::Scale),
        ..Options::default()
    };
    let scaled = convert(&from, &device("fixed-48k").unwrap(), &scale)
        .unwrap()
        .list;
    assert!(scaled.gain_db > from.gain_db + 2.0);
    let back = to(&own_device(&from), &scaled).list;
    assert!(
        (back.gain_db - from.gain_db).abs() < 0.01,
        "{}",
        back.gain_db
    );
    for f_hz in audible(48_000.0) {
        assert!((back.bank().gain_at_db(f_hz) - from.bank().gain_at_db(f_hz)).abs() < 0.02);
    }
}

#[test]
fn what_a_device_cannot_be_set_to_is_fitted_anew_with_the_reasons() {
    let knobs = device("knob-receiver").unwrap();
    let converted = to(&knobs, &usual());
    let Way::Refitted { because } = &converted.way else {
        panic!("{:?}", converted.way)
    };
    let reasons: Vec<String> = because.iter().map(|o| obstacle(o).to_string()).collect();
    assert!(
        reasons.iter().any(|r| r.contains("lowshelf")),
        "{reasons:?}"
    );
    assert!(reasons.iter().any(|r| r.contains("63.7")), "{reasons:?}");
    assert!(converted.list.stages.len() <= knobs.stages);
    for listed in &converted.list.stages {
        let limits = knobs.limits_of(listed.stage.kind).unwrap();
        for (setting, value) in [
            (&limits.f0_hz, listed.stage.f0_hz),
            (&limits.gain_db, listed.stage.gain_db),
            (&limits.q, listed.stage.q),
        ] {
            assert!((setting.nearest(value) - value).abs() < 1e-9, "{listed:?}");
        }
    }
    // Seven bands in half-decibel steps on four smooth stages.
    assert!(
        converted.difference.rms_db < 0.4,
        "{:?}",
        converted.difference
    );
    // What stands on the steps already stays.
    let again = to(&knobs, &converted.list);
    assert_eq!((again.way, &again.list), (Way::Kept, &converted.list));
    // Knobs become coefficients again.
    let open = to(&device("open-96k").unwrap(), &converted.list);
    assert_eq!(open.way, Way::Recomputed);

    let many: Vec<Stage> = (0..9)
        .map(|i| {
            stage(
                Kind::Peaking,
                60.0 * 2f64.powi(i),
                if i % 2 == 0 { -3.0 } else { 1.0 },
                1.5,
            )
        })
        .collect();
    let five = to(&device("five-stage").unwrap(), &list(48_000.0, -1.0, &many));
    assert!(five.list.stages.len() <= 5 && matches!(five.way, Way::Refitted { .. }));
    assert!(five.difference.rms_db < 1.0, "{:?}", five.difference);
}

#[test]
fn what_nothing_can_stand_in_for_is_refused() {
    let protecting = list(48_000.0, 0.0, &[stage(Kind::HighPass, 30.0, 0.0, 0.7)]);
    let error = convert(
        &protecting,
        &device("knob-receiver").unwrap(),
        &Options::default(),
    )
    .unwrap_err()
    .to_string();
    assert!(
        error.contains("highpass") && error.contains("driver"),
        "{error}"
    );
    // -1.98 does not fit one integer bit.
    let narrow = Device {
        number: Number::from_name("fixed 1.31").unwrap(),
        ..own_device(&usual())
    };
    let error = convert(&usual(), &narrow, &Options::default())
        .unwrap_err()
        .to_string();
    assert!(
        error.contains("a1") && error.contains("two integer bits"),
        "{error}"
    );
    // Numbers that say something else than the parameters are not computed anew unasked.
    let mut other = usual();
    other.stages[2].biquad = Some(stage(Kind::Peaking, 900.0, 2.0, 1.0).biquad(48_000.0));
    let device = device("open-96k").unwrap();
    let error = convert(&other, &device, &Options::default())
        .unwrap_err()
        .to_string();
    assert!(
        error.contains("stage 3") && error.contains("--by-parameters"),
        "{error}"
    );
    let by_parameters = Options {
        by_parameters: true,
        ..Options::default()
    };
    let converted = convert(&other, &device, &by_parameters).unwrap();
    assert_eq!(
        converted.list.stages[2].biquad,
        Some(usual().stages[2].stage.biquad(96_000.0))
    );
}

/// Whether a program can be started; says so loudly when not, past the capture of test output.
fn is_there(program: &str) -> bool {
    let found = Command::new(program)
        .arg("--version")
        .stdout(Stdio::null())
        .stderr(Stdio::null())
        .status();
    let is_there = found.is_ok_and(|status| status.success());
    if !is_there {
        use std::io::Write;
        let _ = writeln!(
            std::io::stderr(),
            "\n*** SKIPPED: no {program} here, the C header was not compiled ***\n"
        );
    }
    is_there
}

/// Firmware of the simplest kind: one impulse through the header's filters in double arithmetic.
fn firmware(header: &str, prefix: &str, order: &[Coefficient; 5], fixed: bool) -> String {
    let capitals = prefix.to_ascii_uppercase();
    let place = |c: Coefficient| order.iter().position(|o| *o == c).unwrap();
    let number = |c: Coefficient| {
        let element = format!("{prefix}_coefficients[k][{}]", place(c));
        if fixed {
            format!("ldexp((double){element}, -{capitals}_FRACTION_BITS)")
        } else {
            format!("(double){element}")
        }
    };
    use Coefficient::{A1, A2, B0, B1, B2};
    format!(
        "#include <math.h>\n#include <stdio.h>\n#include \"{header}\"\n\
         int main(void) {{\n\
         static double x[{capitals}_STAGES][2], y[{capitals}_STAGES][2];\n\
         const double sign = {capitals}_SUBTRACT_FEEDBACK ? -1.0 : 1.0;\n\
         int n, k;\n\
         if (fabs(pow(10.0, {prefix}_gain_db / 20.0) - {prefix}_gain) > 1e-12) return 1;\n\
         for (n = 0; n < 600; n++) {{\n\
         double s = n ? 0.0 : {prefix}_gain;\n\
         for (k = 0; k < {capitals}_STAGES; k++) {{\n\
         double o = {} * s + {} * x[k][0] + {} * x[k][1] + sign * ({} * y[k][0] + {} * y[k][1]);\n\
         x[k][1] = x[k][0]; x[k][0] = s; y[k][1] = y[k][0]; y[k][0] = o; s = o;\n\
         }}\n\
         printf(\"%.17g\\n\", s);\n\
         }}\n\
         return {capitals}_RATE_HZ > 0.0 ? 0 : 1;\n\
         }}\n",
        number(B0),
        number(B1),
        number(B2),
        number(A1),
        number(A2)
    )
}

#[test]
fn the_c_header_compiles_without_a_warning_and_filters_as_predicted() {
    if !is_there("gcc") {
        return;
    }
    let dir = tempfile::tempdir().unwrap();
    // A name that tries to leave the comment it stands in.
    let mut from = usual();
    from.speaker = "*/ #error \"\\ ??/ \u{202e} // /* \n".into();
    for device in all_devices().unwrap() {
        let converted = to(&device, &from);
        let prefix = device.name.replace('-', "_");
        let header =
            planish::export::c_header::write(&converted.list, &device.word_order, &prefix).unwrap();
        std::fs::write(dir.path().join("filters.h"), header).unwrap();
        let fixed = matches!(device.number, Number::Fixed { .. });
        let program = if device.number == Number::None {
            let capitals = prefix.to_ascii_uppercase();
            format!(
                "#include <stdio.h>\n#include \"filters.h\"\n#include \"filters.h\"\n\
                 int main(void) {{ int k; printf(\"%.17g\\n\", {prefix}_gain_db + 0.0 * {prefix}_gain);\n\
                 for (k = 0; k < {capitals}_STAGES; k++)\n\
                 printf(\"%.17g\\n%.17g\\n%.17g\\n\", {prefix}_settings[k][0], {prefix}_settings[k][1], {prefix}_settings[k][2]);\n\
                 return {capitals}_RATE_HZ > 0.0 ? 0 : 1; }}\n"
            )
        } else {
            firmware("filters.h", &prefix, &device.word_order, fixed)
        };
        let source = dir.path().join("firmware.c");
        std::fs::write(&source, program).unwrap();
        let binary = dir.path().join("firmware");
        let compiled = Command::new("gcc")
            .args([
                "-std=c99",
                "-pedantic",
                "-Wall",
                "-Wextra",
                "-Werror",
                "-O1",
                "-o",
            ])
            .args([binary.as_os_str(), source.as_os_str()])
            .arg("-lm")
            .output()
            .unwrap();
        assert!(
            compiled.status.success(),
            "{}: {}",
            device.name,
            String::from_utf8_lossy(&compiled.stderr)
        );
        let run = Command::new(&binary).output().unwrap();
        assert!(run.status.success(), "{}", device.name);
        let printed: Vec<f64> = String::from_utf8(run.stdout)
            .unwrap()
            .lines()
            .map(|line| line.parse().unwrap())
            .collect();
        let expected: Vec<f64> = if device.number == Number::None {
            let settings = converted
                .list
                .stages
                .iter()
                .flat_map(|l| [l.stage.f0_hz, l.stage.gain_db, l.stage.q]);
            std::iter::once(converted.list.gain_db)
                .chain(settings)
                .collect()
        } else {
            let mut impulse = vec![0.0; 600];
            impulse[0] = 1.0;
            converted.list.bank().run(&impulse)
        };
        assert_eq!(printed.len(), expected.len());
        for (a, b) in printed.iter().zip(&expected) {
            // Direct form 1 there, transposed form 2 here.
            assert!((a - b).abs() < 1e-10, "{}: {a} {b}", device.name);
        }
    }
}

fn planish(arguments: &[&str]) -> Output {
    Command::new(env!("CARGO_BIN_EXE_planish"))
        .args(arguments)
        .output()
        .unwrap()
}

/// A folder with a list in it, and the list's path.
fn on_disk(list: &FilterList) -> (tempfile::TempDir, String) {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("filters.txt");
    std::fs::write(&path, write(list, &Coefficient::USUAL_ORDER).unwrap()).unwrap();
    let path = path.to_str().unwrap().to_string();
    (dir, path)
}

#[test]
fn as_a_process_it_prints_the_list_and_says_on_the_other_stream_what_became_of_it() {
    let (dir, path) = on_disk(&boosted(-8.0));
    let output = planish(&["convert", &path, "--device", "fixed-48k"]);
    assert_eq!(output.status.code(), Some(0));
    let text = String::from_utf8(output.stdout).unwrap();
    planish::read::filter_list::parse(Path::new("x"), &text).unwrap();
    let said = String::from_utf8(output.stderr).unwrap();
    for word in ["highshelf", "lowshelf", "--remedy scale or split"] {
        assert!(said.replace("\n  ", " ").contains(word), "{said}");
    }
    assert!(said.lines().all(|line| line.len() <= 80), "{said}");

    // Into a file: the words go to standard output, and the file holds the same list.
    let out = dir.path().join("box.txt");
    let output = planish(&[
        "convert",
        &path,
        "--device",
        "fixed-48k",
        "--out",
        out.to_str().unwrap(),
    ]);
    assert_eq!(std::fs::read_to_string(&out).unwrap(), text);
    assert!(
        String::from_utf8(output.stdout)
            .unwrap()
            .contains("box.txt")
    );

    // The list itself is spared.
    let output = planish(&["convert", &path, "--rate", "96000", "--out", &path]);
    assert_eq!(output.status.code(), Some(2));
    assert_eq!(
        planish::read::filter_list::read(Path::new(&path)).unwrap(),
        boosted(-8.0)
    );

    // What was converted is sound.
    assert_eq!(
        planish(&["check", out.to_str().unwrap()]).status.code(),
        Some(0)
    );
}

#[test]
fn table_and_document_hold_the_numbers_of_the_list() {
    let (_dir, path) = on_disk(&usual());
    let arguments = ["convert", &path, "--device", "fixed-88k"];
    let text = String::from_utf8(planish(&arguments).stdout).unwrap();
    let read = Read::new(&text);
    let table = planish(&[&arguments[..], &["--format", "csv"]].concat());
    let table = String::from_utf8(table.stdout).unwrap();
    let mut lines = table.lines().filter(|l| !l.starts_with('#'));
    let columns: Vec<&str> = lines.next().unwrap().split(',').collect();
    assert_eq!(columns[5..7], ["a1", "a2"], "the device's order");
    let mut rows = 0;
    for (line, expected) in lines.zip(&read.stages) {
        let row: HashMap<&str, &str> = columns.iter().copied().zip(line.split(',')).collect();
        for (i, name) in ["b0", "b1", "b2", "a1", "a2"].iter().enumerate() {
            let value: f64 = row[name].parse().unwrap();
            // Added feedback: the a numbers are negated.
            assert_eq!(if i > 2 { -value } else { value }, expected[i]);
            let word = i64::from(
                u32::from_str_radix(row[format!("word_{name}").as_str()], 16).unwrap() as i32,
            );
            assert_eq!(word as f64 / 2f64.powi(24), value);
        }
        rows += 1;
    }
    assert_eq!(rows, 4);
    let document = planish(&[&arguments[..], &["--json"]].concat());
    let document: serde_json::Value = serde_json::from_slice(&document.stdout).unwrap();
    assert_eq!(document["way"], "recomputed");
    assert_eq!(document["order"][0], "a1");
    assert_eq!(document["number"], "fixed 8.24");
    let first = &document["stages"][0];
    assert_eq!(
        first["coefficients"][2].as_f64().unwrap(),
        read.stages[0][0]
    );
    assert!(document["largest_difference_db"].as_f64().unwrap() >= 0.0);
    assert!(document["written"].is_null());
}

#[test]
fn a_wrong_call_ends_with_exit_code_2_and_writes_nothing() {
    let (dir, path) = on_disk(&usual());
    let out = dir.path().join("out.h");
    for (arguments, word) in [
        (vec!["--device", "no-such"], "no-such"),
        (vec!["--rate", "-1"], "8000"),
        (vec!["--number", "fixed 5"], "fixed I.F"),
        (vec!["--order", "b0,b1,b2,a1,a1"], "each once"),
        (vec!["--number", "fixed 1.15"], "two integer bits"),
        (vec!["--format", "pdf"], "csv"),
    ] {
        let mut call = vec!["convert", path.as_str()];
        call.extend(&arguments);
        call.extend(["--out", out.to_str().unwrap()]);
        let output = planish(&call);
        assert_eq!(output.status.code(), Some(2), "{arguments:?}");
        let said = String::from_utf8(output.stderr).unwrap();
        assert!(said.contains(word), "{said}");
        assert!(output.stdout.is_empty() && !out.exists());
    }
}
