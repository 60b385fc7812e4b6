//! The crossover to a subwoofer, with the stages a device has.

use crate::device::{Device, StageLimits};
use crate::error::{Error, Result};
use crate::filter::{Kind, Stage};

/// The lowest and highest frequency of a crossover to a subwoofer, Hz.
pub const SUB_HZ: (f64, f64) = (20.0, 300.0);

/// A crossover that the owner asks for.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SubWanted {
    /// Where, Hz, within [`SUB_HZ`].
    pub f_hz: f64,
    /// Second (12 dB per octave) or fourth order (24 dB per octave).
    pub order: Order,
}

/// Order of a highpass and of its lowpass. Both halves of either are 6 dB down at the crossover,
/// and their sum is flat in level. Source: S. Linkwitz, Active Crossover Networks for
/// Noncoincident Drivers, J. Audio Eng. Soc. 24(1), 1976 (from memory).
#[derive(Debug, Clone, Copy, PartialEq, Eq, serde::Serialize)]
#[serde(rename_all = "lowercase")]
pub enum Order {
    /// One stage of Q 0.5; the two halves are in opposite phase, so one is reversed.
    Second,
    /// Two stages of Q 0.7071; the two halves are in phase.
    Fourth,
}

impl Order {
    /// Stages each half takes.
    pub fn stages(self) -> usize {
        match self {
            Order::Second => 1,
            Order::Fourth => 2,
        }
    }

    /// Q of each stage.
    pub fn q(self) -> f64 {
        match self {
            Order::Second => 0.5,
            Order::Fourth => std::f64::consts::FRAC_1_SQRT_2,
        }
    }

    /// Final slope, dB per octave.
    pub fn slope_db_per_oct(self) -> f64 {
        12.0 * self.stages() as f64
    }
}

/// A crossover as a device holds it.
#[derive(Debug, Clone, PartialEq)]
pub struct Crossover {
    /// What was asked.
    pub wanted: SubWanted,
    /// Stages of the speakers' half; empty where the device has none for it.
    pub highpass: Vec<Stage>,
    /// Stages of the subwoofer's half, on a device of the same kind; empty where it has none.
    pub lowpass: Vec<Stage>,
}

/// A settable frequency or Q farther from the wanted one than this is not the crossover that was
/// asked: a sixth of an octave or 12 %, about half of a third-octave step. Our own judgement.
const NEAR_ENOUGH: f64 = 0.12;

impl Crossover {
    /// The crossover on `device`.
    ///
    /// # Errors
    /// When the frequency is out of range.
    pub fn new(wanted: SubWanted, device: &Device) -> Result<Crossover> {
        if !(SUB_HZ.0..=SUB_HZ.1).contains(&wanted.f_hz) {
            return Err(Error::range(
                "the crossover to the subwoofer",
                format!("{} Hz", wanted.f_hz),
                format!("between {} and {} Hz", SUB_HZ.0, SUB_HZ.1),
            ));
        }
        let half = |kind: Kind| {
            device
                .limits_of(kind)
                .and_then(|limits| stages(wanted, kind, limits, device.stages))
                .unwrap_or_default()
        };
        Ok(Crossover {
            wanted,
            highpass: half(Kind::HighPass),
            lowpass: half(Kind::LowPass),
        })
    }

    /// What the speakers' half takes off at `f_hz`, dB, 0 or below: of the stages where the device
    /// has them at `rate_hz`, else of the ideal crossover that another box must hold.
    pub fn highpass_db(&self, f_hz: f64, rate_hz: f64) -> f64 {
        if self.highpass.is_empty() {
            let x4 = (self.wanted.f_hz / f_hz).powi(4);
            return match self.wanted.order {
                Order::Second => -20.0 * (1.0 + x4.sqrt()).log10(),
                Order::Fourth => -20.0 * (1.0 + x4).log10(),
            };
        }
        let omega_rad = 2.0 * std::f64::consts::PI * f_hz / rate_hz;
        if f_hz >= 0.5 * rate_hz {
            return 0.0;
        }
        self.highpass
            .iter()
            .map(|stage| stage.biquad(rate_hz).gain_db(omega_rad))
            .sum()
    }
}

/// The stages of one half; `None` where the device's limits do not let them come near.
fn stages(
    wanted: SubWanted,
    kind: Kind,
    limits: &StageLimits,
    device_stages: usize,
) -> Option<Vec<Stage>> {
    let count = wanted.order.stages();
    let stage = Stage {
        kind,
        f0_hz: limits.f0_hz.nearest(wanted.f_hz),
        gain_db: 0.0,
        q: limits.q.nearest(wanted.order.q()),
    };
    let near = |is: f64, asked: f64| (is / asked).ln().abs() <= NEAR_ENOUGH;
    let fits = count <= limits.at_most.unwrap_or(device_stages).min(device_stages)
        && near(stage.f0_hz, wanted.f_hz)
        && near(stage.q, wanted.order.q());
    fits.then(|| vec![stage; count])
}

/// How much louder an excursion-limited speaker plays when it is spared what lies below the
/// crossover, dB: at one sound pressure excursion grows with the square of the wavelength, 12.04
/// dB per octave, `40 lg(crossover / corner)`; 0 below the corner.
///
/// Source: x_rms = 4 pi r p / (rho w^2 S_d), radiation of a small source (textbook). An upper
/// bound: a port unloads the cone at its tuning, and amplifier and voice coil have limits of
/// their own.
pub fn excursion_gain_db(crossover_hz: f64, corner_hz: f64) -> f64 {
    (40.0 * (crossover_hz / corner_hz).log10()).max(0.0)
}
