//! One second-order section by its coefficients.

use num_complex::Complex64;

/// `H(z) = (b0 + b1/z + b2/z^2) / (1 + a1/z + a2/z^2)`; all five finite.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Biquad {
    /// Numerator, present sample.
    pub b0: f64,
    /// Numerator, one sample ago.
    pub b1: f64,
    /// Numerator, two samples ago.
    pub b2: f64,
    /// Denominator, one sample ago, with the sign of `1 + a1/z + a2/z^2`.
    pub a1: f64,
    /// Denominator, two samples ago.
    pub a2: f64,
}

/// Where the two poles lie.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Poles {
    /// Largest distance of a pole from the origin; the section is stable below 1.
    pub radius: f64,
}

impl Biquad {
    /// The section that passes everything unchanged.
    pub const THROUGH: Biquad = Biquad {
        b0: 1.0,
        b1: 0.0,
        b2: 0.0,
        a1: 0.0,
        a2: 0.0,
    };

    /// Complex response at `omega_rad` radians per sample.
    pub fn response(&self, omega_rad: f64) -> Complex64 {
        let z1 = Complex64::from_polar(1.0, -omega_rad);
        let z2 = z1 * z1;
        (self.b0 + self.b1 * z1 + self.b2 * z2) / (1.0 + self.a1 * z1 + self.a2 * z2)
    }

    /// Magnitude in dB at `omega_rad` radians per sample; minus infinity at an exact zero.
    ///
    /// Turned by `e^{j omega}` the numerator is `(b0+b2) cos(omega) + b1 + j (b0-b2) sin(omega)`.
    /// With `s, c` for sine and cosine of `omega/2` its real part is
    /// `(b0+b1+b2) - 2 s^2 (b0+b2)`, or `2 c^2 (b0+b2) - (b0-b1+b2)`: each keeps its digits at
    /// its end of the axis. The magnitude is then a sum of squares; forms with differences of
    /// squares lose half of their digits near poles.
    pub fn gain_db(&self, omega_rad: f64) -> f64 {
        let (s, c) = (0.5 * omega_rad).sin_cos();
        let square = |c0: f64, c1: f64, c2: f64| {
            let even = if s * s < 0.5 {
                c0 + c1 + c2 - 2.0 * s * s * (c0 + c2)
            } else {
                2.0 * c * c * (c0 + c2) - (c0 - c1 + c2)
            };
            let odd = 2.0 * s * c * (c0 - c2);
            even * even + odd * odd
        };
        let power = square(self.b0, self.b1, self.b2) / square(1.0, self.a1, self.a2);
        10.0 * power.log10()
    }

    /// Whether both poles lie inside the unit circle.
    ///
    /// Source: the stability triangle, `|a2| < 1` and `|a1| < 1 + a2` (Jury's test for the
    /// second order).
    pub fn is_stable(&self) -> bool {
        self.a2.abs() < 1.0 && self.a1.abs() < 1.0 + self.a2
    }

    /// The poles of the section.
    pub fn poles(&self) -> Poles {
        let half = 0.5 * self.a1;
        let discriminant = half * half - self.a2;
        let radius = if discriminant < 0.0 {
            self.a2.sqrt()
        } else {
            half.abs() + discriminant.sqrt()
        };
        Poles { radius }
    }

    /// Runs `input` through the section from rest, in transposed direct form 2.
    pub fn run(&self, input: &[f64]) -> Vec<f64> {
        let (mut s1, mut s2) = (0.0, 0.0);
        input
            .iter()
            .map(|x| {
                let y = self.b0 * x + s1;
                s1 = self.b1 * x - self.a1 * y + s2;
                s2 = self.b2 * x - self.a2 * y;
                y
            })
            .collect()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn magnitude_and_complex_response_agree() {
        let section = Biquad {
            b0: 1.04,
            b1: -1.895,
            b2: 0.867,
            a1: -1.895,
            a2: 0.911,
        };
        for i in 1..300 {
            let omega_rad = std::f64::consts::PI * f64::from(i) / 300.0;
            let by_complex_db = 20.0 * section.response(omega_rad).norm().log10();
            assert!((by_complex_db - section.gain_db(omega_rad)).abs() < 1e-9);
        }
    }

    #[test]
    fn pole_radius_of_real_and_complex_pairs() {
        // (1 - 0.5/z)(1 - 0.9/z): poles 0.5 and 0.9.
        let real = Biquad {
            a1: -1.4,
            a2: 0.45,
            ..Biquad::THROUGH
        };
        assert!((real.poles().radius - 0.9).abs() < 1e-12);
        // 0.8 e^{+-j pi/3}: a1 = -0.8, a2 = 0.64.
        let pair = Biquad {
            a1: -0.8,
            a2: 0.64,
            ..Biquad::THROUGH
        };
        assert!((pair.poles().radius - 0.8).abs() < 1e-12);
    }
}
