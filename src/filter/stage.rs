//! One stage by its parameters, and the cookbook formulas that turn it into coefficients.

use super::Biquad;
use std::f64::consts::PI;
use std::fmt;

/// The types of stage, by the names the trade uses.
#[derive(
    Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, serde::Serialize, serde::Deserialize,
)]
#[serde(rename_all = "lowercase")]
pub enum Kind {
    /// A bump or dip at f0, 0 dB at both ends.
    Peaking,
    /// Gain below f0, half of it (in dB) at f0.
    LowShelf,
    /// Gain above f0, half of it (in dB) at f0.
    HighShelf,
    /// Second-order highpass.
    HighPass,
    /// Second-order lowpass.
    LowPass,
    /// Bandpass with 0 dB at f0.
    BandPass,
    /// Zero at f0.
    Notch,
    /// Magnitude 1 everywhere, phase turns by 360 degrees round f0.
    AllPass,
}

impl Kind {
    /// All types in the order of their declaration.
    pub const ALL: [Kind; 8] = [
        Kind::Peaking,
        Kind::LowShelf,
        Kind::HighShelf,
        Kind::HighPass,
        Kind::LowPass,
        Kind::BandPass,
        Kind::Notch,
        Kind::AllPass,
    ];

    /// The name used in files and on screen, lower case.
    pub fn name(self) -> &'static str {
        match self {
            Kind::Peaking => "peaking",
            Kind::LowShelf => "lowshelf",
            Kind::HighShelf => "highshelf",
            Kind::HighPass => "highpass",
            Kind::LowPass => "lowpass",
            Kind::BandPass => "bandpass",
            Kind::Notch => "notch",
            Kind::AllPass => "allpass",
        }
    }

    /// The type with this name.
    pub fn from_name(name: &str) -> Option<Kind> {
        Kind::ALL.into_iter().find(|kind| kind.name() == name)
    }

    /// Whether the type has a gain: peaking and the two shelves.
    pub fn has_gain(self) -> bool {
        matches!(self, Kind::Peaking | Kind::LowShelf | Kind::HighShelf)
    }
}

impl fmt::Display for Kind {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.name())
    }
}

/// One stage by its parameters.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Stage {
    /// Type.
    pub kind: Kind,
    /// Centre, corner or mid-gain frequency in Hz, above 0 and below half the rate.
    pub f0_hz: f64,
    /// Gain in dB; 0 for types without one.
    pub gain_db: f64,
    /// Q as the cookbook defines it, above 0.
    pub q: f64,
}

impl Stage {
    /// The shelf of the other end that does the same but for a level: with `A = 10^(gain/40)` the
    /// cookbook's highshelf of `A` is exactly `A^2` times its lowshelf of `1/A` with the same f0 and
    /// Q, so this stage is the other one raised by its own `gain_db`. `None` for other types.
    ///
    /// Source: algebra on the prototypes of the note named at [`Stage::biquad`].
    pub fn other_shelf(&self) -> Option<Stage> {
        let kind = match self.kind {
            Kind::HighShelf => Kind::LowShelf,
            Kind::LowShelf => Kind::HighShelf,
            _ => return None,
        };
        Some(Stage {
            kind,
            gain_db: -self.gain_db,
            ..*self
        })
    }

    /// Coefficients of the stage at `rate_hz`, normalised to `a0 = 1`.
    ///
    /// Valid for `0 < f0_hz < rate_hz / 2` and `q > 0`.
    ///
    /// Source: R. Bristow-Johnson, Audio EQ Cookbook, W3C Working Group Note, 8 June 2021; the
    /// letters are the note's.
    pub fn biquad(&self, rate_hz: f64) -> Biquad {
        let w0 = 2.0 * PI * self.f0_hz / rate_hz;
        let (sn, c) = w0.sin_cos();
        let alpha = sn / (2.0 * self.q);
        let a = 10f64.powf(self.gain_db / 40.0);
        let k = 2.0 * a.sqrt() * alpha;
        // 1 - c without cancellation at low frequencies.
        let one_minus_c = 2.0 * (0.5 * w0).sin().powi(2);
        let (b0, b1, b2, a0, a1, a2) = match self.kind {
            Kind::Peaking => (
                1.0 + alpha * a,
                -2.0 * c,
                1.0 - alpha * a,
                1.0 + alpha / a,
                -2.0 * c,
                1.0 - alpha / a,
            ),
            Kind::LowShelf => (
                a * ((a + 1.0) - (a - 1.0) * c + k),
                2.0 * a * ((a - 1.0) - (a + 1.0) * c),
                a * ((a + 1.0) - (a - 1.0) * c - k),
                (a + 1.0) + (a - 1.0) * c + k,
                -2.0 * ((a - 1.0) + (a + 1.0) * c),
                (a + 1.0) + (a - 1.0) * c - k,
            ),
            Kind::HighShelf => (
                a * ((a + 1.0) + (a - 1.0) * c + k),
                -2.0 * a * ((a - 1.0) + (a + 1.0) * c),
                a * ((a + 1.0) + (a - 1.0) * c - k),
                (a + 1.0) - (a - 1.0) * c + k,
                2.0 * ((a - 1.0) - (a + 1.0) * c),
                (a + 1.0) - (a - 1.0) * c - k,
            ),
            Kind::LowPass => (
                0.5 * one_minus_c,
                one_minus_c,
                0.5 * one_minus_c,
                1.0 + alpha,
                -2.0 * c,
                1.0 - alpha,
            ),
            Kind::HighPass => (
                0.5 * (1.0 + c),
                -(1.0 + c),
                0.5 * (1.0 + c),
                1.0 + alpha,
                -2.0 * c,
                1.0 - alpha,
            ),
            Kind::BandPass => (alpha, 0.0, -alpha, 1.0 + alpha, -2.0 * c, 1.0 - alpha),
            Kind::Notch => (1.0, -2.0 * c, 1.0, 1.0 + alpha, -2.0 * c, 1.0 - alpha),
            Kind::AllPass => (
                1.0 - alpha,
                -2.0 * c,
                1.0 + alpha,
                1.0 + alpha,
                -2.0 * c,
                1.0 - alpha,
            ),
        };
        Biquad {
            b0: b0 / a0,
            b1: b1 / a0,
            b2: b2 / a0,
            a1: a1 / a0,
            a2: a2 / a0,
        }
    }
}
