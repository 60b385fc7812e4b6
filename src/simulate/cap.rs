//! A circular cap that moves along its axis in a rigid sphere: its far or near sound field.

use super::special::{HankelSequence, legendre};
use num_complex::Complex64;

/// Speed of sound in m/s at 20 degrees, as in the reference sheet and common practice.
pub const SPEED_OF_SOUND_M_PER_S: f64 = 343.0;

/// The series ends when no later term can reach this share of the first one; terms fall faster
/// than any power beyond order `kR`, so -180 dB costs only a few terms more than -100 dB.
const NEGLIGIBLE: f64 = 1e-9;

/// How each order of the surface velocity of a sphere radiates at one frequency.
///
/// For `e^{+j omega t}` and a radial surface velocity `sum U_n P_n(cos t)` the pressure outside
/// is `p(r, t) = -j rho c sum U_n h_n(kr) / h_n'(kR) P_n(cos t)`.
/// Source: Morse and Ingard, Theoretical Acoustics, section 7.2 (radiation from a sphere);
/// Beranek and Mellow, Acoustics: Sound Fields and Transducers, cap in a sphere.
pub struct SphereWaves {
    /// One factor per order; multiplied by `U_n/U_0 P_n` and added up they give the pressure
    /// relative to a point source of the same volume acceleration at the centre.
    factors: Vec<Complex64>,
}

impl SphereWaves {
    /// For a sphere of `radius_m` at `f_hz`, heard at `distance_m` from its centre (beyond the
    /// surface) or in the far field.
    pub fn new(radius_m: f64, f_hz: f64, distance_m: Option<f64>) -> Self {
        let k = 2.0 * std::f64::consts::PI * f_hz / SPEED_OF_SOUND_M_PER_S;
        let z = k * radius_m;
        let mut surface = HankelSequence::new(z);
        let mut outside = distance_m.map(|r| HankelSequence::new(k * r));
        // The spreading wave e^{-jkr}/(kr) is taken out, which leaves j^n in the far field.
        let unspread = distance_m.map(|r| {
            let kr = k * r;
            Complex64::from_polar(kr, kr) / Complex64::I
        });
        let mut turn = Complex64::ONE;
        let mut factors = Vec::new();
        loop {
            let order = factors.len() as f64;
            let travel = match (&outside, unspread) {
                (Some(h), Some(unspread)) => h.value() * unspread,
                _ => turn,
            };
            // 1 / h_0'(z) -> j z^2 as z -> 0: the point source that the field is compared with.
            let factor = travel / (Complex64::I * z * z * surface.derivative());
            factors.push(factor);
            let first = factors[0].norm();
            // |U_n / U_0| <= 2n+1 because |P_n| <= 1.
            if order > z && (2.0 * order + 1.0) * factor.norm() < NEGLIGIBLE * first {
                return SphereWaves { factors };
            }
            surface.advance();
            if let Some(h) = &mut outside {
                h.advance();
            }
            turn *= Complex64::I;
        }
    }

    /// Number of orders kept.
    pub fn orders(&self) -> usize {
        self.factors.len()
    }

    /// The field in a direction whose `U_n/U_0 P_n` are given, at least as many as orders.
    pub fn field(&self, weights: &[f64]) -> Complex64 {
        let (mut re, mut im) = (0.0, 0.0);
        for (factor, weight) in self.factors.iter().zip(weights) {
            re += factor.re * weight;
            im += factor.im * weight;
        }
        Complex64::new(re, im)
    }
}

/// Shares `U_n / U_0`, n below `count`, of a cap of half angle `half_angle_rad` (above 0, at
/// most pi/2) whose every point moves along the axis: radial velocity `cos t` on the cap.
///
/// `U_n = (n + 1/2)` times the integral of `x P_n(x)` over the cap, with
/// `x P_n = ((n+1) P_{n+1} + n P_{n-1}) / (2n+1)` and
/// `int_c^1 P_n dx = (P_{n-1}(c) - P_{n+1}(c)) / (2n+1)`.
/// Source: Beranek and Mellow, as above; the integrals follow from DLMF 18.9.
pub fn cap_moments(half_angle_rad: f64, count: usize) -> Vec<f64> {
    let c = half_angle_rad.cos();
    let p = legendre(c, count + 2);
    let integral = |n: usize| match n {
        0 => 1.0 - c,
        n => (p[n - 1] - p[n + 1]) / (2.0 * n as f64 + 1.0),
    };
    // U_0 = (1/2) int_c^1 x dx.
    let u_0 = 0.25 * half_angle_rad.sin().powi(2);
    (0..count)
        .map(|n| match n {
            0 => 1.0,
            _ => {
                let m = n as f64;
                0.5 * ((m + 1.0) * integral(n + 1) + m * integral(n - 1)) / u_0
            }
        })
        .collect()
}

/// The field of one cap on a sphere, by direction (outer) and frequency (inner).
///
/// `cosines` are those of the angle between cap axis and direction; `waves` one per frequency.
pub fn cap_fields(
    half_angle_rad: f64,
    cosines: &[f64],
    waves: &[SphereWaves],
) -> Vec<Vec<Complex64>> {
    let count = waves.iter().map(SphereWaves::orders).max().unwrap_or(0);
    let moments = cap_moments(half_angle_rad, count);
    cosines
        .iter()
        .map(|cosine| {
            let weights: Vec<f64> = legendre(cosine.clamp(-1.0, 1.0), count)
                .iter()
                .zip(&moments)
                .map(|(p, u)| p * u)
                .collect();
            waves.iter().map(|wave| wave.field(&weights)).collect()
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::f64::consts::PI;

    fn hertz_for(kr: f64, radius_m: f64) -> f64 {
        kr * SPEED_OF_SOUND_M_PER_S / (2.0 * PI * radius_m)
    }

    fn field(half_angle_rad: f64, kr: f64, angle_deg: f64) -> Complex64 {
        let waves = [SphereWaves::new(0.2, hertz_for(kr, 0.2), None)];
        cap_fields(half_angle_rad, &[angle_deg.to_radians().cos()], &waves)[0][0]
    }

    #[test]
    fn a_small_sphere_is_a_point_source() {
        for angle_deg in [0.0, 60.0, 120.0, 180.0] {
            let p = field(0.5, 1e-3, angle_deg);
            // The first-order term is (3/2) kR cos t against 1, hence a few 1e-3.
            assert!((p - Complex64::ONE).norm() < 3e-3, "{angle_deg}: {p}");
        }
    }

    #[test]
    fn a_small_cap_on_a_large_sphere_doubles_the_pressure_as_a_baffle_does() {
        // Point source on a rigid plane: twice the free pressure; what remains on a sphere is
        // the curvature, falling with kR.
        let p = field(0.02, 60.0, 0.0).norm();
        assert!((p - 2.0).abs() < 0.06, "{p}");
    }

    #[test]
    fn far_and_near_field_meet_at_a_great_distance() {
        let f_hz = 3000.0;
        let cosines = [1.0, 0.2, -0.9];
        let far = cap_fields(0.4, &cosines, &[SphereWaves::new(0.15, f_hz, None)]);
        let near = cap_fields(0.4, &cosines, &[SphereWaves::new(0.15, f_hz, Some(1e4))]);
        for (a, b) in far.iter().zip(&near) {
            // Terms of order n^2/(2kr), n up to 20, kr = 5.5e5.
            assert!((a[0] - b[0]).norm() < 2e-3 * a[0].norm());
        }
    }

    #[test]
    fn moments_are_the_integrals_over_the_cap() {
        let half_angle_rad = 0.6f64;
        let moments = cap_moments(half_angle_rad, 12);
        let c = half_angle_rad.cos();
        let steps = 4000;
        let sums = |n: usize| {
            (0..steps)
                .map(|i| {
                    let x = c + (1.0 - c) * (i as f64 + 0.5) / steps as f64;
                    x * legendre(x, n + 1)[n]
                })
                .sum::<f64>()
                * (2.0 * n as f64 + 1.0)
        };
        for (n, moment) in moments.iter().enumerate() {
            // Midpoint rule with 4000 steps: error of order (0.17/4000)^2 n^4.
            assert!((sums(n) / sums(0) - moment).abs() < 1e-6, "order {n}");
        }
    }

    #[test]
    fn fields_agree_with_an_independent_computation_of_many_digits() {
        // tests/data/sphere_cap.csv: mpmath, 60 digits; see the README there.
        let rows = include_str!("../../tests/data/sphere_cap.csv")
            .lines()
            .skip(2);
        let mut count = 0;
        for row in rows {
            let v: Vec<f64> = row.split(',').map(|cell| cell.parse().unwrap()).collect();
            let (kr, half_angle_deg, distance_radii, angle_deg) = (v[0], v[1], v[2], v[3]);
            let distance_m = (distance_radii > 0.0).then_some(0.2 * distance_radii);
            let waves = [SphereWaves::new(0.2, hertz_for(kr, 0.2), distance_m)];
            let cosine = angle_deg.to_radians().cos();
            let p = cap_fields(half_angle_deg.to_radians(), &[cosine], &waves)[0][0];
            let expected = Complex64::new(v[4], v[5]);
            // The series ends 180 dB below its first term; moments of the smallest cap lose
            // four digits by cancellation.
            assert!((p - expected).norm() < 1e-8, "{row}: {p}");
            count += 1;
        }
        assert_eq!(count, 36);
    }

    #[test]
    fn power_through_a_sphere_is_the_sum_over_the_orders() {
        // Orthogonality, DLMF 18.3: the mean of P_n^2 over the sphere is 1/(2n+1).
        let waves = SphereWaves::new(0.2, hertz_for(9.0, 0.2), None);
        let moments = cap_moments(0.5, waves.orders());
        let by_order: f64 = waves
            .factors
            .iter()
            .zip(&moments)
            .enumerate()
            .map(|(n, (f, u))| f.norm_sqr() * u * u / (2.0 * n as f64 + 1.0))
            .sum();
        let steps = 20_000;
        let cosines: Vec<f64> = (0..steps)
            .map(|i| -1.0 + 2.0 * (i as f64 + 0.5) / f64::from(steps))
            .collect();
        let by_angle = cap_fields(0.5, &cosines, &[waves])
            .iter()
            .map(|p| p[0].norm_sqr())
            .sum::<f64>()
            / f64::from(steps);
        assert!((by_angle / by_order - 1.0).abs() < 1e-6);
    }
}
