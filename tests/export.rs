//! What is written is what is read back, and nothing else is.

use planish::audit::{self, Subject};
use planish::average::AveragedCurves;
use planish::curve::Grid;
use planish::device::{Coefficient, Device, Feedback, Number, Setting, StageLimits};
use planish::export::filter_list::{from_plan, of_device, write};
use planish::filter::{Biquad, Kind, Stage};
use planish::filter_list::{FilterList, ListedStage, in_convention, word};
use planish::fit::{self, Wanted};
use planish::predict::{Mendable, Plan, predict};
use planish::read::filter_list::{parse, read};
use planish::target::Target;
use std::path::Path;

/// A seeded generator for the tests. Source: Steele, Lea and Flood 2014, Fast Splittable
/// Pseudorandom Number Generators, OOPSLA, figure 17 (the SplitMix64 mix).
struct Chance(u64);

impl Chance {
    fn bits(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        z ^ (z >> 31)
    }

    fn below(&mut self, n: u64) -> u64 {
        self.bits() % n
    }

    fn between(&mut self, low: f64, high: f64) -> f64 {
        low + (high - low) * (self.bits() >> 11) as f64 / (1u64 << 53) as f64
    }

    /// Any finite value of 64 bits: subnormal, negative zero, huge.
    fn any_finite(&mut self) -> f64 {
        loop {
            let value = match self.below(8) {
                0 => -0.0,
                1 => 0.0,
                2 => self.between(-2.0, 2.0),
                _ => f64::from_bits(self.bits()),
            };
            if value.is_finite() {
                return value;
            }
        }
    }
}

fn number(chance: &mut Chance) -> Number {
    match chance.below(4) {
        0 => Number::F64,
        1 => Number::F32,
        2 => Number::None,
        _ => {
            let integer_bits = 1 + chance.below(64) as u32;
            let fraction_bits = chance.below(u64::from(65 - integer_bits)) as u32;
            Number::Fixed {
                integer_bits,
                fraction_bits,
            }
        }
    }
}

fn order(chance: &mut Chance) -> [Coefficient; 5] {
    let mut order = Coefficient::USUAL_ORDER;
    for i in (1..5).rev() {
        order.swap(i, chance.below(i as u64 + 1) as usize);
    }
    order
}

fn held(chance: &mut Chance, number: Number) -> f64 {
    loop {
        let wanted = match number {
            Number::Fixed { integer_bits, .. } => {
                let limit = (f64::from(integer_bits) - 1.0).exp2();
                chance.between(-limit, limit)
            }
            _ => chance.any_finite(),
        };
        // A device that adds its feedback has to hold the negated number, too.
        if let Some(value) = number.quantise(wanted)
            && number.quantise(-value).is_some()
        {
            return value;
        }
    }
}

fn list(chance: &mut Chance, order: &[Coefficient; 5]) -> FilterList {
    let number = number(chance);
    let rate_hz = [44100.0, 48000.0, 96000.0, 12345.678][chance.below(4) as usize];
    let feedback = [Feedback::Subtracted, Feedback::Added][chance.below(2) as usize];
    let names = [
        "Quayside 5",
        "",
        "a \"b\" \\ \n\t\r\u{0}\u{85}\u{2028} é #",
        "end 1 crc32=00000000",
    ];
    let stages = (0..chance.below(6))
        .map(|_| {
            let kind = Kind::ALL[chance.below(8) as usize];
            let stage = Stage {
                kind,
                f0_hz: chance.between(1e-9, 0.4999 * rate_hz),
                gain_db: if kind.has_gain() {
                    chance.any_finite()
                } else {
                    0.0
                },
                q: chance.any_finite().abs().max(1e-300),
            };
            let biquad = (number != Number::None).then(|| Biquad {
                b0: held(chance, number),
                b1: held(chance, number),
                b2: held(chance, number),
                a1: held(chance, number),
                a2: held(chance, number),
            });
            let words = match (number, biquad) {
                (Number::Fixed { .. }, Some(b)) => {
                    Some(order.map(|c| word(number, in_convention(&b, c, feedback)).unwrap()))
                }
                _ => None,
            };
            ListedStage {
                stage,
                biquad,
                words,
            }
        })
        .collect();
    FilterList {
        speaker: names[chance.below(4) as usize].to_string(),
        rate_hz,
        number,
        feedback,
        gain_db: chance.any_finite(),
        stages,
    }
}

/// Every number of a list by its bits, so that negative zeros count.
fn bits(list: &FilterList) -> Vec<u64> {
    let mut values = vec![list.rate_hz, list.gain_db];
    for listed in &list.stages {
        values.extend([listed.stage.f0_hz, listed.stage.gain_db, listed.stage.q]);
        if let Some(b) = listed.biquad {
            values.extend([b.b0, b.b1, b.b2, b.a1, b.a2]);
        }
    }
    values.into_iter().map(f64::to_bits).collect()
}

#[test]
fn random_lists_of_every_number_format_come_back_to_the_bit() {
    let mut chance = Chance(20_261_125);
    let mut formats = [0; 4];
    for _ in 0..4000 {
        let order = order(&mut chance);
        let list = list(&mut chance, &order);
        formats[match list.number {
            Number::F64 => 0,
            Number::F32 => 1,
            Number::Fixed { .. } => 2,
            Number::None => 3,
        }] += 1;
        let text = write(&list, &order).unwrap();
        let back = parse(Path::new("filters.txt"), &text).unwrap_or_else(|e| panic!("{e}\n{text}"));
        assert_eq!(back, list, "{text}");
        assert_eq!(bits(&back), bits(&list), "{text}");
        assert_eq!(
            write(&back, &order).unwrap(),
            text,
            "written again, the same bytes"
        );
    }
    assert!(formats.iter().all(|n| *n > 500), "{formats:?}");
}

/// A list of one stage in the format `fixed 5.27`, feedback added, words in another order than
/// the usual one.
fn small_list() -> String {
    let number = Number::from_name("fixed 5.27").unwrap();
    let section = Biquad {
        b0: 1.0,
        b1: -1.5,
        b2: 0.5,
        a1: -1.75,
        a2: 0.8125,
    };
    let stage = |kind, f0_hz| ListedStage {
        stage: Stage {
            kind,
            f0_hz,
            gain_db: if kind == Kind::Peaking { -3.5 } else { 0.0 },
            q: 0.7,
        },
        biquad: Some(section),
        words: None,
    };
    let list = FilterList {
        speaker: "Quayside 5".into(),
        rate_hz: 48000.0,
        number,
        feedback: Feedback::Added,
        gain_db: -2.5,
        stages: vec![stage(Kind::Peaking, 812.5), stage(Kind::HighPass, 20.0)],
    };
    use Coefficient::{A1, A2, B0, B1, B2};
    write(&list, &[B2, B1, B0, A2, A1]).unwrap()
}

/// `text` with the right checksum in its end line, so that the reader meets the fault itself.
fn with_right_sum(text: &str) -> String {
    let Some(at) = text.rfind("\nend ") else {
        return text.to_string();
    };
    let (body, end) = text.split_at(at + 1);
    let crc = crc32fast::hash(body.as_bytes());
    match end.split_once("crc32=") {
        Some((head, tail)) => format!("{body}{head}crc32={crc:08x}{}", &tail[8..]),
        None => text.to_string(),
    }
}

fn refusal(text: &str) -> String {
    match parse(Path::new("f.txt"), text) {
        Ok(list) => panic!("accepted: {list:?}\n{text}"),
        Err(error) => error.to_string(),
    }
}

#[test]
fn what_is_not_fully_understood_is_refused_with_its_place() {
    let sound = small_list();
    assert!(parse(Path::new("f.txt"), &sound).is_ok(), "{sound}");
    // What to change, into what, and where the message points. The cautions fill lines 2 to 6.
    let changes = [
        ("planish-filters 1", "planish-filters 2", "1:1: "),
        ("planish-filters 1", "\u{feff}planish-filters 1", "1:1: "),
        ("planish-filters 1\n", "", "1:1: "),
        ("speaker \"Quayside 5\"\n", "", "7:1: "),
        ("speaker \"Q", "speaker  \"Q", "7:9: "),
        ("\"Quayside 5\"", "\"Quayside \"5\"", "7:9: "),
        ("\"Quayside 5\"", "\"Quayside \\u{41}\"", "7:9: "),
        ("\"Quayside 5\"", "\"Quayside \\x41\"", "7:9: "),
        ("\"Quayside 5\"", "Quayside", "7:9: "),
        ("\"Quayside 5\"", "\"Quayside\t5\"", "7:9: "),
        ("rate_hz 48000", "rate_hz 0", "8:9: "),
        ("rate_hz 48000", "rate_hz 1e999", "8:9: "),
        ("rate_hz 48000", "rate_hz NaN", "8:9: "),
        ("rate_hz 48000", "rate_hz +48000", "8:9: "),
        ("rate_hz 48000", "rate_hz 048000", "8:9: "),
        ("rate_hz 48000", "rate_hz 48000 ", "8:15: "),
        ("rate_hz 48000", "rate_hz 48000 44100", "8:15: "),
        ("rate_hz 48000", "rate_hz", "8:8: "),
        ("rate_hz 48000", "rate 48000", "8:1: "),
        ("+ a1*y1", "- a1*y1", "9:10: "),
        ("fixed 5.27", "fixed 5,27", "10:8: "),
        ("fixed 5.27", "fixed 05.27", "10:8: "),
        ("fixed 5.27", "fixed 5.60", "10:8: "),
        ("fixed 5.27", "f64", "16:1: "),
        ("fixed 5.27", "none", "14:1: "),
        ("gain_db -2.5\n", "gain_db -.5\n", "11:9: "),
        ("gain_db -2.5\n", "gain_db -2,5\n", "11:9: "),
        ("gain_db -2.5\n", "\ngain_db -2.5\n", "11:1: "),
        ("stage 1", "stage 0", "13:7: "),
        ("stage 1 peaking", "stage 1 Peaking", "13:9: "),
        ("f0_hz=812.5", "f0_hz=24000", "13:23: "),
        ("f0_hz=812.5", "f0_hz=-1", "13:23: "),
        (
            "f0_hz=812.5 gain_db=-3.5",
            "gain_db=-3.5 f0_hz=812.5",
            "13:17: ",
        ),
        ("gain_db=-3.5 q", "q", "13:29: "),
        ("q=0.7\nb", "q=0\nb", "13:44: "),
        ("q=0.7\nb", "q=0.7 s=1\nb", "13:48: "),
        ("q=0.7\nb", "q=0.7\t\nb", "13:44: "),
        ("q=0.7\nb", "q=0.7\nc", "14:1: "),
        ("b 1 -1.5 0.5", "b 1 -1.5", "14:9: "),
        ("b 1 -1.5 0.5", "b 1.1 -1.5 0.5", "14:3: "),
        ("b 1 -1.5 0.5", "b 16 -1.5 0.5", "14:3: "),
        ("b 1 -1.5 0.5", "b 1 -1.5 -0", "14:10: "),
        ("a 1.75 -0.8125", "a 1.75 0.8125", "16:34: "),
        ("words 04000000", "words 4000000", "16:7: "),
        ("words 04000000", "words 0x4000000", "16:7: "),
        ("words 04000000", "words 04000001", "16:7: "),
        (
            "words 04000000 f4000000",
            "words f4000000 f4000000",
            "16:7: ",
        ),
        ("stage 2 highpass f0_hz=20", "stage 3 highpass", "17:7: "),
        ("f0_hz=20 q", "f0_hz=20 gain_db=0 q", "17:27: "),
        ("end 2", "end 1", "21:5: "),
        ("end 2 ", "end  2 ", "21:5: "),
        ("crc32=", "CRC32=", "21:7: "),
    ];
    for (from, to, place) in changes {
        assert!(sound.contains(from), "{from}");
        let text = with_right_sum(&sound.replacen(from, to, 1));
        let message = refusal(&text);
        assert!(
            message.starts_with(&format!("f.txt:{place}")),
            "{to:?}: {message}"
        );
    }
    // Both stages hold the same numbers; the words of the second stand in another order.
    let (head, tail) = sound.split_at(sound.rfind("words ").unwrap());
    let swapped = format!(
        "{head}{}",
        tail.replacen("04000000 f4000000", "f4000000 04000000", 1)
    );
    assert!(refusal(&with_right_sum(&swapped)).starts_with("f.txt:20:7: "));
}

#[test]
fn line_ends_of_other_systems_a_cut_file_and_an_addition_are_refused() {
    let sound = small_list();
    assert!(refusal(&sound.replace('\n', "\r\n")).starts_with("f.txt:1:18: found a carriage"));
    assert!(refusal(sound.trim_end()).contains("expected a line end"));
    assert!(refusal(&format!("{sound}# a comment\n")).starts_with("f.txt:22:1: "));
    assert!(refusal(&format!("{sound}\n")).starts_with("f.txt:22:1: "));
    assert!(refusal("").starts_with("f.txt:1:1: "));
    for (end, _) in sound.char_indices() {
        refusal(&sound[..end]);
    }
}

#[test]
fn a_comment_may_stand_anywhere_inside_but_counts_for_the_sum() {
    let sound = small_list();
    let plain = parse(Path::new("f.txt"), &sound).unwrap();
    let commented: String = sound
        .lines()
        .map(|line| match line.strip_prefix("end") {
            Some(_) => format!("{line}\n"),
            None => format!("{line}\n#\n# end 7\n"),
        })
        .collect();
    assert!(refusal(&commented).contains("changed after it was written"));
    let read = parse(Path::new("f.txt"), &with_right_sum(&commented)).unwrap();
    assert_eq!(read, plain);
}

#[test]
fn any_single_changed_byte_is_noticed() {
    let sound = small_list();
    for at in 0..sound.len() {
        let mut bytes = sound.clone().into_bytes();
        bytes[at] = if bytes[at] == b'1' { b'2' } else { b'1' };
        if let Ok(text) = String::from_utf8(bytes) {
            refusal(&text);
        }
    }
}

#[test]
fn an_unstable_section_is_read_as_it_stands() {
    let list = FilterList {
        speaker: "x".into(),
        rate_hz: 48000.0,
        number: Number::F64,
        feedback: Feedback::Subtracted,
        gain_db: 0.0,
        stages: vec![ListedStage {
            stage: Stage {
                kind: Kind::Notch,
                f0_hz: 50.0,
                gain_db: 0.0,
                q: 30.0,
            },
            biquad: Some(Biquad {
                a1: -2.5,
                a2: 1.5,
                ..Biquad::THROUGH
            }),
            words: None,
        }],
    };
    let text = write(&list, &Coefficient::USUAL_ORDER).unwrap();
    let back = parse(Path::new("f.txt"), &text).unwrap();
    assert!(!back.stages[0].biquad.unwrap().is_stable());
}

#[test]
fn a_file_that_is_no_utf8_is_refused_with_its_place() {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("filters.txt");
    std::fs::write(&path, small_list()).unwrap();
    assert_eq!(read(&path).unwrap().stages.len(), 2);
    std::fs::write(&path, b"planish-filters 1\n# \xff\n").unwrap();
    let message = read(&path).unwrap_err().to_string();
    assert!(
        message.contains("filters.txt:2:3: found bytes"),
        "{message}"
    );
    let message = read(&dir.path().join("none.txt")).unwrap_err().to_string();
    assert!(message.contains("none.txt: cannot read"), "{message}");
}

fn device(number: Number, feedback: Feedback, word_order: [Coefficient; 5]) -> Device {
    Device {
        name: "box".into(),
        about: String::new(),
        rate_hz: 48000.0,
        number,
        feedback,
        word_order,
        stages: 3,
        level_step_db: 0.1,
        limits: vec![StageLimits {
            kind: Kind::Peaking,
            at_most: None,
            f0_hz: Setting::Range {
                from: 20.0,
                to: 20000.0,
            },
            gain_db: Setting::Range {
                from: -12.0,
                to: 6.0,
            },
            q: Setting::Range {
                from: 0.3,
                to: 10.0,
            },
        }],
    }
}

/// A plan for a made-up speaker of which only the averages are known: flat with two bumps.
fn plan(device: &Device) -> Plan {
    let grid = Grid::logarithmic(20.0, 20000.0, 12.0);
    let bump = |f_hz: f64, centre_hz: f64| (-(2.0 * (f_hz / centre_hz).log2()).powi(2)).exp();
    let level_db = |f: &f64| 80.0 + 4.0 * bump(*f, 300.0) - 2.0 * bump(*f, 2500.0);
    let levels_db: Vec<f64> = grid.freqs_hz().iter().map(level_db).collect();
    let same = Some(levels_db);
    let curves = AveragedCurves::from_table(
        grid,
        [
            same.clone(),
            same.clone(),
            same.clone(),
            same,
            None,
            None,
            None,
        ],
    );
    let target = Target {
        name: "flat".into(),
        about: String::new(),
        reason: String::new(),
        points: vec![planish::curve::At {
            f_hz: 20.0,
            value_db: 0.0,
        }],
        in_room_slope_db_per_oct: None,
    };
    let subject = Subject {
        response: None,
        curves: &curves,
        target: &target,
        trusted: Default::default(),
        second_source: None,
    };
    let audit = audit::audit(&subject, &audit::Options::default()).unwrap();
    let wanted = Wanted {
        freqs_hz: audit.grid.freqs_hz(),
        gain_db: audit.wish.eq.values_db(),
        weights: &audit.fit_weights,
    };
    let fit = fit::fit(&wanted, device, &fit::Options::default()).unwrap();
    let prediction = predict(&subject, &audit, &[], &fit.stages, device).unwrap();
    Plan {
        speaker: "Quayside 5".into(),
        curves: curves.clone(),
        trusted: Default::default(),
        target: target.clone(),
        device: device.clone(),
        mendable: Mendable::new(&audit.deviations, &audit.wish.eq, &prediction.eq),
        findings: Vec::new(),
        wish: audit.wish.clone(),
        audit,
        crossover: None,
        fit,
        prediction,
        situation: Default::default(),
        asked: Default::default(),
        taken_back: 0,
        per_unit: Vec::new(),
    }
}

/// What a script of ten lines makes of a list: the output for `input` by the list's own equation.
fn ten_line_script(text: &str, input: &[f64]) -> Vec<f64> {
    let line = |name: &str| text.lines().find_map(|l| l.strip_prefix(name)).unwrap();
    let numbers = |l: &str| -> Vec<f64> { l.split(' ').map(|v| v.parse().unwrap()).collect() };
    let sign = if line("equation ").contains("- a1*y1") {
        -1.0
    } else {
        1.0
    };
    let level = 10f64.powf(numbers(line("gain_db "))[0] / 20.0);
    let mut signal: Vec<f64> = input.iter().map(|x| x * level).collect();
    let b = text
        .lines()
        .filter_map(|l| l.strip_prefix("b "))
        .map(numbers);
    let a = text
        .lines()
        .filter_map(|l| l.strip_prefix("a "))
        .map(numbers);
    for (b, a) in b.zip(a) {
        let (mut x1, mut x2, mut y1, mut y2) = (0.0, 0.0, 0.0, 0.0);
        for sample in &mut signal {
            let x0 = *sample;
            let y0 = b[0] * x0 + b[1] * x1 + b[2] * x2 + sign * (a[0] * y1 + a[1] * y2);
            (x2, x1, y2, y1, *sample) = (x1, x0, y1, y0, y0);
        }
    }
    signal
}

#[test]
fn the_list_of_a_plan_is_what_was_predicted_for_every_number_format_and_sign_convention() {
    use Coefficient::{A1, A2, B0, B1, B2};
    let fixed = Number::from_name("fixed 5.27").unwrap();
    for (number, feedback, order) in [
        (Number::F64, Feedback::Subtracted, Coefficient::USUAL_ORDER),
        (Number::F32, Feedback::Added, Coefficient::USUAL_ORDER),
        (fixed, Feedback::Added, [B2, B1, B0, A2, A1]),
        (fixed, Feedback::Subtracted, [A1, A2, B0, B1, B2]),
        (Number::None, Feedback::Subtracted, Coefficient::USUAL_ORDER),
    ] {
        let plan = plan(&device(number, feedback, order));
        assert!(!plan.fit.stages.is_empty());
        let list = from_plan(&plan).unwrap();
        assert_eq!(list.bank(), plan.prediction.bank);
        let text = write(&list, &plan.device.word_order).unwrap();
        let back = parse(Path::new("filters.txt"), &text).unwrap();
        assert_eq!(back, list);
        assert_eq!(
            back.stages.iter().map(|s| s.stage).collect::<Vec<_>>(),
            plan.fit.stages
        );
        if number != Number::None {
            let mut impulse = vec![0.0; 500];
            impulse[0] = 1.0;
            let script = ten_line_script(&text, &impulse);
            for (a, b) in script.iter().zip(plan.prediction.bank.run(&impulse)) {
                // Direct form 1 there, transposed form 2 here: rounding of double arithmetic.
                assert!((a - b).abs() < 1e-12, "{a} {b}");
            }
        }
    }
}

#[test]
fn a_coefficient_that_the_device_cannot_negate_is_refused() {
    // -2 is the lowest number of `fixed 2.30`, +2 is beyond it.
    let section = Biquad {
        a1: -2.0,
        ..Biquad::THROUGH
    };
    let stage = Stage {
        kind: Kind::Peaking,
        f0_hz: 100.0,
        gain_db: -1.0,
        q: 1.0,
    };
    let number = Number::from_name("fixed 2.30").unwrap();
    for (feedback, fits) in [(Feedback::Subtracted, true), (Feedback::Added, false)] {
        let device = device(number, feedback, Coefficient::USUAL_ORDER);
        let list = of_device("x", &device, 0.0, &[stage], &[section]);
        assert_eq!(list.is_ok(), fits);
    }
    let device = device(number, Feedback::Subtracted, Coefficient::USUAL_ORDER);
    assert!(
        of_device("x", &device, 0.0, &[stage], &[]).is_err(),
        "a section is missing"
    );
}
