//! The cascade as a device with fixed-point words computes it, bit by bit.
//!
//! Model: direct form 1 as the equation of the filter list states it. The signal has the format
//! I.F of the coefficients, full scale at 1, so I - 1 bits of headroom at every node. Products are
//! of double width and are summed exactly (a double-width accumulator with guard bits). At the
//! store the sum is rounded to F fraction bits, ties up (half a step added, the rest cut off), and
//! saturated to the range of the word. The level in front is a word of the same format, its
//! product rounded and saturated alike; at 0 dB nothing is multiplied. What saturates is counted, node
//! by node.

use crate::device::{Coefficient, Feedback, Number};
use crate::error::{Error, Result};
use crate::filter::Bank;
use crate::filter_list::in_convention;
use crate::units::db_to_amplitude;
use std::ops::{Add, Mul, Shl, Shr};

/// Five products of two words fit into 128 bits up to this width.
const WIDEST_BITS: u32 = 63;

/// What saturated at a node.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Saturation {
    /// 0 for the input and the level in front, otherwise the stage, from 1.
    pub stage: usize,
    /// How often.
    pub samples: u64,
    /// Frame of the first time.
    pub first_frame: u64,
    /// Channel of the first time, from 1.
    pub first_channel: usize,
}

/// An integer in which the products of a stage are summed.
trait Accumulator:
    Copy
    + Ord
    + From<i64>
    + Add<Output = Self>
    + Mul<Output = Self>
    + Shl<u32, Output = Self>
    + Shr<u32, Output = Self>
{
    /// A value that fits into a word.
    fn word(self) -> i64;
}

impl Accumulator for i64 {
    fn word(self) -> i64 {
        self
    }
}

impl Accumulator for i128 {
    fn word(self) -> i64 {
        self as i64
    }
}

/// A cascade with its state, for any number of channels.
#[derive(Debug, Clone)]
pub(super) struct Words {
    fraction_bits: u32,
    /// Whether no sum can pass 64 bits, whatever the signal.
    fits_64_bits: bool,
    /// The largest word; the lowest is one step further from 0.
    top: i64,
    /// `None` for 0 dB.
    level: Option<i64>,
    /// b0, b1, b2 and the two feedback numbers, which are added.
    sections: Vec<[i64; 5]>,
    channels: usize,
    /// The last two words at each node, for one channel after another; node 0 is behind the
    /// level, node k behind stage k.
    nodes: Vec<[i64; 2]>,
    /// By node; those with 0 samples have not saturated.
    saturations: Vec<Saturation>,
    /// Frames filtered so far.
    frames: u64,
}

impl Words {
    /// The cascade of `bank`, whose coefficients are numbers of the format `number`.
    ///
    /// # Errors
    /// When the format is not fixed or wider than 63 bits, or a coefficient or the level in front
    /// is none of its numbers.
    pub fn new(bank: &Bank, number: Number, channels: usize) -> Result<Self> {
        let Number::Fixed {
            integer_bits,
            fraction_bits,
        } = number
        else {
            return Err(Error::call(format!("{number} is no fixed-point format")));
        };
        let width = integer_bits + fraction_bits;
        if width > WIDEST_BITS {
            return Err(Error::range(
                "the word width",
                format!("{width} bits"),
                format!("at most {WIDEST_BITS} bits to be computed exactly"),
            ));
        }
        let scale = f64::from(fraction_bits).exp2();
        let level = match bank.gain_db {
            0.0 => None,
            gain_db => {
                let held = number.quantise(db_to_amplitude(gain_db)).ok_or_else(|| {
                    Error::range(
                        "the level in front",
                        format!("{gain_db} dB"),
                        format!("within the format {number}"),
                    )
                })?;
                Some((held * scale) as i64)
            }
        };
        let mut sections = Vec::with_capacity(bank.sections.len());
        for section in &bank.sections {
            let mut words = [0; 5];
            for (held, coefficient) in words.iter_mut().zip(Coefficient::USUAL_ORDER) {
                let value = in_convention(section, coefficient, Feedback::Added);
                let word = value * scale;
                // Both signs of the lowest number: which one the device holds is its convention.
                if word.fract() != 0.0 || word.abs() > (f64::from(width) - 1.0).exp2() {
                    return Err(Error::range(
                        coefficient.name(),
                        value.to_string(),
                        format!("a number of the format {number}"),
                    ));
                }
                *held = word as i64;
            }
            sections.push(words);
        }
        let sums = sections.iter().map(|words| -> i128 {
            let magnitudes = words.iter().map(|word| i128::from(word.abs()));
            magnitudes.sum()
        });
        // Of the stages, the level in front, and the input on its way into the format.
        let largest = sums
            .chain(level.map(i128::from))
            .chain([2 << fraction_bits])
            .max()
            .unwrap_or(0);
        let nodes = sections.len() + 1;
        Ok(Words {
            fraction_bits,
            // Each at most with the lowest word, and half a step for the rounding.
            fits_64_bits: (largest << (width - 1)) + (1 << fraction_bits) <= i128::from(i64::MAX),
            top: (1 << (width - 1)) - 1,
            level,
            sections,
            channels,
            nodes: vec![[0; 2]; nodes * channels],
            saturations: (0..nodes)
                .map(|stage| Saturation {
                    stage,
                    samples: 0,
                    first_frame: 0,
                    first_channel: 0,
                })
                .collect(),
            frames: 0,
        })
    }

    /// Filters whole frames in place. Samples between words are rounded to the nearest one, ties
    /// up.
    pub fn process(&mut self, frames: &mut [f64]) {
        if self.fits_64_bits {
            self.process_in::<i64>(frames);
        } else {
            self.process_in::<i128>(frames);
        }
    }

    /// The same whatever the accumulator `A`, which holds every sum exactly.
    fn process_in<A: Accumulator>(&mut self, frames: &mut [f64]) {
        let (scale, step) = (
            f64::from(self.fraction_bits).exp2(),
            (-f64::from(self.fraction_bits)).exp2(),
        );
        let (top, fraction_bits) = (self.top, self.fraction_bits);
        let (lowest, highest) = (A::from(-top - 1), A::from(top));
        let half = A::from((1i64 << fraction_bits) >> 1);
        let nodes_of_channel = self.sections.len() + 1;
        for frame in frames.chunks_exact_mut(self.channels) {
            let channels = self.nodes.chunks_exact_mut(nodes_of_channel);
            for (channel, (sample, nodes)) in frame.iter_mut().zip(channels).enumerate() {
                let mut store = |stage: usize, exact: A| {
                    let rounded = (exact + half) >> fraction_bits;
                    let held = rounded.clamp(lowest, highest);
                    if held != rounded {
                        let seen = &mut self.saturations[stage];
                        if seen.samples == 0 {
                            seen.first_frame = self.frames;
                            seen.first_channel = channel + 1;
                        }
                        seen.samples += 1;
                    }
                    held.word()
                };
                // `as` cuts towards 0 and saturates at 64 bits, beyond every word here.
                let exact = *sample * scale + 0.5;
                let cut = exact as i64;
                let input = cut - i64::from(cut as f64 > exact);
                // Beyond twice the range it saturates all the same.
                let input = A::from(input.clamp(-2 * top - 2, 2 * top + 1));
                let mut x0 = store(0, input << fraction_bits);
                if let Some(level) = self.level {
                    x0 = store(0, A::from(x0) * A::from(level));
                }
                for (stage, coefficients) in self.sections.iter().enumerate() {
                    let [x1, x2] = nodes[stage];
                    let [y1, y2] = nodes[stage + 1];
                    nodes[stage] = [x0, x1];
                    let [b0, b1, b2, a1, a2] = coefficients.map(A::from);
                    let forward = b0 * A::from(x0) + b1 * A::from(x1) + b2 * A::from(x2);
                    let back = a1 * A::from(y1) + a2 * A::from(y2);
                    x0 = store(stage + 1, forward + back);
                }
                let last = &mut nodes[nodes_of_channel - 1];
                *last = [x0, last[0]];
                *sample = x0 as f64 * step;
            }
            self.frames += 1;
        }
    }

    /// The nodes that have saturated.
    pub fn saturations(&self) -> Vec<Saturation> {
        let seen = self.saturations.iter().filter(|s| s.samples > 0);
        seen.copied().collect()
    }
}
