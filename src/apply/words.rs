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

/// A cascade with its state, for any number of channels.
#[derive(Debug, Clone)]
pub(super) struct Words {
    fraction_bits: u32,
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
        let nodes = sections.len() + 1;
        Ok(Words {
            fraction_bits,
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

    /// Filters whole frames in place. Samples between words are rounded to the nearest one.
    pub fn process(&mut self, frames: &mut [f64]) {
        let scale = f64::from(self.fraction_bits).exp2();
        let (top, fraction_bits) = (self.top, self.fraction_bits);
        let half = (1i128 << fraction_bits) >> 1;
        let nodes_of_channel = self.sections.len() + 1;
        for frame in frames.chunks_exact_mut(self.channels) {
            let channels = self.nodes.chunks_exact_mut(nodes_of_channel);
            for (channel, (sample, nodes)) in frame.iter_mut().zip(channels).enumerate() {
                let saturations = &mut self.saturations;
                let mut store = |stage: usize, exact: i128| {
                    let rounded = (exact + half) >> fraction_bits;
                    let held = rounded.clamp(-i128::from(top) - 1, i128::from(top));
                    if held != rounded {
                        let seen = &mut saturations[stage];
                        if seen.samples == 0 {
                            seen.first_frame = self.frames;
                            seen.first_channel = channel + 1;
                        }
                        seen.samples += 1;
                    }
                    held as i64
                };
                // `as` saturates at 64 bits, which is beyond every format here.
                let input = (*sample * scale + 0.5).floor() as i128;
                let input = store(0, input << fraction_bits);
                let mut x0 = match self.level {
                    Some(level) => store(0, i128::from(input) * i128::from(level)),
                    None => input,
                };
                for (stage, coefficients) in self.sections.iter().enumerate() {
                    let [x1, x2] = nodes[stage];
                    let [y1, y2] = nodes[stage + 1];
                    nodes[stage] = [x0, x1];
                    let exact: i128 = coefficients
                        .iter()
                        .zip([x0, x1, x2, y1, y2])
                        .map(|(c, v)| i128::from(*c) * i128::from(v))
                        .sum();
                    x0 = store(stage + 1, exact);
                }
                let last = &mut nodes[nodes_of_channel - 1];
                *last = [x0, last[0]];
                *sample = x0 as f64 / scale;
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
