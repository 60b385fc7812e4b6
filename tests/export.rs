//! Writing: what is written reads back to the bit, and files are whole or not there.

use planish::curve::Grid;
use planish::device::{Coefficient, Feedback, Number};
use planish::export::{files, filter_list as writer, speaker_folder};
use planish::filter::{Bank, Biquad, Kind, Stage};
use planish::filter_list::{FilterList, ListedStage, word};
use planish::read::device::device;
use planish::read::filter_list as reader;
use planish::read::folder::{Measured, read_speaker};
use planish::response::{Direction, Member, Orbit, Response};
use std::fs;
use std::path::Path;

/// SplitMix64. Source: Steele, Lea, Flood 2014, OOPSLA, fig. 17.
struct Chance(u64);

impl Chance {
    fn bits(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let z = (self.0 ^ (self.0 >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        let z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        z ^ (z >> 31)
    }

    fn below(&mut self, count: u64) -> usize {
        (self.bits() % count) as usize
    }

    fn between(&mut self, from: f64, to: f64) -> f64 {
        from + (to - from) * (self.bits() >> 11) as f64 / (1u64 << 53) as f64
    }

    /// Any finite number, of any size.
    fn finite(&mut self) -> f64 {
        loop {
            let value = f64::from_bits(self.bits());
            if value.is_finite() {
                return value;
            }
        }
    }
}

fn random_list(chance: &mut Chance) -> FilterList {
    let rate_hz = chance.between(8000.0, 200_000.0);
    let integer_bits = 1 + chance.below(16) as u32;
    let number = [
        Number::F64,
        Number::F32,
        Number::Fixed {
            integer_bits,
            fraction_bits: chance.below(u64::from(53 - integer_bits)) as u32,
        },
        Number::None,
    ][chance.below(4)];
    let mut word_order = Coefficient::USUAL_ORDER;
    if matches!(number, Number::Fixed { .. }) {
        for i in 0..5 {
            word_order.swap(i, i + chance.below(5 - i as u64));
        }
    }
    let coefficient = |chance: &mut Chance| match number {
        Number::F64 | Number::None => chance.finite(),
        Number::F32 => loop {
            let value = f32::from_bits(chance.bits() as u32);
            if value.is_finite() {
                return f64::from(value);
            }
        },
        Number::Fixed {
            integer_bits,
            fraction_bits,
        } => {
            // Kept off the lowest value, which has no negative.
            let limit = 2f64.powi(integer_bits as i32 - 1) - 2f64.powi(-(fraction_bits as i32));
            let value = chance.between(-limit, limit);
            number.quantise(value).unwrap()
        }
    };
    let stages = (0..chance.below(13))
        .map(|_| {
            let kind = Kind::ALL[chance.below(8)];
            let gain_db = if kind.has_gain() {
                chance.finite()
            } else {
                0.0
            };
            let biquad = (number != Number::None).then(|| Biquad {
                b0: coefficient(chance),
                b1: coefficient(chance),
                b2: coefficient(chance),
                a1: coefficient(chance),
                a2: coefficient(chance),
            });
            ListedStage {
                stage: Stage {
                    kind,
                    f0_hz: chance.between(1e-3, 0.499 * rate_hz),
                    gain_db,
                    q: chance.finite().abs().max(f64::MIN_POSITIVE),
                },
                biquad,
            }
        })
        .collect();
    let names = [
        "Quayside 5",
        "a \"b\" \\ c",
        "\t\u{1}\u{2028}\r\n",
        "\u{e4}\u{1F50A}",
        "",
    ];
    FilterList {
        speaker: names[chance.below(5)].to_string(),
        rate_hz,
        number,
        feedback: [Feedback::Subtracted, Feedback::Added][chance.below(2)],
        gain_db: chance.finite(),
        word_order,
        stages,
    }
}

/// Every number of a list by its bits, so that -0 and 0 differ.
fn bits(list: &FilterList) -> Vec<u64> {
    let mut all = vec![list.rate_hz, list.gain_db];
    for listed in &list.stages {
        all.extend([listed.stage.f0_hz, listed.stage.gain_db, listed.stage.q]);
        all.extend(
            listed
                .biquad
                .iter()
                .flat_map(|b| [b.b0, b.b1, b.b2, b.a1, b.a2]),
        );
    }
    all.into_iter().map(f64::to_bits).collect()
}

#[test]
fn random_lists_come_back_to_the_bit() {
    let mut chance = Chance(20_251_125);
    for _ in 0..2000 {
        let list = random_list(&mut chance);
        let text = writer::text(&list, &writer::CAUTIONS).unwrap();
        let back = reader::parse(Path::new("list"), &text).unwrap();
        assert_eq!(bits(&back), bits(&list), "{text}");
        assert_eq!(back.speaker, list.speaker);
        assert_eq!(
            (back.number, back.feedback, back.stages.len()),
            (list.number, list.feedback, list.stages.len())
        );
        let words = |list: &FilterList| -> Vec<Option<[u64; 5]>> {
            list.stages.iter().map(|stage| list.words(stage)).collect()
        };
        assert_eq!(words(&back), words(&list));
        assert_eq!(writer::text(&back, &writer::CAUTIONS).unwrap(), text);
    }
}

fn example() -> FilterList {
    let mut box_96k = device("fixed-96k").unwrap();
    use Coefficient::{A1, A2, B0, B1, B2};
    box_96k.word_order = [A2, A1, B2, B1, B0];
    let stages = [
        Stage {
            kind: Kind::Peaking,
            f0_hz: 812.4,
            gain_db: -3.1,
            q: 2.31,
        },
        Stage {
            kind: Kind::HighPass,
            f0_hz: 40.0,
            gain_db: 0.0,
            q: 0.7,
        },
    ];
    let round = |v: f64| box_96k.number.quantise(v).unwrap();
    let sections = stages
        .iter()
        .map(|stage| {
            let exact = stage.biquad(96_000.0);
            Biquad {
                b0: round(exact.b0),
                b1: round(exact.b1),
                b2: round(exact.b2),
                a1: round(exact.a1),
                a2: round(exact.a2),
            }
        })
        .collect();
    let bank = Bank {
        rate_hz: 96_000.0,
        gain_db: -0.5,
        sections,
    };
    FilterList::for_device("Quayside \"5\"", &box_96k, &stages, &bank).unwrap()
}

/// The text of [`example`]; its CRC-32 was computed with Python's `zlib.crc32`, its words with
/// `int(round(c * 2**23)) & 0xfffffff` from the cookbook's formulas.
const EXAMPLE: &str = include_str!("data/filter_list_fixed.txt");

#[test]
fn the_text_of_a_fixed_point_list_is_as_the_format_says() {
    assert_eq!(writer::text(&example(), &["start low"]).unwrap(), EXAMPLE);
}

#[test]
fn the_order_of_the_words_is_found_again() {
    let back = reader::parse(Path::new("list"), EXAMPLE).unwrap();
    let list = example();
    assert_eq!(back.words(&back.stages[1]), list.words(&list.stages[1]));
    assert!((back.bank().gain_at_db(812.4) + 3.6).abs() < 0.01);
}

/// Sets the right checksum under changed lines.
fn sealed(text: &str) -> String {
    let at = text.rfind("end ").unwrap();
    let count = text[at..].split(' ').nth(1).unwrap();
    format!(
        "{}end {count} crc32={:08x}\n",
        &text[..at],
        crc32fast::hash(&text.as_bytes()[..at])
    )
}

#[test]
fn what_a_list_should_not_hold_is_refused_with_its_place() {
    let plain = "planish-filters 1\nspeaker \"S\"\nrate_hz 48000\nequation y0 = b0*x0 + b1*x1 + b2*x2 - a1*y1 - a2*y2\nnumber f32\ngain_db -1\nstage 1 peaking f0_hz=100 gain_db=1 q=1\nb 1 0.5 0.25\na 0 0\nend 1 crc32=0\n";
    let plain = sealed(plain);
    assert!(reader::parse(Path::new("list"), &plain).is_ok());
    let fixed = EXAMPLE;
    for (text, from, to, wanted) in [
        (
            &*plain,
            "filters 1",
            "filters 2",
            "1:1: found \"planish-filters 2\", expected the line \"planish-filters 1\"",
        ),
        (
            &*plain,
            "speaker \"S\"",
            "speaker S",
            "2:9: found \"S\", expected a name in quotes",
        ),
        (
            &*plain,
            "\"S\"",
            "\"S\\n\"",
            "2:11: found \"\\\\n\\\"\", expected \\\", \\\\ or \\u{...}",
        ),
        (
            &*plain,
            "\"S\"",
            "\"S\" ",
            "2:12: found \" \", expected the end of the line after the name",
        ),
        (
            &*plain,
            "\"S\"",
            "\"S",
            "2:11: found nothing, expected a quote at the end of the name",
        ),
        (
            &*plain,
            "rate_hz 48000",
            "rate_hz -48000",
            "3:9: found \"-48000\", expected a rate above 0 Hz",
        ),
        (
            &*plain,
            "rate_hz 48000",
            "rate_hz  48000",
            "3:9: found \" 48000\", expected a number",
        ),
        (
            &*plain,
            "rate_hz 48000",
            "rate_hz inf",
            "3:9: found \"inf\", expected a number",
        ),
        (
            &*plain,
            "rate_hz 48000",
            "fs 48000",
            "3:1: found \"fs 48000\", expected a line that begins with \"rate_hz \"",
        ),
        (
            &*plain,
            "- a2*y2",
            "+ a2*y2",
            "4:10: found \"y0 = b0*x0 + b1*x1 + b2*x2 - a1*y1 + a2*...\", expected \"y0 = b0*x0 + b1*x1 + b2*x2 - a1*y1 - a2*y2\" or \"y0 = b0*x0 + b1*x1 + b2*x2 + a1*y1 + a2*y2\"",
        ),
        (
            &*plain,
            "number f32",
            "number f16",
            "5:8: found \"f16\", expected f64, f32, fixed I.F or none",
        ),
        (
            &*plain,
            "number f32",
            "number fixed 05.23",
            "5:8: found \"fixed 05.23\", expected f64, f32, fixed I.F or none",
        ),
        (
            &*plain,
            "stage 1",
            "stage 2",
            "7:7: found \"2\", expected 1",
        ),
        (
            &*plain,
            "peaking",
            "bell",
            "7:9: found \"bell\", expected a type of stage (peaking, lowshelf, highshelf, highpass, lowpass, bandpass, notch, allpass)",
        ),
        (
            &*plain,
            "f0_hz=100",
            "f0_hz=24000",
            "7:23: found \"24000\", expected a frequency above 0 Hz and below half the rate",
        ),
        (
            &*plain,
            "f0_hz=100",
            "fc=100",
            "7:17: found \"fc=100\", expected f0_hz=...",
        ),
        (
            &*plain,
            "gain_db=1 q=1",
            "q=1 gain_db=1",
            "7:27: found \"q=1\", expected gain_db=...",
        ),
        (
            &*plain,
            "q=1",
            "q=0",
            "7:39: found \"0\", expected a Q above 0",
        ),
        (
            &*plain,
            "q=1",
            "q=1 s=1",
            "7:41: found \"s=1\", expected the end of the line",
        ),
        (
            &*plain,
            "peaking f0_hz=100 gain_db=1",
            "lowpass f0_hz=100 gain_db=1",
            "7:27: found \"gain_db=1\", expected q=...",
        ),
        (
            &*plain,
            "b 1 0.5 0.25",
            "b 1 0.5",
            "8:8: found nothing, expected three numbers",
        ),
        (
            &*plain,
            "b 1 0.5 0.25",
            "b 1 0.1 0.25",
            "8:5: found \"0.1\", expected a number that f32 holds exactly",
        ),
        (
            &*plain,
            "a 0 0",
            "a 0 NaN",
            "9:5: found \"NaN\", expected a number",
        ),
        (
            &*plain,
            "a 0 0\n",
            "a 0 0\n\n",
            "10:1: found nothing, expected stage 2 or end 1",
        ),
        (
            &*plain,
            "a 0 0\n",
            "a 0 0\r\n",
            "9:6: found a carriage return, expected line feeds only\n  hint: a list that was changed on its way cannot be trusted",
        ),
        (
            &*plain,
            "end 1",
            "end 2",
            "10:5: found \"2\", expected 1, the number of stages above",
        ),
        (
            fixed,
            "number fixed 5.23",
            "number fixed 5.22",
            "9:42: found \"0.97",
        ),
        (
            fixed,
            "words f8378f5",
            "words e8378f5",
            "11:7: found \"e8378f5\", expected f8378f5, the word of a2 above",
        ),
        (
            fixed,
            "words f8378f5",
            "words F8378f5",
            "11:7: found \"F8378f5\", expected a word of 7 hexadecimal digits, lower case",
        ),
    ] {
        assert!(text.contains(from), "{from}");
        let changed = sealed(&text.replacen(from, to, 1));
        let error = reader::parse(Path::new("list"), &changed)
            .expect_err(to)
            .to_string();
        // The one that is about a long number is told by its beginning.
        let wanted = format!("list:{wanted}");
        let compared = match wanted.contains("expected") {
            true => &error[..],
            false => &error[..wanted.len()],
        };
        assert_eq!(compared, wanted, "{to}");
    }
}

#[test]
fn a_list_that_was_changed_or_cut_is_refused() {
    let touched = EXAMPLE.replacen("gain_db -0.5", "gain_db -0.4", 1);
    let error = reader::parse(Path::new("list"), &touched)
        .unwrap_err()
        .to_string();
    assert!(error.contains("the CRC-32 of the lines above"), "{error}");
    for cut in 0..EXAMPLE.len() {
        assert!(
            reader::parse(Path::new("list"), &EXAMPLE[..cut]).is_err(),
            "{cut}"
        );
    }
    for more in ["\n", " ", "# more\n", "end 2\n"] {
        let text = format!("{EXAMPLE}{more}");
        assert!(reader::parse(Path::new("list"), &text).is_err(), "{more:?}");
    }
    assert!(reader::parse(Path::new("list"), &format!("\u{FEFF}{EXAMPLE}")).is_err());
}

#[test]
fn every_single_changed_byte_is_noticed() {
    for at in 0..EXAMPLE.len() {
        let mut bytes = EXAMPLE.as_bytes().to_vec();
        bytes[at] ^= 1;
        if let Ok(text) = String::from_utf8(bytes) {
            assert!(reader::parse(Path::new("list"), &text).is_err(), "{at}");
        }
    }
}

#[test]
fn numbers_that_the_format_does_not_hold_are_not_written() {
    let mut list = example();
    list.stages[0].biquad.as_mut().unwrap().b1 += 2f64.powi(-24);
    assert!(writer::text(&list, &[]).is_err());
    let mut list = example();
    list.gain_db = f64::NAN;
    assert!(writer::text(&list, &[]).is_err());
}

/// Source: two's complement encodings computed with Python integers, `tests/data/qformat.csv`.
#[test]
fn words_agree_with_the_reference_encodings() {
    let mut checked = 0;
    for line in fs::read_to_string("tests/data/qformat.csv")
        .unwrap()
        .lines()
    {
        let fields: Vec<&str> = line.split(',').collect();
        let Ok(value) = fields[0].parse::<f64>() else {
            continue;
        };
        let format = format!("fixed {}", fields[1].trim_start_matches('Q'));
        let number = Number::from_name(&format).unwrap();
        let wanted = u64::from_str_radix(fields[3].trim_start_matches("0x"), 16).unwrap();
        let held = number.quantise(value);
        if fields[4] == "true" {
            assert_eq!(
                held, None,
                "{line}: beyond the range is refused, not saturated"
            );
        } else {
            assert_eq!(word(number, held.unwrap()), Some(wanted), "{line}");
        }
        checked += 1;
    }
    assert!(checked > 40);
}

#[test]
fn a_speaker_folder_comes_back_as_it_was_written() {
    let grid = Grid::logarithmic(100.0, 1600.0, 6.0);
    let member = |orbit, angle_deg: f64| Member {
        direction: Direction::new(orbit, angle_deg),
        levels_db: (0..grid.len())
            .map(|i| 80.0 - 0.125 * angle_deg.abs() - i as f64)
            .collect(),
        phase_deg: Some((0..grid.len()).map(|i| -500.0 * i as f64).collect()),
        mirrored: false,
    };
    let response = Response::new(
        grid.clone(),
        vec![
            member(Orbit::Horizontal, -170.0),
            member(Orbit::Horizontal, 0.0),
            member(Orbit::Horizontal, 7.5),
            member(Orbit::Vertical, 10.0),
        ],
    )
    .unwrap();
    let (response, _) = response.mirrored();
    let dir = tempfile::tempdir().unwrap();
    let out = dir.path().join("new/speaker");
    let name = "Lantern \"8\" \\ \u{e4}\n";
    let conditions = speaker_folder::Conditions {
        distance_m: Some(2.0),
        trusted_from_hz: Some(200.5),
        ..Default::default()
    };
    let written = speaker_folder::write(&out, name, &response, &conditions).unwrap();
    assert_eq!(written.len(), 5);
    let back = read_speaker(&out).unwrap();
    assert_eq!(back.name, name);
    assert_eq!((back.distance_m, back.drive_v), (Some(2.0), None));
    assert_eq!(back.trusted_from_hz, Some(200.5));
    assert_eq!(back.measured, Measured::Angles(response));
}

#[test]
fn files_are_replaced_whole_and_a_refusal_leaves_nothing_behind() {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("a.txt");
    files::write_atomic(&path, b"old").unwrap();
    files::write_atomic(&path, b"new").unwrap();
    assert_eq!(fs::read(&path).unwrap(), b"new");
    fs::create_dir(dir.path().join("blocked")).unwrap();
    let set = [("a.txt", b"newer".to_vec()), ("blocked", b"x".to_vec())];
    assert!(files::write_set(dir.path(), &set).is_err());
    assert_eq!(fs::read(&path).unwrap(), b"new");
    assert_eq!(
        fs::read_dir(dir.path()).unwrap().count(),
        2,
        "no temporary files"
    );
    let deep = dir.path().join("x/y");
    let set = [("no/such/folder.txt", b"x".to_vec())];
    assert!(files::write_set(&deep, &set).is_err());
    assert!(
        !dir.path().join("x").exists(),
        "folders made for nothing are gone"
    );
    files::write_set(&deep, &[("f.txt", b"1".to_vec())]).unwrap();
    assert!(deep.join("f.txt").exists());
}

#[cfg(unix)]
#[test]
fn written_files_have_the_rights_of_any_new_file() {
    use std::os::unix::fs::PermissionsExt;
    let dir = tempfile::tempdir().unwrap();
    files::write_atomic(&dir.path().join("ours"), b"").unwrap();
    fs::write(dir.path().join("plain"), b"").unwrap();
    let mode = |name: &str| {
        fs::metadata(dir.path().join(name))
            .unwrap()
            .permissions()
            .mode()
    };
    assert_eq!(mode("ours"), mode("plain"));
}
