//! Analog (continuous-time) responses of crossovers, boxes and resonances.

use num_complex::Complex64;

/// Slope of a Linkwitz-Riley crossover.
#[derive(Debug, Clone, Copy, PartialEq, Eq, serde::Serialize)]
pub enum Slope {
    /// 12 dB an octave, one side inverted so that the sum is flat.
    SecondOrder,
    /// 24 dB an octave.
    FourthOrder,
}

/// A Linkwitz-Riley crossover: low and high part add up to an all-pass.
///
/// Source: Linkwitz, Active Crossover Networks for Noncoincident Drivers, JAES 24(1), 1976.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize)]
pub struct Crossover {
    /// Where both parts are at -6 dB, Hz.
    pub f_hz: f64,
    /// The slope.
    pub slope: Slope,
}

impl Crossover {
    /// Low part, high part (its polarity included) at `f_hz`.
    pub fn parts(&self, f_hz: f64) -> (Complex64, Complex64) {
        let s = Complex64::new(0.0, f_hz / self.f_hz);
        match self.slope {
            // First-order Butterworth squared.
            Slope::SecondOrder => {
                let d = (s + 1.0) * (s + 1.0);
                (1.0 / d, -s * s / d)
            }
            // Second-order Butterworth squared.
            Slope::FourthOrder => {
                let d = second_order(s, std::f64::consts::FRAC_1_SQRT_2).powi(2);
                (1.0 / d, s.powi(4) / d)
            }
        }
    }
}

/// Low-frequency alignment of the box.
///
/// Source: Small, Closed-Box and Vented-Box Loudspeaker Systems, JAES 20 and 21, 1972 to 1973:
/// a second-order high-pass and a fourth-order one.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize)]
pub enum BoxTuning {
    /// Closed: system resonance in Hz and its total Q.
    Sealed {
        /// Resonance, Hz.
        f_hz: f64,
        /// Total Q.
        q: f64,
    },
    /// Vented: fourth order as two second-order factors at one frequency.
    Vented {
        /// Tuning, Hz.
        f_hz: f64,
        /// Q of the two factors; 0.541 and 1.307 make a Butterworth alignment.
        q: [f64; 2],
    },
}

impl BoxTuning {
    /// Response at `f_hz`.
    pub fn response(&self, f_hz: f64) -> Complex64 {
        let high_pass = |corner_hz: f64, q: f64| {
            let s = Complex64::new(0.0, f_hz / corner_hz);
            s * s / second_order(s, q)
        };
        match *self {
            BoxTuning::Sealed { f_hz, q } => high_pass(f_hz, q),
            BoxTuning::Vented { f_hz, q } => high_pass(f_hz, q[0]) * high_pass(f_hz, q[1]),
        }
    }
}

/// A minimum-phase change of response. The prototypes of the W3C Audio EQ Cookbook, untouched
/// by any bilinear transform.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize)]
pub enum Filter {
    /// Bump or dip.
    Peaking {
        /// Centre, Hz.
        f_hz: f64,
        /// Gain at the centre, dB.
        gain_db: f64,
        /// Q as in the cookbook.
        q: f64,
    },
    /// Low shelf.
    LowShelf {
        /// Half-gain frequency, Hz.
        f_hz: f64,
        /// Gain at low frequencies, dB.
        gain_db: f64,
        /// Q as in the cookbook.
        q: f64,
    },
    /// High shelf.
    HighShelf {
        /// Half-gain frequency, Hz.
        f_hz: f64,
        /// Gain at high frequencies, dB.
        gain_db: f64,
        /// Q as in the cookbook.
        q: f64,
    },
}

impl Filter {
    /// Response at `f_hz`.
    pub fn response(&self, f_hz: f64) -> Complex64 {
        let (corner_hz, gain_db, q) = match *self {
            Filter::Peaking { f_hz, gain_db, q }
            | Filter::LowShelf { f_hz, gain_db, q }
            | Filter::HighShelf { f_hz, gain_db, q } => (f_hz, gain_db, q),
        };
        let s = Complex64::new(0.0, f_hz / corner_hz);
        let a = 10f64.powf(gain_db / 40.0);
        let slope = s * (a.sqrt() / q);
        match self {
            Filter::Peaking { .. } => {
                (s * s + s * (a / q) + 1.0) / (s * s + s * (1.0 / (a * q)) + 1.0)
            }
            Filter::LowShelf { .. } => (s * s + slope + a) * a / (s * s * a + slope + 1.0),
            Filter::HighShelf { .. } => (s * s * a + slope + 1.0) * a / (s * s + slope + a),
        }
    }
}

/// Band-pass with 0 dB and no phase at its centre: `(s/Q) / (s^2 + s/Q + 1)`.
pub fn band_pass(f_hz: f64, center_hz: f64, q: f64) -> Complex64 {
    let s = Complex64::new(0.0, f_hz / center_hz);
    s / q / second_order(s, q)
}

/// First-order high-pass.
pub fn high_pass_first(f_hz: f64, corner_hz: f64) -> Complex64 {
    let s = Complex64::new(0.0, f_hz / corner_hz);
    s / (s + 1.0)
}

/// Second-order low-pass.
pub fn low_pass(f_hz: f64, corner_hz: f64, q: f64) -> Complex64 {
    1.0 / second_order(Complex64::new(0.0, f_hz / corner_hz), q)
}

/// `s^2 + s/Q + 1`.
fn second_order(s: Complex64, q: f64) -> Complex64 {
    s * s + s / q + 1.0
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::units::amplitude_to_db;

    fn level_db(response: Complex64) -> f64 {
        amplitude_to_db(response.norm())
    }

    #[test]
    fn both_slopes_add_up_to_an_all_pass_and_cross_at_minus_6_db() {
        for slope in [Slope::SecondOrder, Slope::FourthOrder] {
            let crossover = Crossover {
                f_hz: 2000.0,
                slope,
            };
            for f_hz in [100.0, 900.0, 2000.0, 5000.0] {
                let (low, high) = crossover.parts(f_hz);
                assert!(((low + high).norm() - 1.0).abs() < 1e-12);
            }
            let (low, high) = crossover.parts(2000.0);
            // 20 lg(1/2), Linkwitz 1976.
            assert!((level_db(low) + 6.0206).abs() < 1e-4);
            assert!((low - high).norm() < 1e-12, "in phase at the crossover");
        }
    }

    #[test]
    fn shelves_and_peaks_have_the_gain_they_state() {
        let peak = Filter::Peaking {
            f_hz: 500.0,
            gain_db: 5.0,
            q: 3.0,
        };
        assert!((level_db(peak.response(500.0)) - 5.0).abs() < 1e-12);
        let low = Filter::LowShelf {
            f_hz: 500.0,
            gain_db: -4.0,
            q: 0.6,
        };
        assert!((level_db(low.response(0.5)) + 4.0).abs() < 1e-4);
        assert!((level_db(low.response(500.0)) + 2.0).abs() < 1e-12);
        let high = Filter::HighShelf {
            f_hz: 500.0,
            gain_db: 3.0,
            q: 0.6,
        };
        assert!((level_db(high.response(5e5)) - 3.0).abs() < 1e-4);
        assert!((level_db(high.response(500.0)) - 1.5).abs() < 1e-12);
    }

    #[test]
    fn boxes_fall_by_their_order_and_a_butterworth_box_is_3_db_down_at_its_tuning() {
        let sealed = BoxTuning::Sealed {
            f_hz: 50.0,
            q: std::f64::consts::FRAC_1_SQRT_2,
        };
        // Butterworth Q of fourth order: 1/(2 cos 22.5), 1/(2 cos 67.5).
        let vented = BoxTuning::Vented {
            f_hz: 50.0,
            q: [0.541_196_1, 1.306_563],
        };
        for (tuning, db_per_octave) in [(sealed, 12.04), (vented, 24.08)] {
            assert!((level_db(tuning.response(50.0)) + 3.0103).abs() < 1e-4);
            let fall = level_db(tuning.response(2.0)) - level_db(tuning.response(1.0));
            assert!((fall - db_per_octave).abs() < 0.02);
        }
    }
}
