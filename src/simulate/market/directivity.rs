//! How a source thins out off its axis, and how the box shades it.

use std::sync::OnceLock;

/// Where a direction lies as seen by a source.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct View {
    /// Cosine of the angle to the source's axis.
    pub front: f64,
    pub side_rad: f64,
    pub up_rad: f64,
}

impl View {
    /// At right angles to the axis, in the plane of the side.
    pub const SIDE: View = View {
        front: 0.0,
        side_rad: std::f64::consts::FRAC_PI_2,
        up_rad: 0.0,
    };
}

/// Amplitude over angle and frequency, 1 on the source's axis.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Directivity {
    /// A flat or soft piston in a baffle.
    Piston(Piston),
    /// A waveguide: as wide as its piston at low frequencies, of constant angle above.
    Waveguide {
        piston: Piston,
        /// Half angle at -6 dB to the side, rad.
        half_side_rad: f64,
        /// Half angle at -6 dB upwards, rad.
        half_up_rad: f64,
        /// From here on it has control, Hz.
        from_hz: f64,
        /// 2 falls as a Gaussian does; more is flatter inside and steeper outside.
        shape: f64,
    },
    /// Part pressure, part velocity: 0 is a dipole, 0.5 a cardioid, 1 a plain piston.
    Gradient {
        /// The part that is the same all round.
        omni: f64,
        piston: Piston,
        /// Where it takes over, Hz.
        to_hz: f64,
    },
}

/// A driver's diaphragm.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Piston {
    /// Radius at low frequencies, m.
    pub radius_m: f64,
    /// Above this its outer part no longer follows, Hz.
    pub soft_from_hz: f64,
}

const SPEED_OF_SOUND_M_PER_S: f64 = crate::simulate::cap::SPEED_OF_SOUND_M_PER_S;

/// Step and end of the table of `2 J1(x)/x`. Straight lines between are right to 1e-5, far below
/// what levels show.
const TABLE_STEPS_PER_UNIT: f64 = 64.0;
const TABLE_END: f64 = 80.0;

/// Deepest loss a waveguide causes, dB: what leaks round its mouth.
const WAVEGUIDE_FLOOR_DB: f64 = 24.0;

fn bessel_table() -> &'static [f64] {
    static TABLE: OnceLock<Vec<f64>> = OnceLock::new();
    TABLE.get_or_init(|| {
        let last = (TABLE_END * TABLE_STEPS_PER_UNIT) as usize;
        let value = |i: usize| match i {
            0 => 1.0,
            _ => {
                let x = i as f64 / TABLE_STEPS_PER_UNIT;
                2.0 * libm::j1(x) / x
            }
        };
        (0..=last + 1).map(value).collect()
    })
}

/// `2 J1(x)/x` for x of at least 0: directivity of a piston in an infinite baffle, x = k a sin.
///
/// Source: Beranek, Acoustics, 1954, section 4.13 (from memory).
fn piston_pattern(x: f64) -> f64 {
    let table = bessel_table();
    let at = x.min(TABLE_END) * TABLE_STEPS_PER_UNIT;
    let below = at as usize;
    table[below] + (at - below as f64) * (table[below + 1] - table[below])
}

impl Piston {
    /// Amplitude at the sine `sin` of the angle to the axis.
    fn gain(&self, f_hz: f64, sin: f64) -> f64 {
        let ratio = f_hz / self.soft_from_hz;
        let radius_m = self.radius_m / (1.0 + ratio * ratio).sqrt().sqrt();
        let wave_number = 2.0 * std::f64::consts::PI * f_hz / SPEED_OF_SOUND_M_PER_S;
        piston_pattern(wave_number * radius_m * sin)
    }
}

/// Rises from 0 to 1 round `corner_hz`.
fn rise(f_hz: f64, corner_hz: f64) -> f64 {
    let square = (f_hz / corner_hz).powi(2);
    square / (1.0 + square)
}

impl Directivity {
    /// Amplitude at each frequency.
    pub fn gains(&self, freqs_hz: &[f64], view: View) -> Vec<f64> {
        let sin = (1.0 - view.front * view.front).max(0.0).sqrt();
        match *self {
            Directivity::Piston(piston) => freqs_hz.iter().map(|f| piston.gain(*f, sin)).collect(),
            Directivity::Waveguide {
                piston,
                half_side_rad,
                half_up_rad,
                from_hz,
                shape,
            } => {
                let angles =
                    (view.side_rad / half_side_rad).powi(2) + (view.up_rad / half_up_rad).powi(2);
                let loss_db = 8.0 * angles.powf(0.5 * shape);
                // Rounded towards the floor: 8/(1 + 8/24) dB are 6.
                let loss_db = loss_db / (1.0 + loss_db / WAVEGUIDE_FLOOR_DB);
                let within = crate::units::db_to_amplitude(-loss_db);
                let gain = |f: &f64| {
                    let share = rise(*f, from_hz);
                    (1.0 - share) * piston.gain(*f, sin) + share * within
                };
                freqs_hz.iter().map(gain).collect()
            }
            Directivity::Gradient {
                omni,
                piston,
                to_hz,
            } => {
                let pattern = omni + (1.0 - omni) * view.front;
                // Above, the front of the driver alone is heard.
                let ahead = 0.5 * (1.0 + view.front);
                let gain = |f: &f64| {
                    let share = rise(*f, to_hz);
                    ((1.0 - share) * pattern + share * ahead) * piston.gain(*f, sin)
                };
                freqs_hz.iter().map(gain).collect()
            }
        }
    }
}

/// The shadow of the box.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Shadow {
    /// Where it sets in, Hz.
    pub from_hz: f64,
    /// Loss straight to the back well above, dB.
    pub back_db: f64,
}

impl Shadow {
    /// Amplitude at each frequency.
    pub fn gains(&self, freqs_hz: &[f64], front: f64) -> Vec<f64> {
        let back = (0.5 * (1.0 - front)).max(0.0).powf(1.5);
        let gain =
            |f: &f64| crate::units::db_to_amplitude(-self.back_db * back * rise(*f, self.from_hz));
        freqs_hz.iter().map(gain).collect()
    }
}

/// Cosine and sine of a number of turns, right to 1e-8 for up to a million turns: without a
/// branch, so that the compiler computes several at once.
///
/// Source: Taylor series of half of the angle and the double-angle formulas.
#[inline(always)]
pub fn cos_sin(turns: f64) -> (f64, f64) {
    // Adding and taking away 1.5 * 2^52 rounds to a whole number.
    const ROUNDER: f64 = 6_755_399_441_055_744.0;
    let x = (turns - ((turns + ROUNDER) - ROUNDER)) * std::f64::consts::PI;
    let y = x * x;
    let sin = x
        * (1.0
            + y * (-1.0 / 6.0
                + y * (1.0 / 120.0
                    + y * (-1.0 / 5040.0
                        + y * (1.0 / 362_880.0
                            + y * (-1.0 / 39_916_800.0 + y / 6_227_020_800.0))))));
    let cos = 1.0
        + y * (-0.5
            + y * (1.0 / 24.0
                + y * (-1.0 / 720.0
                    + y * (1.0 / 40_320.0
                        + y * (-1.0 / 3_628_800.0
                            + y * (1.0 / 479_001_600.0 - y / 87_178_291_200.0))))));
    (1.0 - 2.0 * sin * sin, 2.0 * sin * cos)
}

#[cfg(test)]
mod tests {
    use super::*;

    const HARD: Piston = Piston {
        radius_m: 0.08,
        soft_from_hz: f64::INFINITY,
    };

    fn view(angle_deg: f64) -> View {
        View {
            front: angle_deg.to_radians().cos(),
            side_rad: angle_deg.to_radians(),
            up_rad: 0.0,
        }
    }

    #[test]
    fn a_piston_has_its_first_null_where_the_bessel_function_has() {
        // First zero of J1: 3.8317 (DLMF table 10.21). At 60 degrees: f = 3.8317 c/(2 pi a sin).
        let sin = 60f64.to_radians().sin();
        let f_hz =
            3.831_706 * SPEED_OF_SOUND_M_PER_S / (2.0 * std::f64::consts::PI * HARD.radius_m * sin);
        let around = [0.9 * f_hz, f_hz, 1.1 * f_hz, 1e-3];
        let gains = Directivity::Piston(HARD).gains(&around, view(60.0));
        assert!(gains[0] > 0.02 && gains[1].abs() < 2e-5 && gains[2] < -0.02);
        assert!((gains[3] - 1.0).abs() < 1e-5, "as right as the table");
    }

    #[test]
    fn a_dipole_is_silent_at_the_side_and_inverted_behind() {
        let dipole = Directivity::Gradient {
            omni: 0.0,
            piston: HARD,
            to_hz: f64::INFINITY,
        };
        let at = |angle_deg: f64| dipole.gains(&[100.0], view(angle_deg))[0];
        assert!(at(90.0).abs() < 1e-12);
        assert!((at(180.0) + at(0.0)).abs() < 1e-12);
        // cos 60 = 1/2, the piston being small against the wave (k a sin = 0.13).
        assert!((at(60.0) - 0.5).abs() < 2e-3);
    }

    #[test]
    fn a_waveguide_is_6_db_down_at_its_half_angle_where_it_has_control() {
        let waveguide = Directivity::Waveguide {
            piston: HARD,
            half_side_rad: 45f64.to_radians(),
            half_up_rad: 30f64.to_radians(),
            from_hz: 1.0,
            shape: 2.0,
        };
        let gain = waveguide.gains(&[10_000.0], view(45.0))[0];
        // By its definition.
        assert!((20.0 * gain.log10() + 6.0).abs() < 0.01);
    }

    #[test]
    fn turns_are_the_angles_they_stand_for() {
        for i in -4000..4000 {
            let turns = 0.037 * f64::from(i);
            let (sin, cos) = (2.0 * std::f64::consts::PI * turns).sin_cos();
            let fast = cos_sin(turns);
            assert!((fast.0 - cos).abs() < 1e-8 && (fast.1 - sin).abs() < 1e-8);
        }
    }
}
