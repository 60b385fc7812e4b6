//! The cascade in 64-bit floating point, transposed direct form 2: the form with the least
//! rounding noise of the usual ones in floating point.

use crate::filter::{Bank, Biquad};
use crate::units::db_to_amplitude;

/// Stages that run side by side in the inner loop. A stage waits for its own last output, so
/// several at once keep the processor busy; beyond four there is nothing left to gain.
const AT_ONCE: usize = 4;

/// States below this amplitude (-600 dB re full scale) are set to 0 between blocks: a filter that
/// rings out in silence would otherwise crawl through subnormal numbers, which are slow.
const SILENT: f64 = 1e-30;

/// A cascade with its state, for any number of channels.
#[derive(Debug, Clone)]
pub(super) struct Double {
    level: f64,
    sections: Vec<Biquad>,
    channels: usize,
    /// The two states of each section, for one channel after another.
    states: Vec<[f64; 2]>,
}

impl Double {
    pub fn new(bank: &Bank, channels: usize) -> Self {
        Double {
            level: db_to_amplitude(bank.gain_db),
            sections: bank.sections.clone(),
            channels,
            states: vec![[0.0; 2]; bank.sections.len() * channels],
        }
    }

    /// Filters whole frames in place.
    pub fn process(&mut self, frames: &mut [f64]) {
        for sample in frames.iter_mut() {
            *sample *= self.level;
        }
        for channel in (0..self.channels).step_by(2) {
            if channel + 1 < self.channels {
                self.channels_from::<2>(channel, frames);
            } else {
                self.channels_from::<1>(channel, frames);
            }
        }
        for state in self.states.iter_mut().flatten() {
            if state.abs() < SILENT {
                *state = 0.0;
            }
        }
    }

    /// All stages for `LANES` channels from `channel` on.
    fn channels_from<const LANES: usize>(&mut self, channel: usize, frames: &mut [f64]) {
        for first in (0..self.sections.len()).step_by(AT_ONCE) {
            match self.sections.len() - first {
                1 => self.stages_from::<1, LANES>(first, channel, frames),
                2 => self.stages_from::<2, LANES>(first, channel, frames),
                3 => self.stages_from::<3, LANES>(first, channel, frames),
                _ => self.stages_from::<AT_ONCE, LANES>(first, channel, frames),
            }
        }
    }

    /// `STAGES` stages from `first` on for `LANES` channels from `channel` on.
    fn stages_from<const STAGES: usize, const LANES: usize>(
        &mut self,
        first: usize,
        channel: usize,
        frames: &mut [f64],
    ) {
        let count = self.sections.len();
        let sections: [Biquad; STAGES] = std::array::from_fn(|i| self.sections[first + i]);
        let place = |stage: usize, lane: usize| (channel + lane) * count + first + stage;
        let [mut s1, mut s2] = [0, 1].map(|k| {
            std::array::from_fn::<[f64; LANES], STAGES, _>(|stage| {
                std::array::from_fn(|lane| self.states[place(stage, lane)][k])
            })
        });
        for frame in frames.chunks_exact_mut(self.channels) {
            let lanes = &mut frame[channel..channel + LANES];
            let mut x: [f64; LANES] = std::array::from_fn(|lane| lanes[lane]);
            for (stage, section) in sections.iter().enumerate() {
                for lane in 0..LANES {
                    let y = section.b0 * x[lane] + s1[stage][lane];
                    s1[stage][lane] = section.b1 * x[lane] + s2[stage][lane] - section.a1 * y;
                    s2[stage][lane] = section.b2 * x[lane] - section.a2 * y;
                    x[lane] = y;
                }
            }
            lanes.copy_from_slice(&x);
        }
        for stage in 0..STAGES {
            for lane in 0..LANES {
                self.states[place(stage, lane)] = [s1[stage][lane], s2[stage][lane]];
            }
        }
    }
}
