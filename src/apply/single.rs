//! The cascade as a device with 32-bit floating point computes it.
//!
//! Model: direct form 1, the equation of the filter list from left to right; every coefficient,
//! product, sum and stored value is an IEEE 754 binary32 rounded to the nearest (ties to even), no
//! fused multiply-add; results below the smallest normal number are stored as 0, as signal
//! processors do; the level in front is one multiplication.

use crate::device::Coefficient;
use crate::device::Feedback;
use crate::filter::Bank;
use crate::filter_list::in_convention;
use crate::units::db_to_amplitude;

/// A cascade with its state, for any number of channels.
#[derive(Debug, Clone)]
pub(super) struct Single {
    level: f32,
    /// b0, b1, b2 and the two feedback numbers, which are added.
    sections: Vec<[f32; 5]>,
    channels: usize,
    /// The last two values at each node, for one channel after another; node 0 is behind the
    /// level, node k behind stage k.
    nodes: Vec<[f32; 2]>,
}

impl Single {
    pub fn new(bank: &Bank, channels: usize) -> Self {
        // Subtracting a product and adding the negated one round alike.
        let sections = bank.sections.iter().map(|section| {
            Coefficient::USUAL_ORDER.map(|c| in_convention(section, c, Feedback::Added) as f32)
        });
        Single {
            level: db_to_amplitude(bank.gain_db) as f32,
            sections: sections.collect(),
            channels,
            nodes: vec![[0.0; 2]; (bank.sections.len() + 1) * channels],
        }
    }

    /// Filters whole frames in place.
    pub fn process(&mut self, frames: &mut [f64]) {
        let nodes_of_channel = self.sections.len() + 1;
        for frame in frames.chunks_exact_mut(self.channels) {
            let channels = self.nodes.chunks_exact_mut(nodes_of_channel);
            for (sample, nodes) in frame.iter_mut().zip(channels) {
                let mut x0 = stored(*sample as f32 * self.level);
                for (stage, [b0, b1, b2, a1, a2]) in self.sections.iter().enumerate() {
                    let [x1, x2] = nodes[stage];
                    let [y1, y2] = nodes[stage + 1];
                    nodes[stage] = [x0, x1];
                    x0 = stored(b0 * x0 + b1 * x1 + b2 * x2 + a1 * y1 + a2 * y2);
                }
                let last = &mut nodes[nodes_of_channel - 1];
                *last = [x0, last[0]];
                *sample = f64::from(x0);
            }
        }
    }
}

fn stored(value: f32) -> f32 {
    if value.abs() < f32::MIN_POSITIVE {
        0.0
    } else {
        value
    }
}
