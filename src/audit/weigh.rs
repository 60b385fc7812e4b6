//! Weighing the evidence: what of the listening window's deviation the angles do not share.
//!
//! How much a rise at 90 degrees says about a dip in the window, and how much a scatter over the
//! vertical angles a third of an octave away, no rule of thumb states. The weights of the
//! evidence were therefore learned from some ten thousand simulated speakers whose defects are known one by
//! one (`examples/weights`): a small convolutional network along log frequency, the same at every
//! frequency. Its answers are curves in dB that can be drawn beside the measurement, not labels.
//! What becomes of them (what is filled, how far, what is said of it) is decided by rules
//! elsewhere.
//!
//! Sources: residual blocks He et al. 2016, CVPR, 770-778; dilated convolutions Yu and Koltun
//! 2016, ICLR.

use super::evidence::CURVES;
use pulp::NullaryFnOnce;

/// Curves inside the network.
const WIDTH: usize = 48;

/// Distance of the taps of each block's convolution, in frequencies: together the blocks see
/// three octaves to either side.
const STEPS: [usize; 8] = [1, 2, 4, 8, 16, 32, 8, 2];

/// Taps of a convolution.
const TAPS: usize = 5;

/// Curves that come out.
const ANSWERS: usize = 4;

/// The network counts in this unit, dB.
const UNIT_DB: f32 = 3.0;

/// The weights: layer by layer, matrix (output, input, tap) before offsets, 32-bit floats, little
/// endian. Written by `examples/weights`.
static WEIGHTS: &[u8] = include_bytes!("weights.f32");

/// What the evidence comes to, each curve in dB over the audit's frequencies.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Weighed {
    /// What of the window's deviation the angles do not share: no EQ mends it.
    pub not_shared_db: Vec<f64>,
    /// What a step of directivity does to the in-room response.
    pub room_swing_db: Vec<f64>,
    /// What is there on the axis alone.
    pub axis_ripple_db: Vec<f64>,
    /// What cancellations take from the window.
    pub cancelled_db: Vec<f64>,
}

/// Weighs the evidence, one curve after the other as `evidence::evidence` gives it.
pub(super) fn weigh(evidence: &[Vec<f64>]) -> Weighed {
    let mut weights = Weights(WEIGHTS.chunks_exact(4));
    let mut curves = Curves::of(evidence);
    let first = Layer::read(&mut weights, CURVES, WIDTH, 1);
    curves = first.apply(&curves, 1);
    for step in STEPS {
        let wide = Layer::read(&mut weights, WIDTH, WIDTH, TAPS);
        let narrow = Layer::read(&mut weights, WIDTH, WIDTH, 1);
        let inner = wide.apply(&curves.positive(), step).positive();
        curves.add(&narrow.apply(&inner, 1));
    }
    let last = Layer::read(&mut weights, WIDTH, ANSWERS, 1);
    let answers = last.apply(&curves.positive(), 1);
    let answer = |k: usize| -> Vec<f64> {
        answers
            .curve(k)
            .iter()
            .map(|v| f64::from(UNIT_DB * v))
            .collect()
    };
    Weighed {
        not_shared_db: answer(0),
        room_swing_db: answer(1),
        axis_ripple_db: answer(2),
        cancelled_db: answer(3),
    }
}

struct Weights<'a>(std::slice::ChunksExact<'a, u8>);

impl Weights<'_> {
    fn take(&mut self, count: usize) -> Vec<f32> {
        self.0
            .by_ref()
            .take(count)
            .map(|b| f32::from_le_bytes([b[0], b[1], b[2], b[3]]))
            .collect()
    }
}

/// Curves of one length, one after the other.
struct Curves {
    length: usize,
    values: Vec<f32>,
}

impl Curves {
    fn of(curves: &[Vec<f64>]) -> Curves {
        Curves {
            length: curves.first().map_or(0, Vec::len),
            values: curves.iter().flatten().map(|v| *v as f32).collect(),
        }
    }

    fn curve(&self, k: usize) -> &[f32] {
        &self.values[k * self.length..(k + 1) * self.length]
    }

    fn positive(&self) -> Curves {
        Curves {
            length: self.length,
            values: self.values.iter().map(|v| v.max(0.0)).collect(),
        }
    }

    fn add(&mut self, other: &Curves) {
        self.values
            .iter_mut()
            .zip(&other.values)
            .for_each(|(a, b)| *a += b);
    }
}

/// A convolution along frequency: every curve that comes out is a sum of all that go in, each
/// with a few taps. Beyond the ends everything is zero.
struct Layer {
    inputs: usize,
    taps: usize,
    matrix: Vec<f32>,
    offsets: Vec<f32>,
}

/// Frequencies worked on side by side.
const TILE: usize = 16;

/// Curves that come out worked on side by side: each value that goes in is used so often while it is
/// at hand.
const ROWS: usize = 4;

impl Layer {
    fn read(weights: &mut Weights, inputs: usize, outputs: usize, taps: usize) -> Layer {
        Layer {
            inputs,
            taps,
            matrix: weights.take(outputs * inputs * taps),
            offsets: weights.take(outputs),
        }
    }

    fn apply(&self, curves: &Curves, step: usize) -> Curves {
        pulp::Arch::new().dispatch(Convolution {
            layer: self,
            curves,
            step,
        })
    }
}

/// A layer at work. Every sum runs over inputs and taps in one order and no product is fused with
/// a sum, so the bits are the same whatever the vectors of the machine.
struct Convolution<'a> {
    layer: &'a Layer,
    curves: &'a Curves,
    step: usize,
}

impl NullaryFnOnce for Convolution<'_> {
    type Output = Curves;

    #[inline(always)]
    fn call(self) -> Curves {
        let Convolution {
            layer,
            curves,
            step,
        } = self;
        let length = curves.length;
        let row_length = layer.inputs * layer.taps;
        // Each curve between zeros, so that no tap and no tile reaches beyond its ends.
        let reach = layer.taps / 2 * step;
        let stride = length.next_multiple_of(TILE) + 2 * reach;
        let mut padded = vec![0.0f32; layer.inputs * stride];
        for (k, line) in padded.chunks_exact_mut(stride).enumerate() {
            line[reach..reach + length].copy_from_slice(curves.curve(k));
        }
        let outputs = layer.offsets.len();
        let mut values = vec![0.0f32; outputs * length];
        for start in (0..length).step_by(TILE) {
            let end = (start + TILE).min(length);
            for first in (0..outputs).step_by(ROWS) {
                let rows: [usize; ROWS] = std::array::from_fn(|r| (first + r).min(outputs - 1));
                let weights = rows.map(|o| &layer.matrix[o * row_length..(o + 1) * row_length]);
                let mut sums = rows.map(|o| [layer.offsets[o]; TILE]);
                for k in 0..layer.inputs {
                    for t in 0..layer.taps {
                        let from = k * stride + start + t * step;
                        let input: &[f32] = &padded[from..from + TILE];
                        for (sum, weights) in sums.iter_mut().zip(&weights) {
                            let weight = weights[k * layer.taps + t];
                            for (s, value) in sum.iter_mut().zip(input) {
                                *s += weight * value;
                            }
                        }
                    }
                }
                for (o, sum) in (first..outputs).zip(&sums) {
                    values[o * length + start..o * length + end]
                        .copy_from_slice(&sum[..end - start]);
                }
            }
        }
        Curves { length, values }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::response::Orbit;

    #[test]
    fn the_weights_are_as_many_as_the_layers_take() {
        let block = WIDTH * WIDTH * (TAPS + 1) + 2 * WIDTH;
        let count = CURVES * WIDTH + WIDTH + STEPS.len() * block + WIDTH * ANSWERS + ANSWERS;
        assert_eq!(WEIGHTS.len(), 4 * count);
    }

    #[test]
    fn a_layer_is_the_sum_it_says() {
        let layer = Layer {
            inputs: 2,
            taps: 3,
            matrix: vec![1.0, 2.0, 3.0, -1.0, 0.5, 4.0],
            offsets: vec![0.25],
        };
        let curves = Curves {
            length: 5,
            values: vec![1.0, 2.0, 3.0, 4.0, 5.0, 0.0, -1.0, 1.0, 2.0, 0.0],
        };
        let got = layer.apply(&curves, 2);
        let wanted = |t: usize| {
            let at = |k: usize, t: i64| match usize::try_from(t) {
                Ok(t) if t < 5 => curves.curve(k)[t],
                _ => 0.0,
            };
            (0..2).fold(0.25, |sum, k| {
                (0..3).fold(sum, |sum, tap| {
                    sum + layer.matrix[3 * k + tap] * at(k, t as i64 + 2 * (tap as i64 - 1))
                })
            })
        };
        for t in 0..5 {
            assert!((got.curve(0)[t] - wanted(t)).abs() < 1e-6, "{t}");
        }
    }

    #[test]
    fn a_step_longer_than_the_curves_reaches_nothing() {
        let layer = Layer {
            inputs: 1,
            taps: 3,
            matrix: vec![5.0, 1.0, 5.0],
            offsets: vec![0.0],
        };
        let curves = Curves {
            length: 2,
            values: vec![1.0, 2.0],
        };
        assert_eq!(layer.apply(&curves, 9).values, [1.0, 2.0]);
    }

    #[test]
    fn turned_upside_down_a_speaker_is_judged_alike() {
        /// Learned to be alike, not built so: dB rms.
        const TOLERANCE_DB: f64 = 0.6;
        // Two sources one above the other.
        let response = crate::audit::tests::with_copy(0.8, |orbit, angle_deg| match orbit {
            Orbit::Horizontal => 3.0,
            Orbit::Vertical => 3.0 + 2.0 * angle_deg.to_radians().sin(),
        });
        let frame = crate::audit::tests::frame_of(&response);
        let upright = crate::audit::evidence::evidence(&frame, &frame.window_db);
        let mut turned = upright.clone();
        // One window, eight horizontal groups, then seven each up and down, two curves each.
        for k in 17..31 {
            turned.swap(k, k + 14);
        }
        let (a, b) = (weigh(&upright), weigh(&turned));
        let square: f64 = frame
            .weights
            .iter()
            .zip(a.not_shared_db.iter().zip(&b.not_shared_db))
            .map(|(w, (a, b))| w * (a - b).powi(2))
            .sum();
        assert!(square.sqrt() < TOLERANCE_DB, "{}", square.sqrt());
    }
}
