//! From exact samples to the steps of the output.

use crate::device::Number;
use crate::wav::Sample;

/// Seed of the dither: the same call writes the same bytes.
pub const DITHER_SEED: u64 = 1;

/// Adding and subtracting this rounds any number below 2^51 to the nearest integer, ties to even,
/// since the last bit of 1.5 * 2^52 counts ones (IEEE 754 binary64). The library's own function is
/// a call on processors without that instruction.
const ROUNDER: f64 = 6_755_399_441_055_744.0;

/// Brings samples onto the grid of a file's format.
///
/// Integers get dither with triangular distribution, two steps wide, before they are rounded: the
/// error is then noise of constant power, free of distortion, instead of something that follows
/// the music. Source: Lipshitz, Wannamaker and Vanderkooy 1992, J. Audio Eng. Soc. 40(5), 355-375,
/// section 4.
#[derive(Debug, Clone)]
pub struct Output {
    sample: Sample,
    dither: bool,
    state: u64,
}

impl Output {
    /// For a file of `sample`, with dither when `wanted` and of use: not for floating point, and not
    /// where the arithmetic `number` yields nothing but numbers of the grid.
    pub fn new(sample: Sample, number: Number, wanted: bool) -> Self {
        let on_grid = match (sample.step(), number) {
            (None, _) => true,
            (Some(step), Number::Fixed { fraction_bits, .. }) => {
                (-f64::from(fraction_bits)).exp2() >= step
            }
            _ => false,
        };
        Output {
            sample,
            dither: wanted && !on_grid,
            state: DITHER_SEED,
        }
    }

    /// Whether dither is added.
    pub fn dithers(&self) -> bool {
        self.dither
    }

    /// How a sample is stored.
    pub fn sample(&self) -> Sample {
        self.sample
    }

    /// The largest sample that fits, and the lowest.
    pub fn range(&self) -> (f64, f64) {
        match self.sample.step() {
            Some(step) => (1.0 - step, -1.0),
            None => (f64::from(f32::MAX), f64::from(f32::MIN)),
        }
    }

    /// Rounds samples in place; what does not fit goes to the end of the range. Floating point
    /// is left as it is but for that.
    pub fn quantise(&mut self, samples: &mut [f64]) {
        let (top, bottom) = self.range();
        let Some(step) = self.sample.step() else {
            for sample in samples {
                *sample = sample.clamp(bottom, top);
            }
            return;
        };
        let scale = 1.0 / step;
        for sample in samples {
            let noise = if self.dither { self.triangular() } else { 0.0 };
            // Clamped before the rounding, too, which is exact for small numbers only.
            let wanted = sample.clamp(-2.0, 2.0) * scale + noise;
            let rounded = (wanted + ROUNDER) - ROUNDER;
            *sample = (rounded * step).clamp(bottom, top);
        }
    }

    /// A number between -1 and 1 with triangular distribution: the difference of two even ones,
    /// the halves of a number of splitmix64 (Steele, Lea and Flood, OOPSLA 2014, figure 17).
    fn triangular(&mut self) -> f64 {
        self.state = self.state.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut z = self.state;
        z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        z ^= z >> 31;
        let (high, low) = ((z >> 32) as i64, (z & u64::from(u32::MAX)) as i64);
        (high - low) as f64 * (1.0 / 4_294_967_296.0)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const Q5_23: Number = Number::Fixed {
        integer_bits: 5,
        fraction_bits: 23,
    };

    #[test]
    fn without_dither_samples_go_to_the_nearest_step_ties_to_even() {
        let mut output = Output::new(Sample::I16, Number::F64, false);
        let step = 1.0 / 32_768.0;
        let mut samples = [0.5, 1.5, -0.5, -1.4999, 2.0].map(|n| n * step);
        output.quantise(&mut samples);
        assert_eq!(samples, [0.0, 2.0, -0.0, -1.0, 2.0].map(|n| n * step));
        let mut samples = [1.0, 7e300, -1.2];
        output.quantise(&mut samples);
        assert_eq!(samples, [1.0 - step, 1.0 - step, -1.0]);
    }

    #[test]
    fn dither_makes_mean_and_power_of_the_error_independent_of_the_signal() {
        // Lipshitz et al. 1992: with triangular dither of two steps the error has mean 0 and
        // variance 1/4 of a step squared whatever the input, here for eleven places between steps.
        const COUNT: usize = 400_000;
        let step = 1.0 / 32_768.0;
        for tenths in 0..=10 {
            let wanted = f64::from(tenths) / 10.0;
            let mut output = Output::new(Sample::I16, Number::F64, true);
            let mut samples = vec![wanted * step; COUNT];
            output.quantise(&mut samples);
            let errors: Vec<f64> = samples.iter().map(|s| s / step - wanted).collect();
            let mean = errors.iter().sum::<f64>() / COUNT as f64;
            let power = errors.iter().map(|e| e * e).sum::<f64>() / COUNT as f64;
            // Four standard deviations of the mean of COUNT errors of 0.5 steps.
            assert!(mean.abs() < 4.0 * 0.5 / (COUNT as f64).sqrt(), "{mean}");
            assert!((power - 0.25).abs() < 0.003, "{power}");
        }
    }

    #[test]
    fn dither_is_left_out_where_it_can_do_no_good() {
        assert!(Output::new(Sample::I16, Q5_23, true).dithers());
        assert!(!Output::new(Sample::I24, Q5_23, true).dithers());
        assert!(!Output::new(Sample::F32, Number::F64, true).dithers());
        assert!(Output::new(Sample::I24, Number::F32, true).dithers());
    }
}
