//! What is written and read again is the same, for inputs drawn at random: tables, speaker folders,
//! sound files, devices, targets, curves of plans, responses of filter lists. (Filter lists to the
//! bit: `tests/export.rs`.)

use planish::average::{AveragedCurves, RearWall};
use planish::curve::Grid;
use planish::device::{Coefficient, Device, Feedback, Number, Setting, StageLimits};
use planish::export;
use planish::filter::{Kind, Stage};
use planish::filter_list::{FilterList, ListedStage};
use planish::read;
use planish::read::folder::{Measured, read_speaker};
use planish::response::{Direction, Member, Orbit, Response};
use planish::wav::{Format, Reader, Sample, Writer};
use std::fmt::Write;
use std::fs;
use std::io::Cursor;
use std::path::Path;

/// How many are drawn of each.
const DRAWN: u64 = 200;

/// SplitMix64. Source: Steele, Lea, Flood 2014, OOPSLA, fig. 17.
struct Dice(u64);

impl Dice {
    fn bits(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let z = (self.0 ^ (self.0 >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        let z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        z ^ (z >> 31)
    }

    fn below(&mut self, count: usize) -> usize {
        (self.bits() % count as u64) as usize
    }

    fn between(&mut self, low: f64, high: f64) -> f64 {
        low + (high - low) * (self.bits() >> 11) as f64 / (1u64 << 53) as f64
    }

    fn coin(&mut self) -> bool {
        self.below(2) == 0
    }
}

fn frequencies(dice: &mut Dice) -> Vec<f64> {
    let count = 8 + dice.below(40);
    let mut freqs_hz: Vec<f64> = (0..count)
        .map(|_| dice.between(1.0f64.ln(), 1e5f64.ln()).exp())
        .collect();
    freqs_hz.sort_by(f64::total_cmp);
    freqs_hz.dedup();
    freqs_hz
}

#[test]
fn a_table_says_the_same_in_every_notation() {
    let dir = tempfile::tempdir().unwrap();
    let file = dir.path().join("w.csv");
    for seed in 0..DRAWN {
        let mut dice = Dice(seed);
        let freqs_hz = frequencies(&mut dice);
        let rows: Vec<(f64, f64, f64)> = freqs_hz
            .iter()
            .map(|f| (*f, dice.between(-200.0, 200.0), dice.between(0.0, 1e9)))
            .collect();
        let separator = [",", ";", "\t", "  ", " "][dice.below(5)];
        let end = ["\n", "\r\n", "\r"][dice.below(3)];
        let decimal_comma = separator != "," && dice.coin();
        let number = |value: f64, dice: &mut Dice| {
            let text = if dice.coin() {
                format!("{value}")
            } else {
                format!("{value:e}")
            };
            if decimal_comma {
                text.replace('.', ",")
            } else {
                text
            }
        };
        let mut text = String::new();
        if dice.coin() {
            text += "\u{FEFF}";
        }
        for mark in ["#", ";", "*", "\"", "//", "%"] {
            if dice.coin() {
                write!(text, "{mark} a remark, 1; 2{end}").unwrap();
            }
        }
        if dice.coin() {
            write!(text, "freq_hz{separator}gain_db{separator}weight{end}").unwrap();
        }
        let mut order: Vec<usize> = (0..rows.len()).collect();
        for i in (1..order.len()).rev() {
            order.swap(i, dice.below(i + 1));
        }
        // A comma that is never needed says nothing of which sign the decimals have.
        for i in order {
            let (f, gain, weight) = rows[i];
            let fields = [
                number(f, &mut dice),
                number(gain, &mut dice),
                number(weight, &mut dice),
            ];
            write!(text, "{}{end}", fields.join(separator)).unwrap();
            if dice.below(6) == 0 {
                write!(text, "{end}").unwrap();
            }
        }
        fs::write(&file, &text).unwrap();
        let wanted = read::wanted::read(&file)
            .unwrap_or_else(|error| panic!("seed {seed}: {error}\n{text}"));
        let back: Vec<(f64, f64, f64)> = wanted
            .freqs_hz
            .iter()
            .zip(&wanted.gain_db)
            .zip(&wanted.weights)
            .map(|((f, gain), weight)| (*f, *gain, *weight))
            .collect();
        assert_eq!(back, rows, "seed {seed}");
    }
}

#[test]
fn a_speaker_folder_reads_back_as_the_response_it_was_written_from() {
    for seed in 0..DRAWN / 4 {
        let mut dice = Dice(seed);
        let grid = Grid::new(frequencies(&mut dice)).unwrap();
        let mut members = Vec::new();
        for orbit in [Orbit::Horizontal, Orbit::Vertical] {
            // Both sides, so that none is mirrored.
            let angles: Vec<i32> = (-17..=18)
                .filter(|a| [-1, 0, 1].contains(a) || dice.coin())
                .collect();
            for angle in angles {
                members.push(Member {
                    direction: Direction::new(orbit, 10.0 * f64::from(angle)),
                    levels_db: grid
                        .freqs_hz()
                        .iter()
                        .map(|_| dice.between(-100.0, 120.0))
                        .collect(),
                    phase_deg: None,
                    mirrored: false,
                });
            }
        }
        let response = Response::new(grid, members).unwrap();
        let name = [
            "Quayside 5",
            "a \"quoted\" \\ name",
            "Ω µ\u{301} 扬声器",
            " x",
        ][dice.below(4)];
        let dir = tempfile::tempdir().unwrap();
        for (file, text) in
            export::folder::speaker_files(name, &response, Some((2.0, 9e4)), "drawn\nby chance")
        {
            fs::write(dir.path().join(file), text).unwrap();
        }
        let speaker = match read_speaker(dir.path()) {
            Ok(speaker) => speaker,
            // The one thing that may be wrong with a table drawn by chance.
            Err(error) if error.to_string().contains("trusted") => continue,
            Err(error) => panic!("seed {seed}: {error}"),
        };
        assert_eq!(speaker.name, name);
        let Measured::Angles(back) = &speaker.measured else {
            panic!("angles were written");
        };
        assert_eq!(back.grid().len(), response.grid().len());
        for (x, y) in back
            .grid()
            .freqs_hz()
            .iter()
            .zip(response.grid().freqs_hz())
        {
            // Frequencies are written with six significant digits.
            assert!((x / y - 1.0).abs() <= 5e-6, "seed {seed}: {x} and {y} Hz");
        }
        assert_eq!(back.members().len(), response.members().len());
        for (a, b) in back.members().iter().zip(response.members()) {
            assert_eq!(a.direction, b.direction);
            for (x, y) in a.levels_db.iter().zip(&b.levels_db) {
                // Levels are written with two decimals; half a step and the rounding of binary
                // fractions.
                assert!((x - y).abs() < 0.005 + 1e-9, "seed {seed}: {x} and {y}");
            }
        }
    }
}

#[test]
fn sound_reads_back_to_the_bit_in_every_format() {
    for seed in 0..DRAWN {
        let mut dice = Dice(seed);
        let sample = [
            Sample::U8,
            Sample::I16,
            Sample::I24,
            Sample::I32,
            Sample::F32,
            Sample::F64,
        ][dice.below(6)];
        let format = Format {
            rate_hz: 1 + dice.below(400_000) as u32,
            channels: 1 + dice.below(9) as u16,
            sample,
            channel_mask: if dice.coin() {
                0
            } else {
                dice.below(1 << 18) as u32
            },
        };
        let count = usize::from(format.channels) * dice.below(300);
        let samples: Vec<f64> = (0..count)
            .map(|_| match sample.step() {
                Some(step) => (dice.between(-1.0, 1.0) / step).floor() * step,
                None if sample == Sample::F32 => f64::from(dice.between(-1e9, 1e9) as f32),
                // No larger sample is taken for sound.
                None => dice.between(-1e50, 1e50),
            })
            .collect();
        let announced = dice
            .coin()
            .then_some((count / usize::from(format.channels)) as u64);
        let sink = Cursor::new(Vec::new());
        let mut writer = Writer::new(Path::new("w.wav"), sink, format, announced).unwrap();
        let cut = samples
            .chunks(usize::from(format.channels) * 7)
            .map(|block| writer.write(block).unwrap())
            .sum::<u64>();
        assert_eq!(cut, 0);
        let bytes = writer.finish().unwrap().into_inner();
        let mut reader = Reader::new(Path::new("w.wav"), bytes.as_slice()).unwrap();
        assert_eq!(reader.format(), format, "seed {seed}");
        let (mut back, mut block) = (Vec::new(), Vec::new());
        while reader.read(&mut block, 1 + dice.below(50)).unwrap() > 0 {
            back.extend_from_slice(&block);
        }
        assert_eq!(back, samples, "seed {seed}, {format:?}");
    }
}

/// A setting drawn at random, and how it stands in a file.
fn setting(dice: &mut Dice, low: f64, high: f64) -> (Setting, String) {
    let (a, b) = (dice.between(low, high), dice.between(low, high));
    let (from, to) = (a.min(b), a.max(b));
    match dice.below(3) {
        0 => (
            Setting::Range { from, to },
            format!("{{ from = {from:?}, to = {to:?} }}"),
        ),
        1 => {
            let step = (to - from) / dice.between(1.0, 90_000.0);
            (
                Setting::Steps { from, to, step },
                format!("{{ from = {from:?}, to = {to:?}, step = {step:?} }}"),
            )
        }
        _ => {
            let count = 1 + dice.below(30);
            let mut list: Vec<f64> = (0..count).map(|_| dice.between(low, high)).collect();
            list.sort_by(f64::total_cmp);
            list.dedup();
            (
                Setting::List(list.clone()),
                format!("{{ list = {list:?} }}"),
            )
        }
    }
}

#[test]
fn a_device_file_says_what_the_device_is() {
    let dir = tempfile::tempdir().unwrap();
    for seed in 0..DRAWN {
        let mut dice = Dice(seed);
        let rate_hz = dice.between(8_000.0, 1_000_000.0).round();
        let number = match dice.below(4) {
            0 => Number::F64,
            1 => Number::F32,
            2 => Number::None,
            _ => {
                let integer_bits = 1 + dice.below(32) as u32;
                Number::Fixed {
                    integer_bits,
                    fraction_bits: dice.below(32) as u32,
                }
            }
        };
        let (feedback, said) = if number != Number::None && dice.coin() {
            (Feedback::Added, "added")
        } else {
            (Feedback::Subtracted, "subtracted")
        };
        let mut word_order = Coefficient::USUAL_ORDER;
        for i in (1..5).rev() {
            word_order.swap(i, dice.below(i + 1));
        }
        let stages = 1 + dice.below(100);
        let words = word_order.map(Coefficient::name);
        let level_step_db = [0.1, 0.25, 0.5, 1.0][dice.below(4)];
        let mut text = format!(
            "about = \"Drawn\"\nrate_hz = {rate_hz}\nnumber = \"{number}\"\nfeedback = \"{said}\"\nword_order = {words:?}\nstages = {stages}\nlevel_step_db = {level_step_db}\n"
        );
        let mut limits = Vec::new();
        for kind in Kind::ALL {
            if !limits.is_empty() && dice.coin() {
                continue;
            }
            let at_most = dice.coin().then(|| 1 + dice.below(stages));
            writeln!(text, "[{}]", kind.name()).unwrap();
            if let Some(count) = at_most {
                writeln!(text, "at_most = {count}").unwrap();
            }
            let (f0_hz, f0_said) = setting(&mut dice, 1.0, 0.49 * rate_hz);
            let (q, q_said) = setting(&mut dice, 0.01, 190.0);
            writeln!(text, "f0_hz = {f0_said}\nq = {q_said}").unwrap();
            let gain_db = if kind.has_gain() {
                let (gain_db, gain_said) = setting(&mut dice, -59.0, 59.0);
                writeln!(text, "gain_db = {gain_said}").unwrap();
                gain_db
            } else {
                Setting::List(vec![0.0])
            };
            limits.push(StageLimits {
                kind,
                at_most,
                f0_hz,
                gain_db,
                q,
            });
        }
        let file = dir.path().join("drawn.toml");
        fs::write(&file, &text).unwrap();
        let device = read::device::device(file.to_str().unwrap())
            .unwrap_or_else(|error| panic!("{error}\n{text}"));
        let expected = Device {
            name: "drawn".into(),
            about: "Drawn".into(),
            rate_hz,
            number,
            feedback,
            word_order,
            stages,
            level_step_db,
            limits,
        };
        assert_eq!(device, expected, "seed {seed}");
    }
}

#[test]
fn a_target_file_says_what_the_target_is() {
    let dir = tempfile::tempdir().unwrap();
    let file = dir.path().join("drawn.toml");
    for seed in 0..DRAWN {
        let mut dice = Dice(seed);
        let points: Vec<(f64, f64)> = frequencies(&mut dice)
            .into_iter()
            .map(|f| (f, dice.between(-40.0, 40.0)))
            .collect();
        let said: Vec<[f64; 2]> = points.iter().map(|(f, level)| [*f, *level]).collect();
        let slope = dice.coin().then(|| dice.between(-6.0, 6.0));
        let mut text = format!("about = \"Drawn\"\nreason = \"by chance\"\npoints = {said:?}\n");
        if let Some(slope) = slope {
            writeln!(text, "in_room_slope_db_per_oct = {slope:?}").unwrap();
        }
        fs::write(&file, &text).unwrap();
        let target = read::target::target(file.to_str().unwrap()).unwrap();
        let read: Vec<(f64, f64)> = target.points.iter().map(|p| (p.f_hz, p.value_db)).collect();
        assert_eq!(read, points, "seed {seed}");
        assert_eq!(target.in_room_slope_db_per_oct, slope);
    }
}

#[test]
fn the_curves_a_plan_writes_are_those_it_promises() {
    for seed in 0..DRAWN / 4 {
        let mut dice = Dice(seed);
        let grid = Grid::new(frequencies(&mut dice)).unwrap();
        let mut drawn = || -> AveragedCurves {
            let columns: [Option<Vec<f64>>; 7] = std::array::from_fn(|i| {
                (i == 1 || dice.coin()).then(|| {
                    grid.freqs_hz()
                        .iter()
                        .map(|_| dice.between(-80.0, 120.0))
                        .collect()
                })
            });
            AveragedCurves::from_table(grid.clone(), columns)
        };
        let (before, after) = (drawn(), drawn());
        let dir = tempfile::tempdir().unwrap();
        let file = dir.path().join("curves.csv");
        fs::write(&file, export::curves::table(&before, Some(&after)).unwrap()).unwrap();
        let promised = read::plan_curves::read(&file).unwrap();
        assert_eq!(promised.curves.grid, grid);
        for ((name, wanted), (_, back)) in after.named().into_iter().zip(promised.curves.named()) {
            let Some(wanted) = wanted else { continue };
            for (x, y) in wanted.levels_db.iter().zip(&back.unwrap().levels_db) {
                // Four decimals are written.
                assert!(
                    (x - y).abs() <= 0.000_05 + 1e-9,
                    "seed {seed}, {name}: {x} and {y}"
                );
            }
        }
        // The same table is that of a speaker with averaged curves only.
        let toml = "[speaker]\nname = \"Drawn\"\n[curves]\ntable = \"c.csv\"\n";
        fs::write(dir.path().join("speaker.toml"), toml).unwrap();
        fs::write(
            dir.path().join("c.csv"),
            export::curves::table(&before, None).unwrap(),
        )
        .unwrap();
        let speaker = planish::run::Speaker::read(dir.path(), RearWall::ThreePoints).unwrap();
        let (wanted, back) = (&before.listening_window, &speaker.curves.listening_window);
        let (wanted, back) = (wanted.as_ref().unwrap(), back.as_ref().unwrap());
        for (x, y) in wanted.levels_db.iter().zip(&back.levels_db) {
            assert!((x - y).abs() <= 0.000_05 + 1e-9);
        }
    }
}

#[test]
fn the_response_of_a_list_read_as_a_measurement_matches_the_list() {
    let dir = tempfile::tempdir().unwrap();
    for seed in 0..DRAWN / 8 {
        let mut dice = Dice(seed);
        let rate_hz = [44_100.0, 48_000.0, 96_000.0][dice.below(3)];
        let stages = (0..1 + dice.below(8))
            .map(|_| {
                let stage = Stage {
                    kind: [Kind::Peaking, Kind::LowShelf, Kind::HighShelf][dice.below(3)],
                    f0_hz: dice.between(40f64.ln(), 15_000f64.ln()).exp(),
                    gain_db: dice.between(-9.0, 6.0),
                    q: dice.between(0.5, 4.0),
                };
                ListedStage {
                    stage,
                    biquad: Some(stage.biquad(rate_hz)),
                    words: None,
                }
            })
            .collect();
        let mut list = FilterList {
            speaker: "Drawn".into(),
            rate_hz,
            number: Number::F64,
            feedback: Feedback::Subtracted,
            gain_db: 0.0,
            stages,
        };
        list.gain_db = -list.bank().peak_db().max(0.0);
        let (list_file, table_file) = (
            dir.path().join("filters.txt"),
            dir.path().join("response.csv"),
        );
        fs::write(
            &list_file,
            export::filter_list::write(&list, &Coefficient::USUAL_ORDER).unwrap(),
        )
        .unwrap();
        // What each stage does alone is told beside; a loopback has no such columns.
        let table: String = export::checked::response_table(&list)
            .lines()
            .map(|line| line.split(',').take(3).collect::<Vec<_>>().join(",") + "\n")
            .collect();
        fs::write(&table_file, table).unwrap();
        let checked = planish::run::check::check(&list_file, Some(&table_file), true).unwrap();
        let compared = checked.compared.unwrap();
        assert!(compared.matches, "seed {seed}: {compared:?}");
    }
}
