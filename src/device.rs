//! What runs the filters: how many stages, of which types, in which ranges and steps, at which
//! rate, in which number format and with which sign of the feedback.

use crate::filter::Kind;
use std::fmt;

/// The level in front is given to this many dB where a device does not say otherwise: finer than any
/// ear, and as fine as most boxes let one type it.
pub const LEVEL_STEP_DB: f64 = 0.1;

/// Highest f0 as a share of the rate: at half the rate itself the bilinear transform has
/// nothing above the stage, and `tan(w0/2)` no value.
pub const HIGHEST_F0_PER_RATE: f64 = 0.4999;

/// How coefficients are held.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Number {
    /// 64-bit floating point.
    F64,
    /// 32-bit floating point.
    F32,
    /// Two's complement with `integer_bits` (the sign among them) and `fraction_bits`;
    /// together at most 64, at least one integer bit.
    Fixed {
        /// Bits before the point, sign included.
        integer_bits: u32,
        /// Bits after the point.
        fraction_bits: u32,
    },
    /// The device takes settings of knobs, no coefficients.
    None,
}

impl fmt::Display for Number {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Number::F64 => f.write_str("f64"),
            Number::F32 => f.write_str("f32"),
            Number::Fixed {
                integer_bits,
                fraction_bits,
            } => write!(f, "fixed {integer_bits}.{fraction_bits}"),
            Number::None => f.write_str("none"),
        }
    }
}

impl Number {
    /// `value` as the format holds it: the nearest number of the grid, ties away from zero.
    /// `None` when it is outside the format's range or not finite.
    pub fn quantise(self, value: f64) -> Option<f64> {
        let held = match self {
            Number::F64 | Number::None => value,
            Number::F32 => f64::from(value as f32),
            Number::Fixed {
                integer_bits,
                fraction_bits,
            } => {
                let step = (-f64::from(fraction_bits)).exp2();
                let limit = (f64::from(integer_bits) - 1.0).exp2();
                // Two's complement has one zero only: adding 0 takes the sign off a negative one.
                let held = (value / step).round() * step + 0.0;
                if held < -limit || held >= limit {
                    return None;
                }
                held
            }
        };
        held.is_finite().then_some(held)
    }

    /// The format with this name, as [`Number`] displays it.
    pub fn from_name(name: &str) -> Option<Number> {
        match name {
            "f64" => Some(Number::F64),
            "f32" => Some(Number::F32),
            "none" => Some(Number::None),
            _ => {
                let (integer, fraction) = name.strip_prefix("fixed ")?.split_once('.')?;
                let plain = |s: &str| {
                    let digits =
                        !s.is_empty() && s.len() <= 2 && s.bytes().all(|b| b.is_ascii_digit());
                    if digits { s.parse::<u32>().ok() } else { None }
                };
                let (integer_bits, fraction_bits) = (plain(integer)?, plain(fraction)?);
                let width = integer_bits + fraction_bits;
                ((1..=64).contains(&width) && integer_bits >= 1).then_some(Number::Fixed {
                    integer_bits,
                    fraction_bits,
                })
            }
        }
    }
}

/// How the device applies its `a` numbers.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Feedback {
    /// `y0 = ... - a1*y1 - a2*y2`.
    Subtracted,
    /// `y0 = ... + a1*y1 + a2*y2`: the numbers are negated.
    Added,
}

/// One of the five coefficients of a stage.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Coefficient {
    /// Numerator, present sample.
    B0,
    /// Numerator, one sample ago.
    B1,
    /// Numerator, two samples ago.
    B2,
    /// Feedback, one sample ago.
    A1,
    /// Feedback, two samples ago.
    A2,
}

impl Coefficient {
    /// The usual order.
    pub const USUAL_ORDER: [Coefficient; 5] = [
        Coefficient::B0,
        Coefficient::B1,
        Coefficient::B2,
        Coefficient::A1,
        Coefficient::A2,
    ];

    /// Lower-case name, as in `b0`.
    pub fn name(self) -> &'static str {
        match self {
            Coefficient::B0 => "b0",
            Coefficient::B1 => "b1",
            Coefficient::B2 => "b2",
            Coefficient::A1 => "a1",
            Coefficient::A2 => "a2",
        }
    }
}

/// The values a setting can take.
#[derive(Debug, Clone, PartialEq)]
pub enum Setting {
    /// Anything between two limits, both included.
    Range {
        /// Lower limit.
        from: f64,
        /// Upper limit, not below the lower.
        to: f64,
    },
    /// Multiples of a step between two limits: `from + k * step`.
    Steps {
        /// Lower limit and first value.
        from: f64,
        /// Upper limit.
        to: f64,
        /// Distance of neighbours, above 0.
        step: f64,
    },
    /// One of a list, ascending, not empty.
    List(Vec<f64>),
}

impl Setting {
    /// Lowest value.
    pub fn lowest(&self) -> f64 {
        match self {
            Setting::Range { from, .. } | Setting::Steps { from, .. } => *from,
            Setting::List(values) => values[0],
        }
    }

    /// Highest value.
    pub fn highest(&self) -> f64 {
        match self {
            Setting::Range { to, .. } => *to,
            Setting::Steps { from, to, step } => from + step * ((to - from) / step + 1e-9).floor(),
            Setting::List(values) => values[values.len() - 1],
        }
    }

    /// Whether any value between the limits can be had.
    pub fn is_continuous(&self) -> bool {
        matches!(self, Setting::Range { .. })
    }

    /// All values, ascending; `None` for a continuous setting.
    pub fn values(&self) -> Option<Vec<f64>> {
        match self {
            Setting::Range { .. } => None,
            Setting::List(values) => Some(values.clone()),
            Setting::Steps { from, to, step } => {
                let count = ((to - from) / step + 1e-9).floor() as usize;
                // Rounded to a millionth so that 0.1 + 0.2 prints as 0.3.
                Some(
                    (0..=count)
                        .map(|k| ((from + step * k as f64) * 1e6).round() / 1e6)
                        .collect(),
                )
            }
        }
    }

    /// The settable value nearest to `wanted`.
    pub fn nearest(&self, wanted: f64) -> f64 {
        match self.values() {
            None => wanted.clamp(self.lowest(), self.highest()),
            Some(values) => values
                .into_iter()
                .min_by(|a, b| (a - wanted).abs().total_cmp(&(b - wanted).abs()))
                .expect("a setting has a value"),
        }
    }
}

/// Limits of one type of stage on a device.
#[derive(Debug, Clone, PartialEq)]
pub struct StageLimits {
    /// The type.
    pub kind: Kind,
    /// How many stages may be of this type; `None` for as many as there are.
    pub at_most: Option<usize>,
    /// Centre frequency in Hz.
    pub f0_hz: Setting,
    /// Gain in dB; a single 0 for types without one.
    pub gain_db: Setting,
    /// Q as the cookbook defines it.
    pub q: Setting,
}

/// A device profile. At least one stage and one type; the rate is above 0 and every f0 below
/// half of it.
#[derive(Debug, Clone, PartialEq)]
pub struct Device {
    /// Short name, as typed.
    pub name: String,
    /// One sentence for the list of devices.
    pub about: String,
    /// Sampling rate in Hz; for devices that take knobs only the rate the prediction assumes.
    pub rate_hz: f64,
    /// Number format.
    pub number: Number,
    /// Sign convention.
    pub feedback: Feedback,
    /// Order in which the device takes the words of a stage, each coefficient once.
    pub word_order: [Coefficient; 5],
    /// How many stages there are.
    pub stages: usize,
    /// Steps of the level in front, dB, above 0.
    pub level_step_db: f64,
    /// Limits by type, each type once.
    pub limits: Vec<StageLimits>,
}

impl Device {
    /// The least level, as the device takes it, that is not below `level_db` dB, which is 0 or more.
    pub fn level_from_db(&self, level_db: f64) -> f64 {
        // Less is rounding of a search, not a level.
        const ROUNDING_DB: f64 = 1e-4;
        let steps = ((level_db - ROUNDING_DB) / self.level_step_db)
            .ceil()
            .max(0.0);
        // To the digits of the step: 7 times 0.1 is 0.7.
        (steps * self.level_step_db * 1e6).round() / 1e6
    }

    /// Limits of a type; `None` when the device does not have it.
    pub fn limits_of(&self, kind: Kind) -> Option<&StageLimits> {
        self.limits.iter().find(|limits| limits.kind == kind)
    }

    /// Whether any setting of any type has steps.
    pub fn has_steps(&self) -> bool {
        self.limits.iter().any(|l| {
            !(l.f0_hz.is_continuous()
                && l.q.is_continuous()
                && (l.gain_db.is_continuous() || !l.kind.has_gain()))
        })
    }
}
