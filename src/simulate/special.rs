//! Spherical Hankel functions and Legendre polynomials, as sequences over their order.

use num_complex::Complex64;

/// Spherical Hankel functions of the second kind (outgoing for `e^{+j omega t}`) and their
/// derivatives at one argument, built up order by order.
///
/// `h_n = j_n - j y_n` is stable in upward recurrence: above the turning point `n = z` the sum
/// is dominated by `y_n`, which grows, and the rounding error that swamps `j_n` there stays at
/// the level of rounding of the sum. `j_n` alone would need the downward way; it is not used.
///
/// Source: DLMF 10.51.1 and 10.51.2 (recurrences), 10.49 (closed forms of order 0 and 1).
pub struct HankelSequence {
    z: f64,
    order: usize,
    below: Complex64,
    at: Complex64,
}

impl HankelSequence {
    /// Starts at order 0; `z` is above 0.
    pub fn new(z: f64) -> Self {
        let wave = Complex64::from_polar(1.0, -z);
        let h_0 = Complex64::I * wave / z;
        // From j_{-1} = cos z / z and y_{-1} = sin z / z.
        let h_minus_1 = wave / z;
        HankelSequence {
            z,
            order: 0,
            below: h_minus_1,
            at: h_0,
        }
    }

    /// The function at the present order.
    pub fn value(&self) -> Complex64 {
        self.at
    }

    /// Its derivative along z: `h_n' = h_{n-1} - (n+1)/z h_n`.
    pub fn derivative(&self) -> Complex64 {
        self.below - self.at * ((self.order as f64 + 1.0) / self.z)
    }

    /// Moves on to the next order: `h_{n+1} = (2n+1)/z h_n - h_{n-1}`.
    pub fn advance(&mut self) {
        let above = self.at * ((2.0 * self.order as f64 + 1.0) / self.z) - self.below;
        self.below = self.at;
        self.at = above;
        self.order += 1;
    }
}

/// Legendre polynomials `P_0(x) .. P_{count-1}(x)`, x in [-1, 1].
///
/// Source: DLMF 18.9.1 with table 18.9.1: `(n+1) P_{n+1} = (2n+1) x P_n - n P_{n-1}`.
pub fn legendre(x: f64, count: usize) -> Vec<f64> {
    let mut values = Vec::with_capacity(count);
    let (mut below, mut at) = (0.0, 1.0);
    for n in 0..count {
        values.push(at);
        let n = n as f64;
        let above = ((2.0 * n + 1.0) * x * at - n * below) / (n + 1.0);
        below = at;
        at = above;
    }
    values
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn orders_0_to_2_are_the_closed_forms() {
        for z in [0.05, 0.7, 3.0, 40.0, 120.0] {
            // DLMF 10.49.6 with n = 0, 1, 2, conjugated for the second kind.
            let wave = Complex64::from_polar(1.0, -z);
            let i = Complex64::I;
            let closed = [
                i * wave / z,
                wave * (-1.0 / z + i / (z * z)),
                wave * (-i / z - 3.0 / (z * z) + 3.0 * i / (z * z * z)),
            ];
            let mut h = HankelSequence::new(z);
            for expected in closed {
                assert!((h.value() - expected).norm() < 1e-13 * expected.norm());
                h.advance();
            }
            // h_0' = -h_1.
            let slope = HankelSequence::new(z).derivative();
            assert!((slope + closed[1]).norm() < 1e-13 * slope.norm());
        }
    }

    #[test]
    fn the_wronskian_holds_below_the_turning_point() {
        // DLMF 10.50.1: j_n y_n' - j_n' y_n = 1/z^2. Above n = z j_n drowns, see the type.
        for z in [8.0, 30.0, 90.0] {
            let mut h = HankelSequence::new(z);
            for n in 0..z as usize {
                let (value, slope) = (h.value(), h.derivative());
                let (j, y) = (value.re, -value.im);
                let (dj, dy) = (slope.re, -slope.im);
                let wronskian = (j * dy - dj * y) * z * z;
                assert!((wronskian - 1.0).abs() < 1e-10, "z {z} n {n}: {wronskian}");
                h.advance();
            }
        }
    }

    #[test]
    fn legendre_polynomials_are_the_closed_forms_and_one_at_one() {
        for x in [-1.0, -0.3, 0.0, 0.6, 1.0] {
            let p = legendre(x, 5);
            // DLMF table 18.5.1 / Rodrigues' formula written out.
            let closed = [
                1.0,
                x,
                0.5 * (3.0 * x * x - 1.0),
                0.5 * (5.0 * x * x * x - 3.0 * x),
                0.125 * (35.0 * x.powi(4) - 30.0 * x * x + 3.0),
            ];
            for (value, expected) in p.iter().zip(closed) {
                assert!((value - expected).abs() < 1e-14);
            }
        }
        assert!(legendre(1.0, 150).iter().all(|p| (p - 1.0).abs() < 1e-12));
    }
}
