//! Boxes with known faults and what a loopback of them shows, simulated on their own: nothing here
//! asks the library how a fault looks. Coefficients are changed by hand, complex responses come
//! from plain polynomials, noise from a generator of this file.
//!
//! Taken in by the example and by `tests/check.rs`, each of which uses a part.
#![allow(dead_code)]

use planish::check::{Fault, Loopback};
use planish::device::{Feedback, Number};
use planish::filter::{Biquad, Kind, Stage};
use planish::filter_list::{FilterList, ListedStage};
use std::f64::consts::PI;

/// splitmix64 (Steele, Lea and Flood, OOPSLA 2014).
pub struct Dice(pub u64);

impl Dice {
    pub fn unit(&mut self) -> f64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        ((z ^ (z >> 31)) >> 11) as f64 / 2f64.powi(53)
    }

    pub fn between(&mut self, low: f64, high: f64) -> f64 {
        low + (high - low) * self.unit()
    }

    fn log_between(&mut self, low: f64, high: f64) -> f64 {
        low * (high / low).powf(self.unit())
    }

    pub fn below(&mut self, count: usize) -> usize {
        ((self.unit() * count as f64) as usize).min(count - 1)
    }

    fn one_of<T: Copy>(&mut self, values: &[T]) -> T {
        values[self.below(values.len())]
    }

    /// Box and Muller 1958.
    fn normal(&mut self) -> f64 {
        (-2.0 * (1.0 - self.unit()).ln()).sqrt() * (2.0 * PI * self.unit()).cos()
    }
}

/// What kind of list is drawn.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Habit {
    /// Two to eleven stages of usual size, any format.
    Usual,
    /// One or two stages.
    Short,
    /// Gains of half a decibel to one and a half.
    Small,
    /// Settings of knobs, no coefficients.
    Knobs,
    /// 88.2, 96 and 192 kHz.
    HighRate,
    /// Fixed-point words.
    Fixed,
}

impl Habit {
    pub const ALL: [Habit; 6] = [
        Habit::Usual,
        Habit::Short,
        Habit::Small,
        Habit::Knobs,
        Habit::HighRate,
        Habit::Fixed,
    ];

    pub fn name(self) -> &'static str {
        match self {
            Habit::Usual => "usual",
            Habit::Short => "short",
            Habit::Small => "small",
            Habit::Knobs => "knobs",
            Habit::HighRate => "high-rate",
            Habit::Fixed => "fixed",
        }
    }
}

fn held(exact: Biquad, number: Number) -> Biquad {
    let hold = |v: f64| number.quantise(v).unwrap_or(v);
    Biquad {
        b0: hold(exact.b0),
        b1: hold(exact.b1),
        b2: hold(exact.b2),
        a1: hold(exact.a1),
        a2: hold(exact.a2),
    }
}

fn draw_stage(dice: &mut Dice, habit: Habit) -> Stage {
    let kind = match dice.below(10) {
        _ if habit == Habit::Knobs => Kind::Peaking,
        0 => Kind::LowShelf,
        1 => Kind::HighShelf,
        _ => Kind::Peaking,
    };
    let cut = dice.unit() < 0.65;
    let gain_db = match (habit, cut) {
        (Habit::Small, true) => -dice.between(0.5, 1.5),
        (Habit::Small, false) => dice.between(0.5, 1.5),
        (Habit::Knobs, true) => -0.5 * (2 + dice.below(17)) as f64,
        (Habit::Knobs, false) => 0.5 * (2 + dice.below(9)) as f64,
        (_, true) => -dice.between(1.0, 9.0),
        (_, false) => dice.between(1.0, 5.0),
    };
    // Nominal third octaves of ISO 266 and a set of widths, as on a box with knobs.
    const THIRDS_HZ: [f64; 24] = [
        50.0, 63.0, 80.0, 100.0, 125.0, 160.0, 200.0, 250.0, 315.0, 400.0, 500.0, 630.0, 800.0,
        1000.0, 1250.0, 1600.0, 2000.0, 2500.0, 3150.0, 4000.0, 5000.0, 6300.0, 8000.0, 10000.0,
    ];
    const WIDTHS: [f64; 8] = [0.7, 1.0, 1.4, 2.0, 2.8, 4.0, 5.6, 8.0];
    let (f0_hz, q) = match (habit, kind) {
        (Habit::Knobs, _) => (dice.one_of(&THIRDS_HZ), dice.one_of(&WIDTHS)),
        (_, Kind::LowShelf) => (dice.log_between(60.0, 500.0), dice.between(0.5, 0.9)),
        (_, Kind::HighShelf) => (dice.log_between(2000.0, 9000.0), dice.between(0.5, 0.9)),
        _ => (dice.log_between(40.0, 14000.0), dice.log_between(0.6, 6.0)),
    };
    Stage {
        kind,
        f0_hz,
        gain_db,
        q,
    }
}

/// A list as it might come out of a plan.
pub fn draw_list(dice: &mut Dice, habit: Habit) -> FilterList {
    let rate_hz = match habit {
        Habit::HighRate => dice.one_of(&[88_200.0, 96_000.0, 192_000.0]),
        _ => dice.one_of(&[44_100.0, 48_000.0, 48_000.0, 96_000.0]),
    };
    let number = match habit {
        Habit::Knobs => "none",
        Habit::Fixed => dice.one_of(&["fixed 5.27", "fixed 5.23", "fixed 8.24", "fixed 4.28"]),
        _ => dice.one_of(&["f64", "f32", "fixed 5.27", "f64"]),
    };
    let number = Number::from_name(number).expect("the names above are right");
    let feedback = dice.one_of(&[Feedback::Subtracted, Feedback::Added]);
    let count = match habit {
        Habit::Short => 1 + dice.below(2),
        Habit::Knobs => 2 + dice.below(6),
        _ => 2 + dice.below(10),
    };
    let stages: Vec<ListedStage> = (0..count)
        .map(|_| {
            let stage = draw_stage(dice, habit);
            let biquad = (number != Number::None).then(|| held(stage.biquad(rate_hz), number));
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
        feedback,
        gain_db: 0.0,
        stages,
    };
    list.gain_db = -(list.bank().peak_db().max(0.0) * 10.0).ceil() / 10.0 + 0.0;
    list
}

/// The faults by the names that have to be given.
pub const NAMES: [&str; 7] = [
    "feedback-sign",
    "wrong-rate",
    "stage-missing",
    "bypassed",
    "gain-missing",
    "reversed-order",
    "q-definition",
];

/// What is wrong with a box.
#[derive(Debug, Clone, Default)]
pub struct Wrong {
    /// Names of the faults.
    pub names: Vec<&'static str>,
    /// What else must be said of them, by the order of the names; empty where nothing.
    pub details: Vec<String>,
    made_for_hz: Option<f64>,
    runs_at_hz: Option<f64>,
    other_q: Option<usize>,
    negated: bool,
    reversed: Option<Turned>,
    missing: Option<usize>,
    without_gain: bool,
    bypassed: bool,
}

#[derive(Debug, Clone, Copy)]
enum Turned {
    A,
    B,
    AllFive,
}

impl Wrong {
    /// Adds a fault; `false` where it has no meaning for the list. With `by_phase` a reversal is
    /// one that levels do not show.
    pub fn add(
        &mut self,
        list: &FilterList,
        name: &'static str,
        by_phase: bool,
        dice: &mut Dice,
    ) -> bool {
        let knobs = list.number == Number::None;
        let mut detail = String::new();
        match name {
            "feedback-sign" if !knobs => self.negated = true,
            "reversed-order" if !knobs => {
                self.reversed = Some(if by_phase {
                    Turned::B
                } else if dice.unit() < 0.6 {
                    Turned::A
                } else {
                    Turned::AllFive
                });
            }
            "wrong-rate" => {
                let rates: Vec<f64> = [44_100.0, 48_000.0, 88_200.0, 96_000.0, 192_000.0]
                    .into_iter()
                    .filter(|r| *r != list.rate_hz)
                    .collect();
                let rate_hz = dice.one_of(&rates);
                // Knobs are turned into numbers by the box itself, at the rate it runs at.
                let device = dice.unit() < 0.5;
                self.runs_at_hz = (knobs || device).then_some(rate_hz);
                self.made_for_hz = (knobs || !device).then_some(rate_hz);
                if list.stages.iter().any(|s| s.stage.f0_hz >= 0.5 * rate_hz) {
                    return false;
                }
                detail = format!("{rate_hz}");
            }
            "stage-missing" if list.stages.len() > 1 => {
                let k = dice.below(list.stages.len());
                self.missing = Some(k);
                detail = format!("{}", k + 1);
            }
            "bypassed" => self.bypassed = true,
            "gain-missing" if list.gain_db < 0.0 => self.without_gain = true,
            "q-definition" => self.other_q = Some(dice.below(Q_READINGS)),
            _ => return false,
        }
        self.names.push(name);
        self.details.push(detail);
        true
    }
}

/// How many other meanings of Q are drawn.
const Q_READINGS: usize = 5;

/// The cookbook Q of a box that reads Q otherwise.
fn read_q(stage: &Stage, reading: usize) -> f64 {
    let peaking = stage.kind == Kind::Peaking;
    let root_of_gain = 10f64.powf(stage.gain_db.abs() / 40.0);
    match reading {
        // Bandwidth in octaves (cookbook) read from the number Q.
        0 if peaking => 0.5 / (0.5 * 2f64.ln() * stage.q).sinh(),
        // Q wider or narrower by the square root of the gain.
        1 if peaking => stage.q * root_of_gain,
        2 if peaking => stage.q / root_of_gain,
        3 if peaking => stage.q * 10f64.powf(stage.gain_db / 40.0),
        // Cookbook: 1/Q = sqrt((A + 1/A)(1/S - 1) + 2).
        4 if !peaking => {
            let a = 10f64.powf(stage.gain_db / 40.0);
            1.0 / ((a + 1.0 / a) * (1.0 / stage.q - 1.0) + 2.0).sqrt()
        }
        _ => stage.q,
    }
}

/// What a box really runs.
pub struct Run {
    sections: Vec<Biquad>,
    gain_db: f64,
    rate_hz: f64,
}

impl Run {
    /// The box with all that is wrong with it.
    pub fn of(list: &FilterList, wrong: &Wrong) -> Run {
        if wrong.bypassed {
            return Run {
                sections: Vec::new(),
                gain_db: 0.0,
                rate_hz: list.rate_hz,
            };
        }
        let mut sections: Vec<Biquad> = list
            .stages
            .iter()
            .map(|listed| {
                let stage = Stage {
                    q: wrong
                        .other_q
                        .map_or(listed.stage.q, |r| read_q(&listed.stage, r)),
                    ..listed.stage
                };
                let made_anew = wrong.made_for_hz.is_some() || stage.q != listed.stage.q;
                match listed.biquad {
                    Some(biquad) if !made_anew => biquad,
                    _ => held(
                        stage.biquad(wrong.made_for_hz.unwrap_or(list.rate_hz)),
                        list.number,
                    ),
                }
            })
            .collect();
        let file_sign = match list.feedback {
            Feedback::Subtracted => 1.0,
            Feedback::Added => -1.0,
        };
        for s in &mut sections {
            // The numbers as they stand in the file, then as the box takes them.
            let mut file = [s.b0, s.b1, s.b2, file_sign * s.a1, file_sign * s.a2];
            match wrong.reversed {
                Some(Turned::A) => file.swap(3, 4),
                Some(Turned::B) => file.swap(0, 2),
                Some(Turned::AllFive) => file.reverse(),
                None => {}
            }
            let sign = if wrong.negated { -file_sign } else { file_sign };
            *s = Biquad {
                b0: file[0],
                b1: file[1],
                b2: file[2],
                a1: sign * file[3],
                a2: sign * file[4],
            };
        }
        if let Some(k) = wrong.missing {
            sections.remove(k);
        }
        Run {
            sections,
            gain_db: if wrong.without_gain {
                0.0
            } else {
                list.gain_db
            },
            rate_hz: wrong.runs_at_hz.unwrap_or(list.rate_hz),
        }
    }

    /// Whether a pole lies on or outside the unit circle: the box then oscillates.
    pub fn is_unstable(&self) -> bool {
        // Jury's test for the second order.
        self.sections
            .iter()
            .any(|s| s.a2.abs() >= 1.0 || s.a1.abs() >= 1.0 + s.a2)
    }

    /// Level in dB and phase in degrees, by plain evaluation of both polynomials.
    fn response(&self, f_hz: f64) -> (f64, f64) {
        let w = 2.0 * PI * f_hz / self.rate_hz;
        let poly = |c: [f64; 3]| {
            let re = c[0] + c[1] * w.cos() + c[2] * (2.0 * w).cos();
            let im = -c[1] * w.sin() - c[2] * (2.0 * w).sin();
            (re, im)
        };
        let (mut level_db, mut phase_deg) = (self.gain_db, 0.0);
        for s in &self.sections {
            for (side, (re, im)) in [
                (1.0, poly([s.b0, s.b1, s.b2])),
                (-1.0, poly([1.0, s.a1, s.a2])),
            ] {
                level_db += side * 10.0 * (re * re + im * im).log10();
                phase_deg += side * im.atan2(re).to_degrees();
            }
        }
        (level_db, phase_deg)
    }
}

/// 48 points per octave from 20 Hz to 20 kHz.
fn freqs_hz() -> Vec<f64> {
    (0..)
        .map(|i| 20.0 * 2f64.powf(f64::from(i) / 48.0))
        .take_while(|f| *f <= 20_000.0)
        .collect()
}

/// How a loopback is taken.
#[derive(Debug, Clone, Copy)]
pub struct Bench {
    /// Standard deviation of the noise on a point, dB.
    pub noise_db: f64,
    /// Gain of the sound card, dB.
    pub level_db: f64,
    /// Which sound card, see [`interface_db`].
    pub interface: usize,
    /// Whether phase is measured too, with a delay.
    pub phase: bool,
}

/// A stable box measured, or one whose oscillation went unnoticed.
pub fn loopback(device: &Run, bench: &Bench, dice: &mut Dice) -> Loopback {
    let delay_s = dice.between(0.0, 0.02);
    let freqs_hz = freqs_hz();
    let points: Vec<(f64, f64)> = freqs_hz
        .iter()
        .map(|f_hz| {
            let (level_db, phase_deg) = device.response(*f_hz);
            let level_db = level_db
                + bench.level_db
                + interface_db(bench.interface, *f_hz)
                + bench.noise_db * dice.normal();
            // A decibel of noise is 6.6 degrees: both are parts of one disturbance.
            let phase_deg =
                phase_deg - 360.0 * f_hz * delay_s + 6.6 * bench.noise_db * dice.normal();
            (level_db, phase_deg)
        })
        .collect();
    Loopback {
        levels_db: points.iter().map(|p| p.0).collect(),
        phase_deg: bench
            .phase
            .then(|| points.iter().map(|p| p.1.rem_euclid(360.0)).collect()),
        freqs_hz,
    }
}

/// What is measured of a box that oscillates: noise of no shape.
pub fn oscillation(dice: &mut Dice) -> Loopback {
    let freqs_hz = freqs_hz();
    Loopback {
        levels_db: freqs_hz
            .iter()
            .map(|_| -20.0 + 6.0 * dice.normal())
            .collect(),
        phase_deg: None,
        freqs_hz,
    }
}

/// How many sound cards [`interface_db`] knows.
pub const INTERFACES: usize = 6;

/// Sound cards with corners at 10 Hz and 20 kHz, as levels in dB: formulas of analogue filters,
/// and one digital pair by its bilinear transform. 0 has none.
pub fn interface_db(which: usize, f_hz: f64) -> f64 {
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

/// Largest change of level that a fault makes, whatever the free level, dB.
pub fn effect_db(list: &FilterList, faulty: &Run) -> f64 {
    change_db(&Run::of(list, &Wrong::default()), faulty)
}

/// Largest change of level from one box to another, whatever the free level, dB.
pub fn change_db(from: &Run, to: &Run) -> f64 {
    let changes: Vec<f64> = freqs_hz()
        .iter()
        .map(|f| to.response(*f).0 - from.response(*f).0)
        .collect();
    let (low, high) = changes
        .iter()
        .fold((f64::INFINITY, f64::NEG_INFINITY), |(l, h), c| {
            (l.min(*c), h.max(*c))
        });
    0.5 * (high - low)
}

/// What a fault says beyond its name, as in [`Wrong::details`].
pub fn detail_of(fault: &Fault) -> String {
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
