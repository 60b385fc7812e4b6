//! `planish check`: faults named from simulated loopbacks, and no false alarm.
//!
//! The loopbacks are simulated here on their own: complex responses from the coefficients, faults
//! put in by hand, noise from a generator of this file.

use planish::check::{Fault, Loopback, compare};
use planish::device::{Feedback, Number};
use planish::filter::{Biquad, Kind, Stage};
use planish::filter_list::{FilterList, ListedStage};
use std::f64::consts::PI;

/// splitmix64 (Steele, Lea and Flood, OOPSLA 2014).
struct Dice(u64);

impl Dice {
    fn unit(&mut self) -> f64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        ((z ^ (z >> 31)) >> 11) as f64 / 2f64.powi(53)
    }

    fn between(&mut self, low: f64, high: f64) -> f64 {
        low + (high - low) * self.unit()
    }

    fn log_between(&mut self, low: f64, high: f64) -> f64 {
        low * (high / low).powf(self.unit())
    }

    fn below(&mut self, count: usize) -> usize {
        ((self.unit() * count as f64) as usize).min(count - 1)
    }

    /// Box and Muller 1958.
    fn normal(&mut self) -> f64 {
        (-2.0 * (1.0 - self.unit()).ln()).sqrt() * (2.0 * PI * self.unit()).cos()
    }
}

fn held(exact: Biquad, number: Number) -> Biquad {
    let hold = |v: f64| number.quantise(v).expect("the stages fit the format");
    Biquad {
        b0: hold(exact.b0),
        b1: hold(exact.b1),
        b2: hold(exact.b2),
        a1: hold(exact.a1),
        a2: hold(exact.a2),
    }
}

fn draw_list(dice: &mut Dice) -> FilterList {
    let rate_hz = [44_100.0, 48_000.0, 48_000.0, 96_000.0][dice.below(4)];
    let number = ["f64", "f32", "fixed 5.27", "fixed 5.23"][dice.below(4)];
    let number = Number::from_name(number).unwrap();
    let count = 2 + dice.below(10);
    let stages: Vec<ListedStage> = (0..count)
        .map(|_| {
            let kind = match dice.below(10) {
                0 => Kind::LowShelf,
                1 => Kind::HighShelf,
                _ => Kind::Peaking,
            };
            let gain_db = if dice.unit() < 0.65 {
                -dice.between(1.0, 9.0)
            } else {
                dice.between(1.0, 5.0)
            };
            let (f0_hz, q) = match kind {
                Kind::LowShelf => (dice.log_between(60.0, 500.0), dice.between(0.5, 0.9)),
                Kind::HighShelf => (dice.log_between(2000.0, 9000.0), dice.between(0.5, 0.9)),
                _ => (dice.log_between(40.0, 14000.0), dice.log_between(0.6, 6.0)),
            };
            let stage = Stage {
                kind,
                f0_hz,
                gain_db,
                q,
            };
            let biquad = Some(held(stage.biquad(rate_hz), number));
            ListedStage {
                stage,
                biquad,
                words: None,
            }
        })
        .collect();
    let mut list = FilterList {
        speaker: "Quayside 5".into(),
        rate_hz,
        number,
        feedback: Feedback::Subtracted,
        gain_db: 0.0,
        stages,
    };
    list.gain_db = -(list.bank().peak_db().max(0.0) * 10.0).ceil() / 10.0;
    list
}

/// What a box really runs.
struct Box_ {
    sections: Vec<Biquad>,
    gain_db: f64,
    rate_hz: f64,
}

impl Box_ {
    fn of(list: &FilterList) -> Box_ {
        Box_ {
            sections: list.stages.iter().map(|s| s.biquad.unwrap()).collect(),
            gain_db: list.gain_db,
            rate_hz: list.rate_hz,
        }
    }

    /// Complex response as (re, im), by plain evaluation of both polynomials.
    fn response(&self, f_hz: f64) -> (f64, f64) {
        let w = 2.0 * PI * f_hz / self.rate_hz;
        let poly = |c: [f64; 3]| {
            (
                c[0] + c[1] * w.cos() + c[2] * (2.0 * w).cos(),
                -c[1] * w.sin() - c[2] * (2.0 * w).sin(),
            )
        };
        let mut h = (10f64.powf(self.gain_db / 20.0), 0.0);
        for s in &self.sections {
            let (n, d) = (poly([s.b0, s.b1, s.b2]), poly([1.0, s.a1, s.a2]));
            let power = d.0 * d.0 + d.1 * d.1;
            let q = (
                (n.0 * d.0 + n.1 * d.1) / power,
                (n.1 * d.0 - n.0 * d.1) / power,
            );
            h = (h.0 * q.0 - h.1 * q.1, h.0 * q.1 + h.1 * q.0);
        }
        h
    }

    fn level_db(&self, f_hz: f64) -> f64 {
        let (re, im) = self.response(f_hz);
        10.0 * (re * re + im * im).log10()
    }
}

/// 48 points per octave from 20 Hz to 20 kHz.
fn freqs_hz() -> Vec<f64> {
    (0..)
        .map(|i| 20.0 * 2f64.powf(f64::from(i) / 48.0))
        .take_while(|f| *f <= 20_000.0)
        .collect()
}

fn loopback(device: &Box_, dice: &mut Dice, noise_db: f64, level_db: f64) -> Loopback {
    let freqs_hz = freqs_hz();
    let levels_db = freqs_hz
        .iter()
        .map(|f| device.level_db(*f) + level_db + noise_db * dice.normal())
        .collect();
    Loopback {
        freqs_hz,
        levels_db,
        phase_deg: None,
    }
}

/// Largest change of level that a fault makes, whatever the free level, dB.
fn effect_db(sound: &Box_, faulty: &Box_) -> f64 {
    let changes: Vec<f64> = freqs_hz()
        .iter()
        .map(|f| faulty.level_db(*f) - sound.level_db(*f))
        .collect();
    let (low, high) = changes
        .iter()
        .fold((f64::INFINITY, f64::NEG_INFINITY), |(l, h), c| {
            (l.min(*c), h.max(*c))
        });
    0.5 * (high - low)
}

fn with_q(list: &FilterList, q_of: impl Fn(&Stage) -> f64) -> Box_ {
    let mut device = Box_::of(list);
    for (section, listed) in device.sections.iter_mut().zip(&list.stages) {
        let stage = Stage {
            q: q_of(&listed.stage),
            ..listed.stage
        };
        *section = held(stage.biquad(list.rate_hz), list.number);
    }
    device
}

fn is_peaking(stage: &Stage) -> bool {
    stage.kind == Kind::Peaking
}

const NAMES: [&str; 7] = [
    "feedback-sign",
    "wrong-rate",
    "stage-missing",
    "bypassed",
    "gain-missing",
    "reversed-order",
    "q-definition",
];

/// The list's box with a fault, and what must be said of it beyond the name.
fn faulty(list: &FilterList, name: &str, dice: &mut Dice) -> (Box_, String) {
    let mut device = Box_::of(list);
    let mut detail = String::new();
    match name {
        "feedback-sign" => device
            .sections
            .iter_mut()
            .for_each(|s| (s.a1, s.a2) = (-s.a1, -s.a2)),
        "wrong-rate" => {
            let rates: Vec<f64> = [44_100.0, 48_000.0, 88_200.0, 96_000.0, 192_000.0]
                .into_iter()
                .filter(|r| *r != list.rate_hz)
                .collect();
            let rate_hz = rates[dice.below(rates.len())];
            if dice.unit() < 0.5 {
                device.rate_hz = rate_hz;
            } else {
                for (section, listed) in device.sections.iter_mut().zip(&list.stages) {
                    *section = held(listed.stage.biquad(rate_hz), list.number);
                }
            }
            detail = format!("{rate_hz}");
        }
        "stage-missing" => {
            let k = dice.below(device.sections.len());
            device.sections.remove(k);
            detail = format!("{}", k + 1);
        }
        "bypassed" => {
            device.sections.clear();
            device.gain_db = 0.0;
        }
        "gain-missing" => device.gain_db = 0.0,
        "reversed-order" => {
            device
                .sections
                .iter_mut()
                .for_each(|s| (s.a1, s.a2) = (s.a2, s.a1));
        }
        _ => {
            device = match dice.below(5) {
                // Bandwidth in octaves (cookbook) read from the number Q.
                0 => with_q(list, |s| {
                    if is_peaking(s) {
                        0.5 / (0.5 * 2f64.ln() * s.q).sinh()
                    } else {
                        s.q
                    }
                }),
                // Q wider or narrower by the square root of the gain.
                1 => with_q(list, |s| {
                    if is_peaking(s) {
                        s.q * 10f64.powf(s.gain_db.abs() / 40.0)
                    } else {
                        s.q
                    }
                }),
                2 => with_q(list, |s| {
                    if is_peaking(s) {
                        s.q / 10f64.powf(s.gain_db.abs() / 40.0)
                    } else {
                        s.q
                    }
                }),
                3 => with_q(list, |s| {
                    if is_peaking(s) {
                        s.q * 10f64.powf(s.gain_db / 40.0)
                    } else {
                        s.q
                    }
                }),
                _ => with_q(list, |s| {
                    if is_peaking(s) {
                        return s.q;
                    }
                    // Cookbook: 1/Q = sqrt((A + 1/A)(1/S - 1) + 2).
                    let a = 10f64.powf(s.gain_db / 40.0);
                    1.0 / ((a + 1.0 / a) * (1.0 / s.q - 1.0) + 2.0).sqrt()
                }),
            };
        }
    }
    (device, detail)
}

/// What a fault says beyond its name, as in [`faulty`].
fn detail_of(fault: &Fault) -> String {
    match fault {
        Fault::WrongRate { rate_hz, .. } => format!("{rate_hz}"),
        Fault::StageMissing(stages) => stages
            .iter()
            .map(usize::to_string)
            .collect::<Vec<_>>()
            .join(","),
        _ => String::new(),
    }
}

/// Faults that move no level by more than this, dB, cannot be seen; they are drawn anew.
const VISIBLE_DB: f64 = 0.2;

struct Score {
    right: usize,
    detail_right: usize,
    all: usize,
}

/// Draws lists with one fault each and counts how often it is named first.
fn trial(name: &str, seeds: std::ops::Range<u64>, told: &mut String) -> Score {
    let mut score = Score {
        right: 0,
        detail_right: 0,
        all: 0,
    };
    for seed in seeds {
        let mut dice = Dice(seed);
        let absolute = name == "gain-missing";
        let (list, device, detail) = loop {
            let list = draw_list(&mut dice);
            let (device, detail) = faulty(&list, name, &mut dice);
            let visible = if absolute {
                list.gain_db < -VISIBLE_DB
            } else {
                effect_db(&Box_::of(&list), &device) > VISIBLE_DB
            };
            if visible {
                break (list, device, detail);
            }
        };
        let level_db = if absolute {
            0.0
        } else {
            dice.between(-20.0, 10.0)
        };
        let measured = loopback(&device, &mut dice, 0.03, level_db);
        let found = compare(&list, &measured, absolute).unwrap();
        score.all += 1;
        let first = found.faults.first();
        let right = !found.matches && first.is_some_and(|f| f.fault.name() == name);
        score.right += usize::from(right);
        score.detail_right +=
            usize::from(right && first.is_some_and(|f| detail_of(&f.fault) == detail));
        if !right || first.is_some_and(|f| detail_of(&f.fault) != detail) {
            let said: Vec<String> = found
                .faults
                .iter()
                .map(|f| {
                    format!(
                        "{} [{}] {:?} {:?}",
                        f.fault,
                        f.fault.name(),
                        f.explains,
                        f.left_db
                    )
                })
                .collect();
            *told += &format!(
                "{name} {detail} seed {seed} ({} stages, effect {:.2}): matches {} largest {:?}: {}\n",
                list.stages.len(),
                effect_db(&Box_::of(&list), &device),
                found.matches,
                found.largest,
                said.join("; ")
            );
        }
    }
    score
}

#[test]
#[ignore]
fn tuning() {
    let from: u64 = std::env::var("SEED").map_or(1, |s| s.parse().unwrap());
    let count: u64 = std::env::var("COUNT").map_or(40, |s| s.parse().unwrap());
    let mut told = String::new();
    for name in NAMES {
        let start = std::time::Instant::now();
        let score = trial(name, from..from + count, &mut told);
        println!(
            "{name:16} {} / {} ({} in detail) {:?}",
            score.right,
            score.all,
            score.detail_right,
            start.elapsed() / count as u32
        );
    }
    println!("{told}");
}

/// Interfaces of the no-false-alarm set, as levels in dB; formulas of analogue filters, and one
/// digital pair by its bilinear transform.
fn interface_db(which: usize, f_hz: f64) -> f64 {
    let high = |n: i32| -10.0 * (1.0 + (10.0 / f_hz).powi(2 * n)).log10();
    let low = |n: i32| -10.0 * (1.0 + (f_hz / 20_000.0).powi(2 * n)).log10();
    let tan = |f: f64| (PI * f / 48_000.0).tan();
    match which {
        0 => 0.0,
        1 => high(1) + low(1),
        2 => high(2) + low(2),
        3 => 2.0 * high(1) + low(4),
        4 => high(2) - 10.0 * (1.0 + (tan(f_hz) / tan(20_000.0)).powi(4)).log10(),
        _ => high(4) + low(8),
    }
}

fn alarms(seeds: std::ops::Range<u64>, told: &mut String) -> usize {
    let mut alarms = 0;
    for seed in seeds {
        let mut dice = Dice(seed);
        let list = draw_list(&mut dice);
        let which = dice.below(6);
        let noise_db = if dice.unit() < 0.7 { 0.1 } else { 0.03 };
        let level_db = dice.between(-20.0, 10.0);
        let mut measured = loopback(&Box_::of(&list), &mut dice, noise_db, level_db);
        for (f, l) in measured.freqs_hz.iter().zip(&mut measured.levels_db) {
            *l += interface_db(which, *f);
        }
        let found = compare(&list, &measured, false).unwrap();
        if !found.matches {
            alarms += 1;
            *told += &format!(
                "alarm seed {seed} interface {which} noise {noise_db}: {:?} limit {} noise {} {:?}\n",
                found.largest,
                found.limit_db,
                found.noise_db,
                found
                    .faults
                    .iter()
                    .map(|f| (f.fault.to_string(), f.explains))
                    .collect::<Vec<_>>()
            );
        }
    }
    alarms
}

#[test]
#[ignore]
fn tuning_alarms() {
    let from: u64 = std::env::var("SEED").map_or(1, |s| s.parse().unwrap());
    let count: u64 = std::env::var("COUNT").map_or(300, |s| s.parse().unwrap());
    let mut told = String::new();
    let start = std::time::Instant::now();
    let alarms = alarms(from..from + count, &mut told);
    println!(
        "{alarms} alarms of {count} {:?}\n{told}",
        start.elapsed() / count as u32
    );
}
