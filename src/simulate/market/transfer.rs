//! What a signal passes on its way to a driver: crossover, box, tolerances, filters.

use crate::simulate::Filter;
use crate::simulate::chance::Chance;
use num_complex::Complex64;
use std::f64::consts::PI;

/// One link in the way of a signal.
#[derive(Debug, Clone, PartialEq)]
pub enum Block {
    /// Amplitude factor; negative inverts.
    Gain(f64),
    /// Delay, s; below 0 when early.
    Delay(f64),
    /// The same phase at all frequencies, rad.
    Turn(f64),
    /// First- or second-order low-pass.
    LowPass(Section),
    /// First- or second-order high-pass.
    HighPass(Section),
    /// Band-pass with 0 dB at its centre.
    BandPass { f_hz: f64, q: f64 },
    /// A bell or a shelf.
    Filter(Filter),
    /// What leaves a box with a second radiator.
    Vented(Vented, Opening),
    /// A drawn gain curve.
    Voicing(Voicing),
}

/// A factor of a filter.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Section {
    pub f_hz: f64,
    /// Q of a second-order section; `None` is first order.
    pub q: Option<f64>,
}

/// A box with a second radiator.
///
/// Source: Small, Vented-Box and Passive-Radiator Loudspeaker Systems, JAES 21 and 22, 1973 and
/// 1974 (from memory): the cone stands still at the tuning but for losses, the sum of both is a
/// fourth-order high-pass; the passive radiator's own resonance puts a notch below.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Vented {
    pub f_hz: f64,
    /// Q of the two factors of the alignment.
    pub q: [f64; 2],
    /// Losses as 1/Q of the box.
    pub loss: f64,
    /// Notch of a passive radiator relative to the tuning; 0 for a port.
    pub notch: f64,
}

/// Where the sound of a box comes out.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Opening {
    Cone,
    Port,
    Both,
}

impl Vented {
    /// Cone and second radiator.
    fn parts(&self, f_hz: f64) -> (Complex64, Complex64) {
        let s = Complex64::new(0.0, f_hz / self.f_hz);
        let alignment = (s * s + s / self.q[0] + 1.0) * (s * s + s / self.q[1] + 1.0);
        let cone = s * s * (s * s + s * self.loss + 1.0) / alignment;
        let port = -s * s * (1.0 - self.notch * self.notch) / alignment;
        (cone, port)
    }
}

/// A gain curve over log frequency, straight between its points, level beyond its ends.
#[derive(Debug, Clone, PartialEq)]
pub struct Voicing {
    pub from_hz: f64,
    pub points_per_octave: f64,
    pub gains_db: Vec<f64>,
}

impl Voicing {
    /// Gain at `f_hz`, dB; 0 of an empty curve.
    pub fn gain_db(&self, f_hz: f64) -> f64 {
        let Some(last) = self.gains_db.len().checked_sub(1) else {
            return 0.0;
        };
        let at = ((f_hz / self.from_hz).log2() * self.points_per_octave).clamp(0.0, last as f64);
        let below = at as usize;
        let above = (below + 1).min(last);
        self.gains_db[below] + (at - below as f64) * (self.gains_db[above] - self.gains_db[below])
    }
}

impl Section {
    /// `s^2 + s/Q + 1`, or `s + 1` of a first-order one, and `s` to the order.
    fn polynomials(&self, f_hz: f64) -> (Complex64, Complex64) {
        let s = Complex64::new(0.0, f_hz / self.f_hz);
        match self.q {
            Some(q) => (s * s + s / q + 1.0, s * s),
            None => (s + 1.0, s),
        }
    }
}

impl Block {
    /// A low-pass of second order, or of first without a Q.
    pub fn low_pass(f_hz: f64, q: Option<f64>) -> Block {
        Block::LowPass(Section { f_hz, q })
    }

    /// A high-pass of second order, or of first without a Q.
    pub fn high_pass(f_hz: f64, q: Option<f64>) -> Block {
        Block::HighPass(Section { f_hz, q })
    }

    /// Response at `f_hz`.
    pub fn response(&self, f_hz: f64) -> Complex64 {
        match self {
            Block::Gain(gain) => Complex64::from(*gain),
            Block::Delay(delay_s) => Complex64::from_polar(1.0, -2.0 * PI * f_hz * delay_s),
            Block::Turn(phase_rad) => Complex64::from_polar(1.0, *phase_rad),
            Block::LowPass(section) => 1.0 / section.polynomials(f_hz).0,
            Block::HighPass(section) => {
                let (below, above) = section.polynomials(f_hz);
                above / below
            }
            Block::BandPass { f_hz: center_hz, q } => {
                crate::simulate::analog::band_pass(f_hz, *center_hz, *q)
            }
            Block::Filter(filter) => filter.response(f_hz),
            Block::Vented(vented, opening) => {
                let (cone, port) = vented.parts(f_hz);
                match opening {
                    Opening::Cone => cone,
                    Opening::Port => port,
                    Opening::Both => cone + port,
                }
            }
            Block::Voicing(voicing) => {
                Complex64::from(crate::units::db_to_amplitude(voicing.gain_db(f_hz)))
            }
        }
    }
}

/// What all of them do at `f_hz`.
pub fn chain(blocks: &[Block], f_hz: f64) -> Complex64 {
    let responses = blocks.iter().map(|block| block.response(f_hz));
    responses.fold(Complex64::from(1.0), |all, one| all * one)
}

/// Family of a crossover's acoustic slopes.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Family {
    /// Butterworth filters of half the order in series; orders 2 and 4.
    LinkwitzRiley,
    /// -3 dB at the crossover; orders 1 to 4.
    Butterworth,
    /// Soft corner; orders 2 to 4.
    Bessel,
}

/// Corner relative to the crossover and Q of each section of the low-pass; the high-pass has
/// the inverse corners. Anything unlisted is a first-order section.
///
/// Source: Butterworth pole angles; Linkwitz, JAES 24(1), 1976; zeros of the reverse Bessel
/// polynomials, normalised to -3 dB (computed here, four digits).
fn sections(family: Family, order: usize) -> &'static [(f64, Option<f64>)] {
    const FLAT: Option<f64> = Some(std::f64::consts::FRAC_1_SQRT_2);
    match (family, order) {
        (Family::LinkwitzRiley, 4) => &[(1.0, FLAT), (1.0, FLAT)],
        (Family::LinkwitzRiley, 2) => &[(1.0, None), (1.0, None)],
        (Family::Butterworth, 2) => &[(1.0, FLAT)],
        (Family::Butterworth, 3) => &[(1.0, None), (1.0, Some(1.0))],
        (Family::Butterworth, 4) => &[(1.0, Some(0.541_196_1)), (1.0, Some(1.306_563))],
        (Family::Bessel, 2) => &[(1.2720, Some(0.5774))],
        (Family::Bessel, 3) => &[(1.3227, None), (1.4476, Some(0.6910))],
        (Family::Bessel, 4) => &[(1.4302, Some(0.5219)), (1.6034, Some(0.8055))],
        _ => &[(1.0, None)],
    }
}

/// Both sides of a crossover, the polarity of the high one included.
#[derive(Debug, Clone, PartialEq)]
pub struct Sides {
    pub low: Vec<Block>,
    pub high: Vec<Block>,
}

/// The crossover of this family and order at `f_hz`; the polarity is the one that adds up.
pub fn crossover(family: Family, order: usize, f_hz: f64) -> Sides {
    let parts = sections(family, order);
    let section = |f_hz: f64, q: &Option<f64>| Section { f_hz, q: *q };
    let low = parts.iter().map(|(corner, q)| section(f_hz * corner, q));
    let high = parts.iter().map(|(corner, q)| section(f_hz / corner, q));
    let low: Vec<Block> = low.map(Block::LowPass).collect();
    let mut high: Vec<Block> = high.map(Block::HighPass).collect();
    let (l, h) = (chain(&low, f_hz), chain(&high, f_hz));
    if (l + h).norm() < (l - h).norm() - 1e-9 {
        high.push(Block::Gain(-1.0));
    }
    Sides { low, high }
}

/// Random family and order, and corners and Qs off by what parts are off: 3 and 5 % (our own
/// judgement after common tolerances of 5 % parts).
pub fn draw_crossover(chance: &mut Chance, f_hz: f64) -> Sides {
    let (family, order) = match chance.below(10) {
        0..4 => (Family::LinkwitzRiley, 4),
        4 | 5 => (Family::LinkwitzRiley, 2),
        6 => (Family::Butterworth, 1 + chance.below(2)),
        7 | 8 => (Family::Butterworth, 3 + chance.below(2)),
        _ => (Family::Bessel, 2 + chance.below(3)),
    };
    let mut sides = crossover(family, order, f_hz);
    for block in sides.low.iter_mut().chain(&mut sides.high) {
        if let Block::LowPass(section) | Block::HighPass(section) = block {
            section.f_hz *= 1.0 + 0.03 * chance.normal().clamp(-2.0, 2.0);
            section.q = section
                .q
                .map(|q| q * (1.0 + 0.05 * chance.normal().clamp(-2.0, 2.0)));
        }
    }
    sides
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::units::amplitude_to_db;

    fn level_db(response: Complex64) -> f64 {
        amplitude_to_db(response.norm())
    }

    #[test]
    fn linkwitz_riley_adds_up_flat_and_odd_butterworth_too() {
        let flat = [
            (Family::LinkwitzRiley, 2),
            (Family::LinkwitzRiley, 4),
            (Family::Butterworth, 1),
            (Family::Butterworth, 3),
        ];
        for (family, order) in flat {
            let sides = crossover(family, order, 2000.0);
            for f_hz in [200.0, 1500.0, 2000.0, 3500.0, 15_000.0] {
                let sum = chain(&sides.low, f_hz) + chain(&sides.high, f_hz);
                assert!(level_db(sum).abs() < 1e-9, "{family:?} {order} {f_hz}");
            }
        }
    }

    #[test]
    fn butterworth_and_bessel_are_3_db_down_at_the_crossover_and_linkwitz_riley_6() {
        // 10 lg(1/2) by definition; the Bessel table has four digits.
        for order in 1..=4 {
            let low = crossover(Family::Butterworth, order, 500.0).low;
            assert!((level_db(chain(&low, 500.0)) + 3.0103).abs() < 1e-4);
            let octaves = level_db(chain(&low, 32_000.0)) - level_db(chain(&low, 16_000.0));
            assert!((octaves + 6.0206 * order as f64).abs() < 0.02);
        }
        for order in 2..=4 {
            let low = crossover(Family::Bessel, order, 500.0).low;
            assert!((level_db(chain(&low, 500.0)) + 3.0103).abs() < 0.02);
        }
        let low = crossover(Family::LinkwitzRiley, 4, 500.0).low;
        assert!((level_db(chain(&low, 500.0)) + 6.0206).abs() < 1e-4);
    }

    #[test]
    fn cone_and_port_add_up_to_a_butterworth_box_and_the_cone_stands_still_at_the_tuning() {
        let vented = Vented {
            f_hz: 40.0,
            q: [0.541_196_1, 1.306_563],
            loss: 0.0,
            notch: 0.0,
        };
        let (cone, port) = vented.parts(40.0);
        assert!(cone.norm() < 1e-12);
        assert!((level_db(cone + port) + 3.0103).abs() < 1e-4);
        let (cone, port) = vented.parts(4.0);
        // Far below they cancel: 24 dB an octave, 80 dB a decade.
        assert!((level_db(cone + port) + 80.0).abs() < 0.1 && level_db(cone) > -41.0);
    }

    #[test]
    fn a_voicing_goes_straight_between_its_points_and_stays_beyond_them() {
        let voicing = Voicing {
            from_hz: 100.0,
            points_per_octave: 1.0,
            gains_db: vec![1.0, 3.0],
        };
        let gains = [50.0, 100.0, 100.0 * 2f64.sqrt(), 200.0, 900.0].map(|f| voicing.gain_db(f));
        for (gain, expected) in gains.iter().zip([1.0, 1.0, 2.0, 3.0, 3.0]) {
            assert!((gain - expected).abs() < 1e-9);
        }
    }
}
