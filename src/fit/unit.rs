//! Where the inner loops of the fit are run, and the elementary functions they use: the same
//! bits on every machine.
//!
//! IEEE 754 fixes sums, products, quotients and roots to the last bit; logarithms, exponentials
//! and angles differ between system libraries, and even within one between processors. So the
//! latter come from the pure Rust library `libm`, and the logarithm that is taken of every row
//! is written out here, where it runs along a vector.

use pulp::{Simd, WithSimd};
use std::f64::consts::{LN_2, SQRT_2};

/// Lanes of every sum over rows; columns are padded to a multiple of this.
pub(super) const LANES: usize = 4;

/// Runs `work` on vectors of [`LANES`] numbers: on the machine's own where it has such, and lane
/// by lane where it has not. Never on wider or narrower ones, whose sums would end in other bits;
/// for the same reason a product is fused with a sum where the source says so and nowhere else.
///
/// Without the vector unit the fit takes several times as long. What `work` calls has to be
/// `#[inline(always)]` down to the loops, or it is compiled without that unit.
#[inline(always)]
pub(super) fn on_lanes<W: WithSimd>(work: W) -> W::Output {
    #[cfg(target_arch = "x86_64")]
    if let Some(vectors) = pulp::x86::V3::try_new() {
        return Simd::vectorize(vectors, work);
    }
    work.with_simd(pulp::Scalar256b)
}

/// Natural logarithm of a positive, normal `x`, within two units of the last place; not a
/// number for what is not finite.
///
/// With `x = 2^k m`, `sqrt(1/2) <= m < sqrt 2` and `s = (m-1)/(m+1)`:
/// `ln x = k ln 2 + 2 (s + s^3/3 + s^5/5 + ...)`, the series of the inverse hyperbolic tangent
/// (Abramowitz and Stegun 1964, 4.1.27). `|s|` is below 0.172, so what follows the term with
/// `s^19` is less than 3e-17 of the first.
#[inline(always)]
pub(super) fn ln(x: f64) -> f64 {
    /// Exponent bits of 1.
    const ONE: u64 = 1.0f64.to_bits();
    /// Bits of `sqrt(1/2)`: the split of the significands.
    const SPLIT: u64 = (0.5 * SQRT_2).to_bits();
    /// 2^52: a whole number below it, put into the significand, is read as itself above it.
    const WHOLE: f64 = 4_503_599_627_370_496.0;
    let shifted = x.to_bits().wrapping_add(ONE - SPLIT);
    let k = f64::from_bits((shifted >> 52) | WHOLE.to_bits()) - (WHOLE + 1023.0);
    let m = f64::from_bits((shifted & (u64::MAX >> 12)) + SPLIT);
    let s = (m - 1.0) / (m + 1.0);
    let square = s * s;
    let mut series = 1.0 / 19.0;
    for term in [17.0, 15.0, 13.0, 11.0, 9.0, 7.0, 5.0, 3.0, 1.0] {
        series = series * square + 1.0 / term;
    }
    // The last term is 0 for finite x, and not a number otherwise.
    k * LN_2 + 2.0 * s * series + 0.0 * x
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_logarithm_is_that_of_the_library_to_the_last_digits() {
        for i in -3000..=3000 {
            let x = 1.2345f64.powi(i);
            if !x.is_normal() {
                continue;
            }
            let library = libm::log(x);
            assert!(
                (ln(x) - library).abs() <= 2.0 * f64::EPSILON * library.abs(),
                "{x}"
            );
        }
        for near in [1.0, 1.0 - 1e-9, 1.0 + 1e-9, 0.5 * SQRT_2, SQRT_2, 2.0] {
            let library = libm::log(near);
            assert!((ln(near) - library).abs() <= 2.0 * f64::EPSILON * library.abs());
        }
        assert!(ln(f64::NAN).is_nan() && ln(f64::INFINITY).is_nan());
    }
}
