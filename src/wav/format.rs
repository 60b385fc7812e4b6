//! What a sound file holds, and how one sample lies in its bytes.

use std::fmt;

/// How one sample is stored, little-endian.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Sample {
    /// 8-bit integer, unsigned, silence at 128.
    U8,
    /// 16-bit integer, two's complement.
    I16,
    /// 24-bit integer in three bytes.
    I24,
    /// 32-bit integer, also the container of fewer valid bits (they are the upper ones).
    I32,
    /// 32-bit floating point.
    F32,
    /// 64-bit floating point.
    F64,
}

impl Sample {
    /// Bytes of one sample.
    pub fn bytes(self) -> usize {
        match self {
            Sample::U8 => 1,
            Sample::I16 => 2,
            Sample::I24 => 3,
            Sample::I32 | Sample::F32 => 4,
            Sample::F64 => 8,
        }
    }

    /// Whether the samples are floating point.
    pub fn is_float(self) -> bool {
        matches!(self, Sample::F32 | Sample::F64)
    }

    /// The step between neighbouring values relative to full scale; `None` for floating point.
    pub fn step(self) -> Option<f64> {
        match self {
            Sample::U8 => Some(1.0 / 128.0),
            Sample::I16 => Some(1.0 / 32_768.0),
            Sample::I24 => Some(1.0 / 8_388_608.0),
            Sample::I32 => Some(1.0 / 2_147_483_648.0),
            Sample::F32 | Sample::F64 => None,
        }
    }

    /// Appends the samples in `bytes`, whose length is a multiple of [`Sample::bytes`].
    pub(super) fn decode(self, bytes: &[u8], out: &mut Vec<f64>) {
        match self {
            Sample::U8 => out.extend(bytes.iter().map(|b| (f64::from(*b) - 128.0) / 128.0)),
            Sample::I16 => out.extend(
                bytes
                    .as_chunks::<2>()
                    .0
                    .iter()
                    .map(|b| f64::from(i16::from_le_bytes(*b)) / 32_768.0),
            ),
            // Into the upper three bytes, so that the sign is in its place.
            Sample::I24 => {
                out.extend(bytes.as_chunks::<3>().0.iter().map(|[low, middle, high]| {
                    f64::from(i32::from_le_bytes([0, *low, *middle, *high])) / 2_147_483_648.0
                }))
            }
            Sample::I32 => out.extend(
                bytes
                    .as_chunks::<4>()
                    .0
                    .iter()
                    .map(|b| f64::from(i32::from_le_bytes(*b)) / 2_147_483_648.0),
            ),
            Sample::F32 => out.extend(
                bytes
                    .as_chunks::<4>()
                    .0
                    .iter()
                    .map(|b| f64::from(f32::from_le_bytes(*b))),
            ),
            Sample::F64 => out.extend(
                bytes
                    .as_chunks::<8>()
                    .0
                    .iter()
                    .map(|b| f64::from_le_bytes(*b)),
            ),
        }
    }

    /// Appends `samples` as bytes; how many did not fit and were cut to the nearest end of the
    /// range. Integers are rounded to the nearest step, ties to the even one.
    pub(super) fn encode(self, samples: &[f64], out: &mut Vec<u8>) -> u64 {
        match self {
            Sample::U8 => integers(samples, 7, out, |n| [(n + 128) as u8]),
            Sample::I16 => integers(samples, 15, out, |n| (n as i16).to_le_bytes()),
            Sample::I24 => integers(samples, 23, out, |n| {
                let [low, middle, high, _] = n.to_le_bytes();
                [low, middle, high]
            }),
            Sample::I32 => integers(samples, 31, out, i32::to_le_bytes),
            Sample::F32 => {
                let mut cut = 0;
                for sample in samples {
                    let held = sample.clamp(f64::from(f32::MIN), f64::from(f32::MAX)) as f32;
                    cut += u64::from(sample.abs() > f64::from(f32::MAX));
                    out.extend_from_slice(&held.to_le_bytes());
                }
                cut
            }
            Sample::F64 => {
                for sample in samples {
                    out.extend_from_slice(&sample.to_le_bytes());
                }
                0
            }
        }
    }
}

/// Adding and subtracting this rounds any number below 2^51 to the nearest integer, ties to even,
/// since the last bit of 1.5 * 2^52 counts ones (IEEE 754 binary64). The library's own function is
/// a call on processors without that instruction.
const ROUNDER: f64 = 6_755_399_441_055_744.0;

/// Appends every sample as an integer of `bits` and a sign, laid out by `bytes`; how many were out
/// of range.
fn integers<const N: usize>(
    samples: &[f64],
    bits: u32,
    out: &mut Vec<u8>,
    bytes: impl Fn(i32) -> [u8; N],
) -> u64 {
    let scale = f64::from(bits).exp2();
    let mut cut = 0;
    let before = out.len();
    out.resize(before + N * samples.len(), 0);
    for (sample, place) in samples.iter().zip(out[before..].as_chunks_mut::<N>().0) {
        // Beyond twice the range it is cut all the same; the rounding wants small numbers.
        let wanted = (sample * scale).clamp(-2.0 * scale, 2.0 * scale) + ROUNDER - ROUNDER;
        let held = wanted.clamp(-scale, scale - 1.0);
        cut += u64::from(held != wanted);
        *place = bytes(held as i32);
    }
    cut
}

impl fmt::Display for Sample {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Sample::U8 => "8-bit integer",
            Sample::I16 => "16-bit integer",
            Sample::I24 => "24-bit integer",
            Sample::I32 => "32-bit integer",
            Sample::F32 => "32-bit float",
            Sample::F64 => "64-bit float",
        })
    }
}

/// What a sound file holds. Rate and channels are above 0, and a frame is at most 65535 bytes.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Format {
    /// Frames per second.
    pub rate_hz: u32,
    /// Samples in a frame.
    pub channels: u16,
    /// How a sample is stored.
    pub sample: Sample,
    /// Which loudspeaker each channel is meant for, as in `WAVE_FORMAT_EXTENSIBLE`; 0 when the
    /// file does not say.
    pub channel_mask: u32,
}

impl Format {
    /// Bytes of one frame.
    pub fn frame_bytes(&self) -> usize {
        usize::from(self.channels) * self.sample.bytes()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const ALL: [Sample; 6] = [
        Sample::U8,
        Sample::I16,
        Sample::I24,
        Sample::I32,
        Sample::F32,
        Sample::F64,
    ];

    #[test]
    fn what_is_written_reads_back_and_the_ends_of_the_range_are_where_they_belong() {
        for sample in ALL {
            let step = sample.step().unwrap_or(0.0);
            let wanted = [-1.0, -0.5, 0.0, 0.25, 1.0 - step];
            let mut bytes = Vec::new();
            assert_eq!(sample.encode(&wanted, &mut bytes), 0, "{sample}");
            assert_eq!(bytes.len(), wanted.len() * sample.bytes());
            let mut back = Vec::new();
            sample.decode(&bytes, &mut back);
            assert_eq!(back, wanted, "{sample}");
        }
    }

    #[test]
    fn what_does_not_fit_is_cut_to_the_end_of_the_range_and_counted() {
        for sample in ALL.into_iter().filter(|s| !s.is_float()) {
            let mut bytes = Vec::new();
            assert_eq!(sample.encode(&[1.0, -1.1, 40.0, 0.9], &mut bytes), 3);
            let mut back = Vec::new();
            sample.decode(&bytes, &mut back);
            let top = 1.0 - sample.step().unwrap();
            assert_eq!(back[..3], [top, -1.0, top]);
        }
        let mut bytes = Vec::new();
        assert_eq!(Sample::F32.encode(&[1e39, 1.5], &mut bytes), 1);
    }
}
