//! Devices and wanted curves on which the fit is tried: by tests, examples and benches.
//! Everybody who takes this file in uses a part of it.
#![allow(dead_code)]

use planish::device::{Coefficient, Device, Feedback, Number, Setting, StageLimits};
use planish::filter::{Kind, Stage};
use std::f64::consts::PI;

/// Rate of the devices below, Hz.
pub const RATE_HZ: f64 = 48000.0;

pub fn range(from: f64, to: f64) -> Setting {
    Setting::Range { from, to }
}

/// Limits of one type.
pub fn limits(kind: Kind, f0_hz: Setting, gain_db: Setting, q: Setting) -> StageLimits {
    StageLimits {
        kind,
        at_most: None,
        f0_hz,
        gain_db,
        q,
    }
}

pub fn device_of(stages: usize, limits: Vec<StageLimits>) -> Device {
    Device {
        name: "bench".into(),
        about: String::new(),
        rate_hz: RATE_HZ,
        number: Number::F64,
        feedback: Feedback::Subtracted,
        word_order: Coefficient::USUAL_ORDER,
        level_step_db: 0.1,
        stages,
        limits,
    }
}

/// Peaking and both shelves, 12 dB up and down.
pub fn device(stages: usize) -> Device {
    let of = |kind, q| limits(kind, range(20.0, 20000.0), range(-12.0, 12.0), q);
    device_of(
        stages,
        vec![
            of(Kind::Peaking, range(0.3, 10.0)),
            of(Kind::LowShelf, range(0.4, 1.0)),
            of(Kind::HighShelf, range(0.4, 1.0)),
        ],
    )
}

/// Knobs only: third-octave centres, half-decibel steps, seven values of Q.
pub fn knobs(stages: usize) -> Device {
    let third = (-17..=13)
        .map(|k| 1000.0 * 10f64.powf(f64::from(k) / 10.0))
        .collect();
    let gain_db = Setting::Steps {
        from: -12.0,
        to: 12.0,
        step: 0.5,
    };
    let q = Setting::List(vec![0.5, 0.7, 1.0, 1.4, 2.0, 2.8, 4.0]);
    device_of(
        stages,
        vec![limits(Kind::Peaking, Setting::List(third), gain_db, q)],
    )
}

/// So many log-spaced frequencies from 20 Hz to 20 kHz.
pub fn rows(count: usize) -> Vec<f64> {
    (0..count)
        .map(|i| 20.0 * 1000f64.powf(i as f64 / (count - 1) as f64))
        .collect()
}

/// Gain by the coefficients, a route that the solver does not take.
pub fn gains_db(stages: &[Stage], freqs_hz: &[f64]) -> Vec<f64> {
    let gain_db = |f: &f64| {
        stages
            .iter()
            .map(|s| s.biquad(RATE_HZ).gain_db(2.0 * PI * f / RATE_HZ))
            .sum()
    };
    freqs_hz.iter().map(gain_db).collect()
}

pub fn peaking(f0_hz: f64, gain_db: f64, q: f64) -> Stage {
    Stage {
        kind: Kind::Peaking,
        f0_hz,
        gain_db,
        q,
    }
}

/// SplitMix64 (Steele, Lea, Flood 2014): a fixed stream of numbers for each seed.
pub struct Draw(pub u64);

impl Draw {
    pub fn unit(&mut self) -> f64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        ((z ^ (z >> 31)) >> 11) as f64 / (1u64 << 53) as f64
    }

    pub fn between(&mut self, low: f64, high: f64) -> f64 {
        low + (high - low) * self.unit()
    }

    pub fn ratio(&mut self, low: f64, high: f64) -> f64 {
        low * (high / low).powf(self.unit())
    }

    pub fn sign(&mut self) -> f64 {
        if self.unit() < 0.5 { -1.0 } else { 1.0 }
    }
}

fn random_peaks(draw: &mut Draw, count: usize) -> Vec<Stage> {
    (0..count)
        .map(|_| {
            let f0_hz = draw.ratio(30.0, 16000.0);
            let gain_db = draw.sign() * draw.between(1.5, 9.0);
            peaking(f0_hz, gain_db, draw.ratio(0.5, 6.0))
        })
        .collect()
}

fn random_shelf(draw: &mut Draw) -> Stage {
    let low = draw.unit() < 0.5;
    Stage {
        kind: if low { Kind::LowShelf } else { Kind::HighShelf },
        f0_hz: if low {
            draw.ratio(60.0, 400.0)
        } else {
            draw.ratio(2000.0, 10000.0)
        },
        gain_db: draw.sign() * draw.between(1.5, 6.0),
        q: draw.ratio(0.5, 0.9),
    }
}

/// A kind of wanted curves.
#[derive(Clone, Copy, PartialEq)]
pub enum Class {
    /// Eight peaks and a shelf: nothing need be left with nine stages.
    Recoverable,
    /// Twenty peaks and a shelf: something is left with ten.
    Crowd,
    /// Bumps that are no biquads, at random: what an audit asks for.
    Wish,
    /// Fewer and broader bumps, which ten stages nearly meet: many minima of nearly one depth.
    Smooth,
    /// Waves over log frequency: everything is a local minimum.
    Waves,
}

impl Class {
    pub const ALL: [Class; 5] = [
        Class::Recoverable,
        Class::Crowd,
        Class::Wish,
        Class::Smooth,
        Class::Waves,
    ];

    pub fn name(self) -> &'static str {
        match self {
            Class::Recoverable => "recoverable",
            Class::Crowd => "crowd",
            Class::Wish => "wish",
            Class::Smooth => "smooth",
            Class::Waves => "waves",
        }
    }

    /// How many stages the fit may use.
    pub fn stages(self) -> usize {
        match self {
            Class::Recoverable => 9,
            Class::Crowd | Class::Wish | Class::Smooth => 10,
            Class::Waves => 5,
        }
    }

    /// The curve of a seed, dB.
    pub fn curve(self, seed: u64, freqs_hz: &[f64]) -> Vec<f64> {
        let salt = self.name().len() as u64;
        let mut draw = Draw(seed.wrapping_mul(0x1234_5678_9abc_def1) ^ salt);
        match self {
            Class::Recoverable | Class::Crowd => {
                let count = if self == Class::Crowd { 20 } else { 8 };
                let mut stages = random_peaks(&mut draw, count);
                stages.push(random_shelf(&mut draw));
                gains_db(&stages, freqs_hz)
            }
            Class::Wish => {
                let bumps: Vec<[f64; 3]> = (0..18)
                    .map(|_| {
                        [
                            draw.between(20f64.log2(), 20000f64.log2()),
                            draw.sign() * draw.between(0.5, 5.0),
                            draw.ratio(0.08, 0.8),
                        ]
                    })
                    .collect();
                sum_over(freqs_hz, &bumps, |f, [at, size, width]| {
                    size * (-((f.log2() - at) / width).powi(2)).exp()
                })
            }
            Class::Smooth => {
                let bumps: Vec<[f64; 3]> = (0..12)
                    .map(|_| {
                        [
                            draw.between(40f64.log2(), 15_000f64.log2()),
                            draw.between(-6.0, 6.0),
                            draw.between(0.2, 1.2),
                        ]
                    })
                    .collect();
                sum_over(freqs_hz, &bumps, |f, [at, size, width]| {
                    size * (-((f.log2() - at) / width).powi(2)).exp()
                })
            }
            Class::Waves => {
                let waves: Vec<[f64; 3]> = (0..3)
                    .map(|_| {
                        [
                            draw.between(1.0, 4.0),
                            draw.between(0.25, 1.1),
                            draw.between(0.0, 2.0 * PI),
                        ]
                    })
                    .collect();
                sum_over(freqs_hz, &waves, |f, [size, per_oct, phase]| {
                    size * (2.0 * PI * per_oct * f.log2() + phase).sin()
                })
            }
        }
    }
}

fn sum_over(freqs_hz: &[f64], parts: &[[f64; 3]], value: fn(f64, [f64; 3]) -> f64) -> Vec<f64> {
    freqs_hz
        .iter()
        .map(|f| parts.iter().map(|p| value(*f, *p)).sum())
        .collect()
}
