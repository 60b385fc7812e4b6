//! `planish apply`: against other implementations of the same filters, published loudness, and as
//! a process.

use biquad::Biquad as _;
use planish::apply::{Arithmetic, Engine, Levels, Loudness};
use planish::device::{Coefficient, Feedback, Number};
use planish::filter::{Biquad, Kind, Stage};
use planish::filter_list::{FilterList, ListedStage};
use planish::run::apply::{ApplyOptions, apply};
use planish::wav::{Format, Recording, Sample, Writer, read_whole};
use std::path::{Path, PathBuf};
use std::process::{Command, Output};

/// A folder of its own for each test.
struct Desk {
    dir: tempfile::TempDir,
}

impl Desk {
    fn new() -> Self {
        Desk {
            dir: tempfile::tempdir().unwrap(),
        }
    }

    fn path(&self, name: &str) -> PathBuf {
        self.dir.path().join(name)
    }

    fn names(&self) -> Vec<String> {
        let entries = std::fs::read_dir(self.dir.path()).unwrap();
        let mut names: Vec<String> = entries
            .map(|entry| entry.unwrap().file_name().into_string().unwrap())
            .collect();
        names.sort();
        names
    }

    fn list(&self, list: &FilterList) -> PathBuf {
        let path = self.path("filters.txt");
        let text = planish::export::filter_list::write(list, &Coefficient::USUAL_ORDER).unwrap();
        std::fs::write(&path, text).unwrap();
        path
    }

    fn sound(&self, name: &str, format: Format, samples: &[f64]) -> PathBuf {
        let path = self.path(name);
        let file = std::fs::File::create(&path).unwrap();
        let mut writer = Writer::new(&path, file, format, None).unwrap();
        writer.write(samples).unwrap();
        writer.finish().unwrap();
        path
    }
}

fn format(sample: Sample, channels: u16) -> Format {
    Format {
        rate_hz: 48_000,
        channels,
        sample,
        channel_mask: 0,
    }
}

/// Six stages of all gained types, from a low and narrow one to a high and broad one.
fn stages() -> Vec<Stage> {
    [
        (Kind::Peaking, 31.0, 4.0, 8.0),
        (Kind::LowShelf, 90.0, -5.0, 0.7),
        (Kind::Peaking, 812.4, -3.1, 2.31),
        (Kind::Peaking, 3_000.0, 2.0, 1.0),
        (Kind::Peaking, 9_100.0, -6.0, 5.0),
        (Kind::HighShelf, 6_000.0, 3.0, 0.71),
    ]
    .map(|(kind, f0_hz, gain_db, q)| Stage {
        kind,
        f0_hz,
        gain_db,
        q,
    })
    .to_vec()
}

fn list(number: Number, feedback: Feedback, gain_db: f64, stages: &[Stage]) -> FilterList {
    let rate_hz = 48_000.0;
    let held = |value| number.quantise(value).expect("within the format");
    FilterList {
        speaker: "Quayside 5".into(),
        rate_hz,
        number,
        feedback,
        gain_db,
        stages: stages
            .iter()
            .map(|stage| {
                let exact = stage.biquad(rate_hz);
                ListedStage {
                    stage: *stage,
                    biquad: (number != Number::None).then(|| Biquad {
                        b0: held(exact.b0),
                        b1: held(exact.b1),
                        b2: held(exact.b2),
                        a1: held(exact.a1),
                        a2: held(exact.a2),
                    }),
                    words: None,
                }
            })
            .collect(),
    }
}

/// Noise between -`peak` and `peak` on the grid of 16 bits, so that every format holds it
/// exactly (a linear congruential generator with the constants of Numerical Recipes).
fn noise(count: usize, peak: f64) -> Vec<f64> {
    let mut state = 2_463_534_242u32;
    (0..count)
        .map(|_| {
            state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
            let even = f64::from(state as i32) / 2_147_483_648.0;
            (peak * even * 32_768.0).trunc() / 32_768.0
        })
        .collect()
}

fn sine(f_hz: f64, rate_hz: f64, seconds: f64, level_db: f64) -> Vec<f64> {
    let amplitude = 10f64.powf(level_db / 20.0);
    (0..(seconds * rate_hz) as usize)
        .map(|n| amplitude * (2.0 * std::f64::consts::PI * f_hz * n as f64 / rate_hz).sin())
        .collect()
}

/// One channel through the list by the crate `biquad`, direct form 1.
fn by_another_library(list: &FilterList, channel: &[f64]) -> Vec<f64> {
    let mut cascade: Vec<_> = list
        .bank()
        .sections
        .iter()
        .map(|s| {
            biquad::DirectForm1::<f64>::new(biquad::Coefficients {
                a1: s.a1,
                a2: s.a2,
                b0: s.b0,
                b1: s.b1,
                b2: s.b2,
            })
        })
        .collect();
    let level = 10f64.powf(list.gain_db / 20.0);
    channel
        .iter()
        .map(|x| cascade.iter_mut().fold(level * x, |x, s| s.run(x)))
        .collect()
}

fn run(desk: &Desk, list: &FilterList, input: &Path, options: &ApplyOptions) -> Recording {
    let output = desk.path("out.wav");
    apply(&desk.list(list), input, &output, options, &mut |_, _| {}).unwrap();
    read_whole(&output, u64::MAX).unwrap()
}

/// Largest and root-mean-square difference, dB re full scale.
fn difference_db(a: &[f64], b: &[f64]) -> (f64, f64) {
    assert_eq!(a.len(), b.len());
    let squares = || a.iter().zip(b).map(|(a, b)| (a - b) * (a - b));
    let largest = squares().fold(0.0, f64::max);
    let mean = squares().sum::<f64>() / a.len() as f64;
    (10.0 * largest.log10(), 10.0 * mean.log10())
}

#[test]
fn float_output_is_within_minus_120_db_of_another_librarys_cascade_at_any_number_of_channels() {
    let filters = list(Number::F64, Feedback::Subtracted, -7.5, &stages());
    for channels in [1, 2, 3, 6, 7] {
        let desk = Desk::new();
        // More than one block, and no whole number of them.
        let samples = noise(usize::from(channels) * 9_001, 0.9);
        let input = desk.sound("in.wav", format(Sample::F32, channels), &samples);
        let out = run(&desk, &filters, &input, &ApplyOptions::default());
        assert_eq!(out.format, format(Sample::F32, channels));
        for channel in 0..usize::from(channels) {
            let alone: Vec<f64> = samples[channel..]
                .iter()
                .step_by(usize::from(channels))
                .copied()
                .collect();
            let (largest_db, _) =
                difference_db(&out.channel(channel), &by_another_library(&filters, &alone));
            // 24 bits of mantissa: half a step below full scale is -150.5 dB.
            assert!(largest_db < -140.0, "{channels} channels: {largest_db} dB");
        }
    }
}

#[test]
fn integer_output_differs_by_the_dither_and_nothing_else() {
    let filters = list(Number::F64, Feedback::Added, -7.5, &stages());
    for (sample, bits) in [(Sample::I16, 16), (Sample::I24, 24), (Sample::I32, 32)] {
        let desk = Desk::new();
        let samples = noise(100_000, 0.9);
        let input = desk.sound("in.wav", format(sample, 1), &samples);
        let out = run(&desk, &filters, &input, &ApplyOptions::default());
        let expected = by_another_library(&filters, &samples);
        let (largest_db, rms_db) = difference_db(&out.channel(0), &expected);
        // Triangular dither and rounding: at most 1.5 steps, 0.5 steps root-mean-square
        // (Lipshitz et al. 1992). A step is 2^(1 - bits).
        let step_db = 20.0 * f64::from(1 - bits) * 2f64.log10();
        assert!(largest_db <= step_db + 20.0 * 1.5f64.log10() + 0.01);
        assert!(
            (rms_db - (step_db - 6.02)).abs() < 0.1,
            "{bits} bits: {rms_db}"
        );
        if bits == 24 {
            assert!(largest_db < -90.0);
        }
        let plain = ApplyOptions {
            without_dither: true,
            ..ApplyOptions::default()
        };
        let (largest_db, _) =
            difference_db(&run(&desk, &filters, &input, &plain).channel(0), &expected);
        // Half a step; up to 0.05 dB of the finest one are rounding noise of the other library's
        // form, some 1e-12.
        assert!(
            largest_db < step_db - 6.02 + 0.05,
            "{bits} bits: {largest_db} dB without dither"
        );
    }
}

#[test]
fn one_narrow_stage_follows_the_closed_form_of_its_impulse_response() {
    // y[n] = A r^n cos(n theta) + B r^n sin(n theta) for n >= 1 with the poles r e^{+-j theta},
    // A and B from the first two samples that the recursion alone makes.
    let filters = list(Number::F64, Feedback::Subtracted, 0.0, &stages()[..1]);
    let s = filters.bank().sections[0];
    let r = s.a2.sqrt();
    let theta = (-s.a1 / (2.0 * r)).acos();
    let y1 = s.b1 - s.a1 * s.b0;
    let y2 = s.b2 - s.a1 * y1 - s.a2 * s.b0;
    let (c, d) = (theta.cos(), theta.sin());
    // From n = 1 on, counted as m = n - 1: y = r^m (p cos(m theta) + q sin(m theta)).
    let (p, q) = (y1, (y2 / r - y1 * c) / d);
    let mut impulse = vec![0.0; 20_000];
    impulse[0] = 1.0;
    Engine::new(&filters, Arithmetic::Double, 1)
        .unwrap()
        .process(&mut impulse);
    assert_eq!(impulse[0], s.b0);
    for (m, y) in impulse[1..].iter().enumerate() {
        let (sin, cos) = (m as f64 * theta).sin_cos();
        let exact = r.powi(m as i32) * (p * cos + q * sin);
        assert!((y - exact).abs() < 1e-12, "sample {m}: {y}, {exact}");
    }
}

#[test]
fn a_filter_that_rings_out_in_silence_comes_to_rest() {
    for number in [Number::F64, Number::F32] {
        let filters = list(number, Feedback::Subtracted, 0.0, &stages());
        let mut engine = Engine::new(&filters, Arithmetic::AsDevice, 1).unwrap();
        engine.process(&mut [1.0]);
        for _ in 0..150 {
            engine.process(&mut [0.0; 4096]);
        }
        let mut rest = [0.0; 64];
        engine.process(&mut rest);
        // In f32 a low and narrow filter may go on circling: what is dropped below the smallest
        // normal number, 1.2e-38, comes back amplified some thousand times, at -690 dB.
        let left = if number == Number::F32 { 3e-35 } else { 0.0 };
        assert!(rest.iter().all(|y| y.abs() <= left), "{number}: {rest:?}");
    }
}

#[test]
fn f32_arithmetic_is_that_of_the_equation_step_by_step() {
    let filters = list(Number::F32, Feedback::Added, -7.5, &stages());
    let desk = Desk::new();
    let samples = noise(9_001, 0.9);
    let input = desk.sound("in.wav", format(Sample::F32, 1), &samples);
    let exact = ApplyOptions {
        bit_exact: true,
        ..ApplyOptions::default()
    };
    let out = run(&desk, &filters, &input, &exact).channel(0);
    let level = 10f64.powf(filters.gain_db / 20.0) as f32;
    let mut signal: Vec<f32> = samples.iter().map(|x| *x as f32 * level).collect();
    for section in filters.bank().sections {
        let [b0, b1, b2, a1, a2] =
            [section.b0, section.b1, section.b2, -section.a1, -section.a2].map(|c| c as f32);
        let mut filtered: Vec<f32> = Vec::new();
        for n in 0..signal.len() {
            let x = |k: usize| if n >= k { signal[n - k] } else { 0.0 };
            let y = |k: usize| if n >= k { filtered[n - k] } else { 0.0 };
            let products = [b0 * x(0), b1 * x(1), b2 * x(2), a1 * y(1), a2 * y(2)];
            let sum = products[1..].iter().fold(products[0], |sum, p| sum + p);
            filtered.push(sum);
        }
        signal = filtered;
    }
    assert_eq!(
        out,
        signal.iter().map(|y| f64::from(*y)).collect::<Vec<_>>()
    );
    // And it is another thing than 64 bits.
    let double = run(&desk, &filters, &input, &ApplyOptions::default()).channel(0);
    let (largest_db, _) = difference_db(&out, &double);
    assert!(largest_db > -130.0, "{largest_db}");
}

/// Signed value of the lowest `width` bits.
fn signed(word: u64, width: u32) -> i128 {
    let word = i128::from(word);
    if word >> (width - 1) == 1 {
        word - (1 << width)
    } else {
        word
    }
}

#[test]
fn fixed_point_arithmetic_is_that_of_the_words_bit_by_bit() {
    for (format_name, width, fraction, sample) in [
        ("fixed 5.23", 28, 23, Sample::I24),
        ("fixed 8.24", 32, 24, Sample::I32),
        ("fixed 4.28", 32, 28, Sample::I32),
        ("fixed 4.44", 48, 44, Sample::I32),
    ] {
        for feedback in [Feedback::Subtracted, Feedback::Added] {
            let number = Number::from_name(format_name).unwrap();
            let filters = list(number, feedback, -7.5, &stages());
            let desk = Desk::new();
            let samples = noise(9_001, 0.9);
            let input = desk.sound("in.wav", format(sample, 1), &samples);
            let exact = ApplyOptions {
                bit_exact: true,
                without_dither: true,
                ..ApplyOptions::default()
            };
            let out = run(&desk, &filters, &input, &exact).channel(0);

            // From the hexadecimal words of the file, in integers only.
            let text = std::fs::read_to_string(desk.path("filters.txt")).unwrap();
            let words = text.lines().filter_map(|line| line.strip_prefix("words "));
            let unit = 1i128 << fraction;
            let store = |exact: i128| {
                let rounded = (2 * exact + unit).div_euclid(2 * unit);
                let limit = 1i128 << (width - 1);
                assert!((-limit..limit).contains(&rounded), "nothing saturates here");
                rounded
            };
            let level = (10f64.powf(filters.gain_db / 20.0) * unit as f64).round() as i128;
            let mut signal: Vec<i128> = samples
                .iter()
                .map(|x| store((x * unit as f64) as i128 * level))
                .collect();
            let mut stages_seen = 0;
            for line in words {
                let c: Vec<i128> = line
                    .split(' ')
                    .map(|digits| signed(u64::from_str_radix(digits, 16).unwrap(), width))
                    .collect();
                let sign = match feedback {
                    Feedback::Subtracted => -1,
                    Feedback::Added => 1,
                };
                let mut y: Vec<i128> = Vec::new();
                for n in 0..signal.len() {
                    let past = |of: &[i128], k: usize| if n >= k { of[n - k] } else { 0 };
                    let forward =
                        c[0] * signal[n] + c[1] * past(&signal, 1) + c[2] * past(&signal, 2);
                    let back = c[3] * past(&y, 1) + c[4] * past(&y, 2);
                    y.push(store(forward + sign * back));
                }
                signal = y;
                stages_seen += 1;
            }
            assert_eq!(stages_seen, 6);
            let step = sample.step().unwrap();
            for (n, (out, word)) in out.iter().zip(&signal).enumerate() {
                let value = *word as f64 / unit as f64;
                // The file may be coarser than the words; then it holds the nearest step.
                let held = (value / step).round_ties_even() * step;
                assert_eq!(*out, held, "{format_name}, sample {n}");
            }
            // The coarser words hear their own rounding noise at 31 Hz; the finest must not.
            if width == 48 {
                let (largest_db, _) = difference_db(&out, &by_another_library(&filters, &samples));
                assert!(largest_db < -150.0, "{format_name}: {largest_db} dB");
            }
        }
    }
}

#[test]
fn words_round_ties_up_and_saturate_at_the_store_by_hand() {
    // Format 2.2: steps of 1/4 from -2 to 1.75. b0 = 0.5 halves: 0.25 and -0.25 fall between two
    // words and go up, to 0.25 and 0.
    let number = Number::from_name("fixed 2.2").unwrap();
    let through = |b0: f64, samples: &mut [f64]| {
        let mut filters = list(number, Feedback::Subtracted, 0.0, &[]);
        filters.stages.push(ListedStage {
            stage: stages()[0],
            biquad: Some(Biquad {
                b0,
                ..Biquad::THROUGH
            }),
            words: None,
        });
        let mut engine = Engine::new(&filters, Arithmetic::AsDevice, 2).unwrap();
        engine.process(samples);
        engine.saturations()
    };
    let mut samples = [0.25, -0.25, 0.75, -0.75];
    assert!(through(0.5, &mut samples).is_empty());
    assert_eq!(samples, [0.25, 0.0, 0.5, -0.25]);
    let mut samples = [1.0, 1.0, 1.5, -1.5];
    let seen = through(1.5, &mut samples);
    assert_eq!(samples, [1.5, 1.5, 1.75, -2.0]);
    assert_eq!(seen.len(), 1);
    assert_eq!((seen[0].stage, seen[0].samples), (1, 2));
    assert_eq!((seen[0].first_frame, seen[0].first_channel), (1, 1));
}

#[test]
fn what_does_not_fit_is_counted_with_time_and_channel() {
    let filters = list(Number::F64, Feedback::Subtracted, 6.0, &[]);
    let desk = Desk::new();
    // Channel 2 is at -3 dB from 1.0 s to 1.5 s; +6 dB make it +3 dB.
    let mut samples = vec![0.0; 2 * 96_000];
    for n in 48_000..72_000 {
        samples[2 * n + 1] = if n == 60_000 { -0.8 } else { 0.70794578 };
    }
    let input = desk.sound("in.wav", format(Sample::F32, 2), &samples);
    let options = ApplyOptions {
        sample: Some(Sample::I24),
        ..ApplyOptions::default()
    };
    let applied = apply(
        &desk.list(&filters),
        &input,
        &desk.path("out.wav"),
        &options,
        &mut |_, _| {},
    )
    .unwrap();
    let levels = &applied.output.levels;
    assert_eq!((levels.overs(), levels.frames), (24_000, 96_000));
    assert_eq!(levels.channels[0].samples, 0);
    assert_eq!(levels.channels[1].first_frame, 48_000);
    assert_eq!(levels.channels[1].largest_frame, 60_000);
    let text = planish::report::applied::text(&applied);
    assert!(
        text.contains("24000 samples beyond full scale clipped\n  channel 2: 24000 samples, first at 1.0000 s, largest +4.06 dB at 1.2500 s\n  lower the input by 4.1 dB, or write 32-bit float"),
        "{text}"
    );
    let out = read_whole(&desk.path("out.wav"), u64::MAX).unwrap();
    let top = 1.0 - Sample::I24.step().unwrap();
    assert_eq!(out.channel(1)[50_000], top);
    assert_eq!(out.channel(1)[60_000], -1.0);
    // Floating point holds it, and it is said all the same.
    let float = apply(
        &desk.list(&filters),
        &input,
        &desk.path("out.wav"),
        &ApplyOptions::default(),
        &mut |_, _| {},
    )
    .unwrap();
    assert_eq!(float.output.levels.overs(), 24_000);
    assert!(planish::report::applied::text(&float).contains("the file holds them"));
    assert!(
        read_whole(&desk.path("out.wav"), u64::MAX)
            .unwrap()
            .channel(1)[50_000]
            > 1.4
    );
}

#[test]
fn full_scale_passed_through_is_no_over_for_its_dither() {
    let filters = list(Number::F64, Feedback::Subtracted, 0.0, &[]);
    let desk = Desk::new();
    let top = 1.0 - Sample::I16.step().unwrap();
    let input = desk.sound("in.wav", format(Sample::I16, 1), &[top, -1.0].repeat(500));
    let applied = apply(
        &desk.list(&filters),
        &input,
        &desk.path("out.wav"),
        &ApplyOptions::default(),
        &mut |_, _| {},
    )
    .unwrap();
    assert!(applied.output.dithers);
    assert_eq!(applied.output.levels.overs(), 0);
}

fn lufs(rate_hz: u32, channels: &[Vec<f64>], channel_mask: u32) -> Option<f64> {
    let count = channels.len();
    let mut meter = Loudness::new(&Format {
        rate_hz,
        channels: count as u16,
        sample: Sample::F64,
        channel_mask,
    })
    .unwrap();
    let frames: Vec<f64> = (0..channels[0].len())
        .flat_map(|n| channels.iter().map(move |c| c[n]))
        .collect();
    for block in frames.chunks(count * 1000) {
        meter.add(block).unwrap();
    }
    meter.integrated_lufs()
}

/// Rows of numbers of a CSV file; text fields are left out by the caller's choice of columns.
fn rows(path: &str, columns: &[usize]) -> Vec<Vec<f64>> {
    let text = std::fs::read_to_string(path).unwrap();
    text.lines()
        .filter(|line| !line.starts_with('#'))
        .skip(1)
        .map(|line| {
            let fields: Vec<&str> = line.split(',').collect();
            columns
                .iter()
                .map(|c| fields[*c].parse().unwrap())
                .collect()
        })
        .collect()
}

#[test]
fn a_sine_is_as_loud_as_the_published_k_weighting_says() {
    // ITU-R BS.1770: loudness = -0.691 + 10 lg(mean square); 0 dBFS sine: mean square 1/2.
    for row in rows("tests/data/bs1770.csv", &[0, 3]) {
        let (f_hz, weight_db) = (row[0], row[1]);
        // Below 100 Hz four seconds are too few whole periods for a steady mean square.
        if f_hz < 100.0 {
            continue;
        }
        let measured = lufs(48_000, &[sine(f_hz, 48_000.0, 4.0, -6.0)], 0).unwrap();
        let expected = -0.691 - 3.0103 - 6.0 + weight_db;
        assert!(
            (measured - expected).abs() < 0.01,
            "{f_hz} Hz: {measured}, {expected}"
        );
    }
    // BS.1770: a 0 dBFS sine of 997 Hz on one channel reads -3.01 LKFS, at any rate.
    for rate_hz in [44_100, 48_000, 88_200, 96_000, 192_000] {
        let measured = lufs(rate_hz, &[sine(997.0, f64::from(rate_hz), 4.0, 0.0)], 0).unwrap();
        // The table holds for 48 kHz; at other rates the filters are remade, and what meters may
        // then be off by is 0.1 LU (EBU Tech 3341).
        let tolerance = if rate_hz == 48_000 { 0.01 } else { 0.1 };
        assert!((measured + 3.01).abs() < tolerance, "{rate_hz}: {measured}");
    }
}

#[test]
fn the_test_signals_of_ebu_tech_3341_read_what_they_should() {
    // EBU Tech 3341, table 1, cases 1 to 6 (from memory): stereo sines of 1 kHz, +-0.1 LU.
    let stereo = |parts: &[(f64, f64)]| {
        let one: Vec<f64> = parts
            .iter()
            .flat_map(|(seconds, level_db)| sine(1000.0, 48_000.0, *seconds, *level_db))
            .collect();
        lufs(48_000, &[one.clone(), one], 0).unwrap()
    };
    let cases: [(&[(f64, f64)], f64); 5] = [
        (&[(20.0, -23.0)], -23.0),
        (&[(20.0, -33.0)], -33.0),
        (&[(10.0, -36.0), (60.0, -23.0), (10.0, -36.0)], -23.0),
        (
            &[
                (10.0, -72.0),
                (10.0, -36.0),
                (60.0, -23.0),
                (10.0, -36.0),
                (10.0, -72.0),
            ],
            -23.0,
        ),
        (&[(20.0, -26.0), (20.1, -20.0), (20.0, -26.0)], -23.0),
    ];
    for (parts, expected) in cases {
        let measured = stereo(parts);
        assert!((measured - expected).abs() < 0.1, "{parts:?}: {measured}");
    }
    let five = [-28.0, -28.0, -24.0, -30.0, -30.0].map(|db| sine(1000.0, 48_000.0, 20.0, db));
    let measured = lufs(48_000, &five, 0).unwrap();
    assert!((measured + 23.0).abs() < 0.1, "{measured}");
}

/// BS.1770-4, Annex 1, written out for one channel: the coefficients of the table, blocks of 0.4 s
/// with 75 % overlap, both gates.
fn loudness_written_out(coefficients: &[Vec<f64>], rate_hz: f64, samples: &[f64]) -> f64 {
    let mut signal = samples.to_vec();
    for c in coefficients {
        let [b0, b1, b2, a1, a2] = [c[0], c[1], c[2], c[3], c[4]];
        let mut out: Vec<f64> = Vec::with_capacity(signal.len());
        for n in 0..signal.len() {
            let x = |k: usize| if n >= k { signal[n - k] } else { 0.0 };
            let y = |k: usize| if n >= k { out[n - k] } else { 0.0 };
            let value = b0 * x(0) + b1 * x(1) + b2 * x(2) - a1 * y(1) - a2 * y(2);
            out.push(value);
        }
        signal = out;
    }
    let (block, hop) = ((0.4 * rate_hz) as usize, (0.1 * rate_hz) as usize);
    let powers: Vec<f64> = (0..)
        .map(|j| j * hop)
        .take_while(|from| from + block <= signal.len())
        .map(|from| {
            signal[from..from + block]
                .iter()
                .map(|y| y * y)
                .sum::<f64>()
                / block as f64
        })
        .collect();
    let loudness = |power: f64| -0.691 + 10.0 * power.log10();
    let gated = |gate: f64| {
        let kept: Vec<f64> = powers
            .iter()
            .copied()
            .filter(|p| loudness(*p) > gate)
            .collect();
        loudness(kept.iter().sum::<f64>() / kept.len() as f64)
    };
    gated(gated(-70.0) - 10.0)
}

#[test]
fn noise_of_changing_level_is_as_loud_as_the_standard_written_out_says() {
    let coefficients = rows("tests/data/bs1770_coeffs.csv", &[0, 3, 4, 5, 6, 7]);
    for rate_hz in [48_000.0, 44_100.0, 96_000.0] {
        let stages: Vec<Vec<f64>> = coefficients
            .iter()
            .filter(|row| row[0] == rate_hz)
            .map(|row| row[1..].to_vec())
            .collect();
        assert_eq!(stages.len(), 2);
        // Seven stretches of 1.3 s, from loud to below both gates.
        let samples: Vec<f64> = noise((rate_hz * 9.1) as usize, 0.9)
            .iter()
            .enumerate()
            .map(|(n, x)| {
                let part = (n as f64 / rate_hz / 1.3) as usize % 7;
                x * [1.0, 0.3, 0.0001, 0.5, 0.02, 0.1, 0.25][part]
            })
            .collect();
        let measured = lufs(rate_hz as u32, std::slice::from_ref(&samples), 0).unwrap();
        let expected = loudness_written_out(&stages, rate_hz, &samples);
        assert!((measured - expected).abs() < 0.01, "{measured}, {expected}");
    }
}

#[test]
fn the_level_matched_twin_is_as_loud_as_the_filtered_programme() {
    let filters = list(Number::F64, Feedback::Subtracted, -7.5, &stages());
    let desk = Desk::new();
    let samples = noise(2 * 48_000 * 3, 0.5);
    let input = desk.sound("in.wav", format(Sample::I24, 2), &samples);
    let options = ApplyOptions {
        level_matched: Some(desk.path("twin.wav")),
        ..ApplyOptions::default()
    };
    let mut last = (0, None);
    let applied = apply(
        &desk.list(&filters),
        &input,
        &desk.path("out.wav"),
        &options,
        &mut |done, all| {
            assert!(done >= last.0);
            last = (done, all);
        },
    )
    .unwrap();
    assert_eq!(
        last,
        (288_000, Some(288_000)),
        "two passes of 144000 frames"
    );
    let twin = applied.twin.unwrap();
    let by_channel = |name: &str| {
        let recording = read_whole(&desk.path(name), u64::MAX).unwrap();
        [recording.channel(0), recording.channel(1)]
    };
    let [filtered, unfiltered] =
        ["out.wav", "twin.wav"].map(|name| lufs(48_000, &by_channel(name), 0).unwrap());
    assert!(
        (filtered - unfiltered).abs() < 0.001,
        "{filtered}, {unfiltered}"
    );
    assert!((twin.filtered_lufs - filtered).abs() < 1e-9);
    // The twin is the input at another level, and nothing else.
    let level = 10f64.powf(twin.gain_db / 20.0);
    let expected: Vec<f64> = samples.iter().map(|x| level * x).collect();
    let held = read_whole(&desk.path("twin.wav"), u64::MAX).unwrap().frames;
    assert!(difference_db(&held, &expected).0 < -130.0);
}

#[test]
fn a_programme_without_loudness_has_no_twin_and_leaves_nothing_behind() {
    let filters = list(Number::F64, Feedback::Subtracted, 0.0, &stages());
    let desk = Desk::new();
    let input = desk.sound("in.wav", format(Sample::I16, 1), &vec![0.0; 48_000]);
    let options = ApplyOptions {
        level_matched: Some(desk.path("twin.wav")),
        ..ApplyOptions::default()
    };
    let out = desk.path("out.wav");
    let error = apply(&desk.list(&filters), &input, &out, &options, &mut |_, _| {}).unwrap_err();
    assert!(error.to_string().contains("-70 LUFS"), "{error}");
    assert_eq!(desk.names(), ["filters.txt", "in.wav"]);
}

#[test]
fn lists_that_cannot_be_computed_are_refused_with_the_reason() {
    let mut unstable = list(Number::F64, Feedback::Subtracted, 0.0, &stages());
    unstable.stages[2].biquad = Some(Biquad {
        a1: 1.5,
        a2: 1.01,
        ..Biquad::THROUGH
    });
    let error = Engine::new(&unstable, Arithmetic::Double, 1).unwrap_err();
    assert!(
        error.to_string().contains("stage 3 is not stable"),
        "{error}"
    );
    let knobs = list(Number::None, Feedback::Subtracted, 0.0, &stages());
    assert!(Engine::new(&knobs, Arithmetic::AsDevice, 1).is_err());
    assert!(Engine::new(&knobs, Arithmetic::Double, 1).is_ok());
    let loud = list(
        Number::from_name("fixed 2.30").unwrap(),
        Feedback::Subtracted,
        7.0,
        &[],
    );
    let error = Engine::new(&loud, Arithmetic::AsDevice, 1).unwrap_err();
    assert!(
        error.to_string().contains("level in front is 7 dB"),
        "{error}"
    );
}

#[test]
fn a_sample_beyond_every_number_is_seen() {
    assert!(!Levels::new(1, -1.0, 1.0).add(&[f64::INFINITY]));
    let filters = list(Number::F32, Feedback::Subtracted, 20.0, &stages());
    let desk = Desk::new();
    let path = desk.path("in.wav");
    let file = std::fs::File::create(&path).unwrap();
    let mut writer = Writer::new(&path, file, format(Sample::F64, 1), None).unwrap();
    writer.write(&[0.0, 1e49, -1e49]).unwrap();
    writer.finish().unwrap();
    let out = desk.path("out.wav");
    let error = apply(
        &desk.list(&filters),
        &path,
        &out,
        &ApplyOptions {
            bit_exact: true,
            ..ApplyOptions::default()
        },
        &mut |_, _| {},
    )
    .unwrap_err();
    assert!(
        error.to_string().contains("larger than any number"),
        "{error}"
    );
    assert!(!out.exists());
}

fn planish(arguments: &[&str]) -> Output {
    Command::new(env!("CARGO_BIN_EXE_planish"))
        .args(arguments)
        .output()
        .expect("the binary under test can be started")
}

fn text(path: &Path) -> &str {
    path.to_str().unwrap()
}

#[test]
fn as_a_process_it_prints_one_document_and_writes_the_same_bytes_again() {
    let filters = list(Number::F64, Feedback::Subtracted, -7.5, &stages());
    let desk = Desk::new();
    let list = desk.list(&filters);
    let input = desk.sound("in.wav", format(Sample::I16, 2), &noise(2 * 48_000, 0.9));
    let [a, b, twin] = ["a.wav", "b.wav", "twin.wav"].map(|name| desk.path(name));
    let first = planish(&["apply", text(&list), text(&input), text(&a)]);
    assert_eq!(first.status.code(), Some(0));
    let words = String::from_utf8(first.stdout).unwrap();
    assert!(
        words.starts_with(
            "Quayside 5: 6 stages and -7.50 dB in front, computed in 64-bit floating point\n"
        ),
        "{words}"
    );
    assert!(first.stderr.is_empty(), "no bar where there is no terminal");
    let second = planish(&[
        "apply",
        text(&list),
        text(&input),
        text(&b),
        "--json",
        "--level-matched",
        text(&twin),
    ]);
    assert_eq!(second.status.code(), Some(0));
    let document: serde_json::Value = serde_json::from_slice(&second.stdout).unwrap();
    assert_eq!(document["arithmetic"], "f64");
    assert_eq!(document["output"]["frames"], 48_000);
    assert_eq!(document["output"]["dither"], true);
    assert_eq!(document["input_cut"], serde_json::Value::Null);
    assert!(document["level_matched"]["gain_db"].as_f64().unwrap() < 0.0);
    assert_eq!(std::fs::read(&a).unwrap(), std::fs::read(&b).unwrap());
    // In place.
    let wanted = std::fs::read(&a).unwrap();
    let third = planish(&["apply", text(&list), text(&input), text(&input)]);
    assert_eq!(third.status.code(), Some(0));
    assert_eq!(std::fs::read(&input).unwrap(), wanted);
}

#[test]
fn a_rate_mismatch_names_convert_and_nothing_is_written() {
    let filters = list(Number::F64, Feedback::Subtracted, 0.0, &stages());
    let desk = Desk::new();
    let list = desk.list(&filters);
    let other = Format {
        rate_hz: 44_100,
        ..format(Sample::I16, 1)
    };
    let input = desk.sound("in.wav", other, &[0.0; 100]);
    let out = desk.path("out.wav");
    std::fs::write(&out, "older").unwrap();
    let output = planish(&["apply", text(&list), text(&input), text(&out)]);
    assert_eq!(output.status.code(), Some(2));
    let message = String::from_utf8(output.stderr).unwrap();
    assert!(
        message.contains("found a rate of 44100 Hz, expected 48000 Hz"),
        "{message}"
    );
    assert!(message.contains("planish convert"), "{message}");
    assert_eq!(std::fs::read(&out).unwrap(), b"older");
    assert_eq!(desk.names(), ["filters.txt", "in.wav", "out.wav"]);
}

#[test]
fn a_file_cut_short_is_filtered_as_far_as_it_goes_and_the_document_says_so() {
    let filters = list(Number::F64, Feedback::Subtracted, 12.0, &[]);
    let desk = Desk::new();
    let list = desk.list(&filters);
    let input = desk.sound("in.wav", format(Sample::I16, 1), &noise(1000, 0.9));
    let bytes = std::fs::read(&input).unwrap();
    std::fs::write(&input, &bytes[..bytes.len() - 101]).unwrap();
    let out = desk.path("out.wav");
    let output = planish(&["apply", text(&list), text(&input), text(&out), "--json"]);
    assert_eq!(output.status.code(), Some(0));
    let document: serde_json::Value = serde_json::from_slice(&output.stdout).unwrap();
    let cut = document["input_cut"].as_str().unwrap();
    assert!(cut.contains("declares 101 bytes of sound more"), "{cut}");
    assert_eq!(document["output"]["frames"], 949);
    assert!(document["output"]["overs"].as_u64().unwrap() > 0);
    let warnings = String::from_utf8(output.stderr).unwrap();
    assert!(
        warnings.contains("cut short") && warnings.contains("clipped"),
        "{warnings}"
    );
}

#[test]
fn places_that_are_no_files_are_refused_before_the_work() {
    let filters = list(Number::F64, Feedback::Subtracted, 0.0, &[]);
    let desk = Desk::new();
    let list = desk.list(&filters);
    let input = desk.sound("in.wav", format(Sample::I16, 1), &[0.0; 10]);
    let dir = desk.path("folder");
    std::fs::create_dir(&dir).unwrap();
    let missing = desk.path("missing/out.wav");
    for place in [text(&dir), text(&missing), "/", ".."] {
        let output = planish(&["apply", text(&list), text(&input), place]);
        assert_eq!(output.status.code(), Some(2), "{place}");
    }
    #[cfg(unix)]
    {
        let output = planish(&["apply", text(&list), text(&input), "/dev/null"]);
        assert_eq!(output.status.code(), Some(2));
        let message = String::from_utf8(output.stderr).unwrap();
        assert!(message.contains("no ordinary file"), "{message}");
    }
    let out = desk.path("out.wav");
    let again = desk.path("folder/../out.wav");
    let output = planish(&[
        "apply",
        text(&list),
        text(&input),
        text(&out),
        "--level-matched",
        text(&again),
    ]);
    assert_eq!(output.status.code(), Some(2));
    assert_eq!(desk.names(), ["filters.txt", "folder", "in.wav"]);
}
