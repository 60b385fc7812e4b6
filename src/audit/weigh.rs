//! Weighing the evidence: what of the listening window's deviation the angles do not share.
//!
//! How much a rise at 90 degrees says about a dip in the window, and how much a scatter over the
//! vertical angles a third of an octave away, no rule of thumb states. The weights of the
//! evidence were therefore learned from tens of thousands of simulated speakers whose defects are known one by
//! one (`examples/weights`): a small convolutional network along log frequency, the same at every
//! frequency. Its answers are curves in dB that can be drawn beside the measurement, not labels.
//! What becomes of them (what is filled, how far, what is said of it) is decided by rules
//! elsewhere.
//!
//! Sources: residual blocks He et al. 2016, CVPR, 770-778; dilated convolutions Yu and Koltun
//! 2016, ICLR.

use super::evidence::{CURVES, upside_down};
use pulp::{Simd, WithSimd};

/// Which network this is, and which inputs and answers it has in which order. A change of the
/// constants below, of the evidence or of the answers takes a new number, here and in
/// `examples/weights/weights_file.py`, which states the same layout.
const LAYOUT: u16 = 2;

/// Curves inside the network.
const WIDTH: usize = 96;

/// Distance of the taps of each block's convolution, in frequencies: together the blocks see
/// three octaves to either side.
const STEPS: [usize; 8] = [1, 2, 4, 8, 16, 32, 8, 2];

/// Taps of a convolution.
const TAPS: usize = 5;

/// Curves that come out.
const ANSWERS: usize = 5;

/// The network counts in this unit, dB.
const UNIT_DB: f32 = 3.0;

/// Numbers of the network.
const NUMBERS: usize = {
    let block = WIDTH * WIDTH * (TAPS + 1) + 2 * WIDTH;
    CURVES * WIDTH + WIDTH + STEPS.len() * block + WIDTH * ANSWERS + ANSWERS
};

/// Bits of a number in the file, 16 or 32 (IEEE 754).
const BITS: u16 = 16;

/// The weights: a header, then layer by layer, matrix (output, input, tap) before offsets, little
/// endian. Made by `examples/weights`, where `weights_file.py` states the format byte by byte.
const WEIGHTS: &[u8] = include_bytes!("weights.bin");

/// Format of the file; its header up to the checksum, and with it.
const FORMAT: u16 = 1;
const BEFORE_CHECKSUM: usize = 8 + 8 * 2 + STEPS.len() * 2 + 4;
const HEADER_LENGTH: usize = BEFORE_CHECKSUM + 4;

/// Bytes of a number.
const BYTES: usize = BITS as usize / 8;

/// The header of weights for this network, up to the checksum.
const fn header() -> [u8; BEFORE_CHECKSUM] {
    let mut bytes = [0; BEFORE_CHECKSUM];
    let (magic, numbers) = (b"planishW", (NUMBERS as u32).to_le_bytes());
    let fixed = [
        FORMAT,
        LAYOUT,
        BITS,
        CURVES as u16,
        WIDTH as u16,
        ANSWERS as u16,
        TAPS as u16,
        STEPS.len() as u16,
    ];
    let mut i = 0;
    while i < BEFORE_CHECKSUM {
        let (word, byte) = ((i.saturating_sub(8)) / 2, i % 2);
        bytes[i] = if i < 8 {
            magic[i]
        } else if word < fixed.len() {
            fixed[word].to_le_bytes()[byte]
        } else if word < fixed.len() + STEPS.len() {
            (STEPS[word - fixed.len()] as u16).to_le_bytes()[byte]
        } else {
            numbers[i - (BEFORE_CHECKSUM - 4)]
        };
        i += 1;
    }
    bytes
}

/// Whether `file` holds weights for this network, as far as header and length tell.
const fn is_for_this_network(file: &[u8]) -> bool {
    let header = header();
    if file.len() != HEADER_LENGTH + BYTES * NUMBERS {
        return false;
    }
    let mut i = 0;
    while i < header.len() {
        if file[i] != header[i] {
            return false;
        }
        i += 1;
    }
    true
}

// Other weights do not build; the checksum is left to a test.
const _: () = assert!(
    is_for_this_network(WEIGHTS),
    "weights.bin is for another network: see examples/weights/README.md"
);

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
    /// How far the first answer is expected to err, averaged over a quarter of an octave, above 0.
    pub error_db: Vec<f64>,
}

impl Weighed {
    /// The same, each frequency's answers times a share by its index.
    pub fn where_taught(mut self, share: impl Fn(usize) -> f64) -> Weighed {
        for curve in [
            &mut self.not_shared_db,
            &mut self.room_swing_db,
            &mut self.axis_ripple_db,
            &mut self.cancelled_db,
        ] {
            for (i, value) in curve.iter_mut().enumerate() {
                *value *= share(i);
            }
        }
        self
    }
}

/// Weighs the evidence, one curve after the other as `evidence::evidence` gives it.
///
/// It is weighed upright and upside down, and the mean counts: a speaker on its head is the same
/// speaker, and two looks err less than one.
pub(super) fn weigh(evidence: &[Vec<f64>]) -> Weighed {
    let (_, numbers) = WEIGHTS.split_at(HEADER_LENGTH);
    let network = Network::read(&mut Weights(numbers.chunks_exact(BYTES)));
    let looks = [
        network.answers(&Curves::of(evidence)),
        network.answers(&Curves::of(&upside_down(evidence))),
    ];
    let answer = |k: usize| -> Vec<f64> {
        let [upright, turned] = looks.each_ref().map(|look| look.curve(k));
        upright
            .iter()
            .zip(turned)
            .map(|(a, b)| f64::from(UNIT_DB) * 0.5 * (f64::from(*a) + f64::from(*b)))
            .collect()
    };
    Weighed {
        not_shared_db: answer(0),
        room_swing_db: answer(1),
        axis_ripple_db: answer(2),
        cancelled_db: answer(3),
        error_db: {
            let [upright, turned] = looks.each_ref().map(|look| look.curve(4));
            (upright.iter().zip(turned))
                .map(|(a, b)| 0.5 * (error_of(*a) + error_of(*b)))
                .collect()
        },
    }
}

/// The error that an answer says is expected, dB; the same function of it as in `train.py`.
fn error_of(answer: f32) -> f64 {
    const LEAST_DB: f64 = 0.02;
    LEAST_DB + libm::log1p(libm::exp(f64::from(answer)))
}

/// The network: a layer that gathers the evidence, blocks that each add what they see, a layer that
/// answers.
struct Network {
    first: Layer,
    blocks: [(Layer, Layer); STEPS.len()],
    last: Layer,
}

impl Network {
    fn read(weights: &mut Weights) -> Network {
        Network {
            first: Layer::read(weights, CURVES, WIDTH, 1),
            blocks: std::array::from_fn(|_| {
                let wide = Layer::read(weights, WIDTH, WIDTH, TAPS);
                (wide, Layer::read(weights, WIDTH, WIDTH, 1))
            }),
            last: Layer::read(weights, WIDTH, ANSWERS, 1),
        }
    }

    /// What the network answers, in its own unit.
    fn answers(&self, evidence: &Curves) -> Curves {
        let mut curves = self.first.apply(evidence, 1);
        for ((wide, narrow), step) in self.blocks.iter().zip(STEPS) {
            let inner = wide.apply(&curves.positive(), step).positive();
            curves.add(&narrow.apply(&inner, 1));
        }
        self.last.apply(&curves.positive(), 1)
    }
}

struct Weights<'a>(std::slice::ChunksExact<'a, u8>);

impl Weights<'_> {
    fn take(&mut self, count: usize) -> Vec<f32> {
        self.0.by_ref().take(count).map(number).collect()
    }
}

/// A number of the file.
fn number(bytes: &[u8]) -> f32 {
    match *bytes {
        [a, b] => from_half(u16::from_le_bytes([a, b])),
        [a, b, c, d] => f32::from_le_bytes([a, b, c, d]),
        _ => 0.0,
    }
}

/// The value of a finite number of IEEE 754 binary16: sign, five bits of exponent (bias 15), ten
/// of fraction. Every one is a 32-bit float, so nothing is rounded.
fn from_half(bits: u16) -> f32 {
    let (exponent, fraction) = (u32::from((bits >> 10) & 0x1f), u32::from(bits & 0x3ff));
    let size = match exponent {
        0 => fraction as f32 / 16_777_216.0,
        _ => f32::from_bits((exponent + 112) << 23 | (fraction << 13)),
    };
    if bits >> 15 == 1 { -size } else { size }
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

/// Curves that come out worked on side by side: each value that goes in is used so often while it
/// is at hand.
const ROWS: usize = 6;

/// Vectors of frequencies worked on side by side. With them and [`ROWS`] sums the registers of
/// usual machines are just full.
const VECTORS: usize = 2;

/// A convolution along frequency: every curve that comes out is a sum of all that go in, each
/// with a few taps. Beyond the ends everything is zero.
struct Layer {
    inputs: usize,
    taps: usize,
    /// By blocks of [`ROWS`] outputs: for each input and tap one weight for each of these. The
    /// last block is filled up with zeros.
    matrix: Vec<f32>,
    /// One for each curve that comes out.
    offsets: Vec<f32>,
}

impl Layer {
    fn read(weights: &mut Weights, inputs: usize, outputs: usize, taps: usize) -> Layer {
        let by_output = weights.take(outputs * inputs * taps);
        let offsets = weights.take(outputs);
        Layer::new(inputs, taps, &by_output, offsets)
    }

    /// A layer from weights in the order output, input, tap.
    fn new(inputs: usize, taps: usize, by_output: &[f32], offsets: Vec<f32>) -> Layer {
        let row_length = inputs * taps;
        let blocks = offsets.len().div_ceil(ROWS);
        let mut matrix = vec![0.0; blocks * ROWS * row_length];
        for (o, row) in by_output.chunks_exact(row_length).enumerate() {
            let block = &mut matrix[o / ROWS * ROWS * row_length..];
            for (j, weight) in row.iter().enumerate() {
                block[j * ROWS + o % ROWS] = *weight;
            }
        }
        Layer {
            inputs,
            taps,
            matrix,
            offsets,
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

impl WithSimd for Convolution<'_> {
    type Output = Curves;

    #[inline(always)]
    fn with_simd<S: Simd>(self, simd: S) -> Curves {
        let Convolution {
            layer,
            curves,
            step,
        } = self;
        let length = curves.length;
        let row_length = layer.inputs * layer.taps;
        let tile = VECTORS * S::F32_LANES;
        // Each curve between zeros, so that no tap and no tile reaches beyond its ends.
        let reach = layer.taps / 2 * step;
        let stride = length.next_multiple_of(tile) + 2 * reach;
        let mut padded = vec![0.0f32; layer.inputs * stride];
        for (k, line) in padded.chunks_exact_mut(stride).enumerate() {
            line[reach..reach + length].copy_from_slice(curves.curve(k));
        }
        // Where each weight of a row finds its values, from the first frequency of a tile on.
        let places: Vec<usize> = (0..row_length)
            .map(|j| j / layer.taps * stride + j % layer.taps * step)
            .collect();
        let mut values = vec![0.0f32; layer.offsets.len() * length];
        for (block, offsets) in layer.offsets.chunks(ROWS).enumerate() {
            let matrix = &layer.matrix[block * ROWS * row_length..][..ROWS * row_length];
            let offset = |r: usize| offsets.get(r).copied().unwrap_or(0.0);
            for start in (0..length).step_by(tile) {
                let mut sums: [[S::f32s; VECTORS]; ROWS] =
                    std::array::from_fn(|r| [simd.splat_f32s(offset(r)); VECTORS]);
                for (weights, place) in matrix.as_chunks::<ROWS>().0.iter().zip(&places) {
                    let input = &padded[start + place..start + place + tile];
                    let (input, _) = S::as_simd_f32s(input);
                    for (sum, weight) in sums.iter_mut().zip(weights) {
                        let weight = simd.splat_f32s(*weight);
                        for (s, value) in sum.iter_mut().zip(input) {
                            *s = simd.add_f32s(*s, simd.mul_f32s(weight, *value));
                        }
                    }
                }
                let end = (start + tile).min(length);
                for (r, sum) in sums.iter().enumerate().take(offsets.len()) {
                    let line = &mut values[(block * ROWS + r) * length..][start..end];
                    let sum: &[f32] = pulp::bytemuck::cast_slice(sum);
                    line.copy_from_slice(&sum[..end - start]);
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
    fn the_weights_are_whole_and_finite() {
        let (header, numbers) = WEIGHTS.split_at(HEADER_LENGTH);
        let (header, checksum) = header.split_at(BEFORE_CHECKSUM);
        let mut crc = crc32fast::Hasher::new();
        crc.update(header);
        crc.update(numbers);
        assert_eq!(crc.finalize().to_le_bytes(), checksum);
        assert!(numbers.chunks_exact(BYTES).all(|b| number(b).is_finite()));
    }

    #[test]
    fn weights_for_another_network_are_refused() {
        assert!(is_for_this_network(WEIGHTS));
        assert!(!is_for_this_network(&WEIGHTS[..WEIGHTS.len() - BYTES]));
        assert!(!is_for_this_network(&[]));
        for i in 0..BEFORE_CHECKSUM {
            let mut other = WEIGHTS.to_vec();
            other[i] ^= 1;
            assert!(!is_for_this_network(&other), "byte {i}");
        }
    }

    /// IEEE 754-2008, 3.4: one, the largest number, the smallest normal and subnormal ones, signs,
    /// and the number nearest to a third (1365/4096).
    #[test]
    fn a_16_bit_number_has_the_value_of_the_standard() {
        let two = |power: i32| 2f32.powi(power);
        for (bits, value) in [
            (0x3c00, 1.0),
            (0x7bff, 65504.0),
            (0x0400, two(-14)),
            (0x0001, two(-24)),
            (0x03ff, 1023.0 * two(-24)),
            (0xc000, -2.0),
            (0x3555, 1365.0 / 4096.0),
            (0x0000, 0.0),
        ] {
            assert_eq!(number(&u16::to_le_bytes(bits)), value, "{bits:04x}");
        }
        assert!(number(&[0x00, 0x80]).is_sign_negative());
    }

    #[test]
    fn a_layer_is_the_sum_it_says() {
        let matrix = [1.0, 2.0, 3.0, -1.0, 0.5, 4.0];
        let layer = Layer::new(2, 3, &matrix, vec![0.25]);
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
                    sum + matrix[3 * k + tap] * at(k, t as i64 + 2 * (tap as i64 - 1))
                })
            })
        };
        for t in 0..5 {
            assert!((got.curve(0)[t] - wanted(t)).abs() < 1e-6, "{t}");
        }
    }

    #[test]
    fn a_step_longer_than_the_curves_reaches_nothing() {
        let layer = Layer::new(1, 3, &[5.0, 1.0, 5.0], vec![0.0]);
        let curves = Curves {
            length: 2,
            values: vec![1.0, 2.0],
        };
        assert_eq!(layer.apply(&curves, 9).values, [1.0, 2.0]);
    }

    #[test]
    fn turned_upside_down_a_speaker_is_judged_alike() {
        // Two sources one above the other.
        let response = crate::audit::tests::with_copy(0.8, |orbit, angle_deg| match orbit {
            Orbit::Horizontal => 3.0,
            Orbit::Vertical => 3.0 + 2.0 * angle_deg.to_radians().sin(),
        });
        let frame = crate::audit::tests::frame_of(&response);
        let upright = crate::audit::evidence::evidence(&frame, &frame.window_db);
        let (a, b) = (weigh(&upright), weigh(&upside_down(&upright)));
        assert_ne!(upright, upside_down(&upright));
        assert_eq!(a, b);
    }

    /// The whole network by its definition: plain loops in 64-bit floats, weights by formula.
    #[test]
    fn the_network_is_the_sum_of_its_blocks_with_their_steps_and_nothing_beyond_the_ends() {
        /// Sums of some thousand 32-bit products of order 1.
        const ROUNDING: f64 = 1e-4;
        // The steps that the weights were learned with; the blocks see three octaves to either side.
        const LEARNED_STEPS: [i64; 8] = [1, 2, 4, 8, 16, 32, 8, 2];
        const LENGTH: usize = 90;
        let weight = |layer: usize, k: usize, share: f64| {
            (share * (0.7 * k as f64 + 1.9 * layer as f64 + 0.3 * (k % 11) as f64).sin()) as f32
        };
        struct Plain {
            inputs: usize,
            taps: usize,
            matrix: Vec<f32>,
            offsets: Vec<f32>,
        }
        impl Plain {
            fn layer(&self) -> Layer {
                Layer::new(self.inputs, self.taps, &self.matrix, self.offsets.clone())
            }
            fn apply(&self, curves: &[Vec<f64>], step: i64) -> Vec<Vec<f64>> {
                let half = (self.taps / 2) as i64;
                let value = |o: usize, t: i64| {
                    let mut sum = f64::from(self.offsets[o]);
                    for (k, curve) in curves.iter().enumerate() {
                        for tap in 0..self.taps {
                            let at = t + step * (tap as i64 - half);
                            if (0..LENGTH as i64).contains(&at) {
                                let j = (o * self.inputs + k) * self.taps + tap;
                                sum += f64::from(self.matrix[j]) * curve[at as usize];
                            }
                        }
                    }
                    sum
                };
                (0..self.offsets.len())
                    .map(|o| (0..LENGTH as i64).map(|t| value(o, t)).collect())
                    .collect()
            }
        }
        let plain = |number: usize, inputs: usize, outputs: usize, taps: usize| {
            let share = 1.0 / (inputs as f64 * taps as f64).sqrt();
            Plain {
                inputs,
                taps,
                matrix: (0..outputs * inputs * taps)
                    .map(|k| weight(number, k, share))
                    .collect(),
                offsets: (0..outputs)
                    .map(|k| weight(number, 3 * k + 1, 0.2))
                    .collect(),
            }
        };
        let first = plain(0, CURVES, WIDTH, 1);
        let blocks: Vec<(Plain, Plain)> = (0..LEARNED_STEPS.len())
            .map(|b| {
                (
                    plain(1 + 2 * b, WIDTH, WIDTH, TAPS),
                    plain(2 + 2 * b, WIDTH, WIDTH, 1),
                )
            })
            .collect();
        let last = plain(99, WIDTH, ANSWERS, 1);
        let network = Network {
            first: first.layer(),
            blocks: std::array::from_fn(|b| (blocks[b].0.layer(), blocks[b].1.layer())),
            last: last.layer(),
        };
        let evidence: Vec<Vec<f64>> = (0..CURVES)
            .map(|k| {
                (0..LENGTH)
                    .map(|t| (0.4 * k as f64 + 0.13 * t as f64).sin())
                    .collect()
            })
            .collect();
        let positive = |curves: &[Vec<f64>]| -> Vec<Vec<f64>> {
            let line = |line: &Vec<f64>| line.iter().map(|v| v.max(0.0)).collect();
            curves.iter().map(line).collect()
        };
        let mut wanted = first.apply(&evidence, 1);
        for ((wide, narrow), step) in blocks.iter().zip(LEARNED_STEPS) {
            let inner = positive(&wide.apply(&positive(&wanted), step));
            for (line, more) in wanted.iter_mut().zip(narrow.apply(&inner, 1)) {
                line.iter_mut().zip(more).for_each(|(a, b)| *a += b);
            }
        }
        let wanted = last.apply(&positive(&wanted), 1);
        let got = network.answers(&Curves::of(&evidence));
        for (k, wanted) in wanted.iter().enumerate() {
            for (t, (got, wanted)) in got.curve(k).iter().zip(wanted).enumerate() {
                let off = (f64::from(*got) - wanted).abs();
                assert!(off < ROUNDING, "answer {k} at {t}: {got} {wanted}");
            }
        }
        // The ends differ from the middle, or they would show nothing.
        assert!((wanted[0][0] - wanted[0][LENGTH / 2]).abs() > 100.0 * ROUNDING);
    }
}
