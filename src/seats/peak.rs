//! One peak that seats share, as the stage that would take it away.

use crate::units::width_oct_of_q;

/// A peak over the baseline with the shape of a cookbook peaking stage.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Peak {
    /// Its middle, Hz.
    pub f0_hz: f64,
    /// Its Q.
    pub q: f64,
    /// By how much a stage there cuts, dB, above 0; neighbours add to it.
    pub cut_db: f64,
    /// Mean of its height over the seats, dB.
    pub mean_db: f64,
    /// What of it all seats share, dB: so much is wanted off in all.
    pub shared_db: f64,
    /// Its height at the seat that has least of it, dB; may be negative.
    pub least_db: f64,
    /// Its height at the seat that has most of it, dB.
    pub most_db: f64,
    /// Standard deviation of its height over the seats, dB.
    pub spread_db: f64,
}

impl Peak {
    /// Width at half height, octaves.
    pub fn width_oct(&self) -> f64 {
        width_oct_of_q(self.q)
    }

    /// Ends of its half-height width, Hz.
    pub fn band_hz(&self) -> (f64, f64) {
        let half = (0.5 * self.width_oct()).exp2();
        (self.f0_hz / half, self.f0_hz * half)
    }

    /// What is cut at each frequency, dB, not negative.
    pub fn cut_shape_db(&self, freqs_hz: &[f64]) -> Vec<f64> {
        bell_db(freqs_hz, self.f0_hz, self.q, self.cut_db)
    }
}

/// Level of a peaking stage of `size_db` at each frequency, dB: magnitude of the analog prototype
/// of the Audio EQ Cookbook, from which a device's stage below 1 kHz differs by nothing audible.
pub(super) fn bell_db(freqs_hz: &[f64], f0_hz: f64, q: f64, size_db: f64) -> Vec<f64> {
    let a2 = 10f64.powf(size_db / 20.0);
    freqs_hz
        .iter()
        .map(|f| {
            let x = f / f0_hz;
            let skew = (1.0 - x * x).powi(2);
            let side = x * x / (q * q);
            10.0 * ((skew + side * a2) / (skew + side / a2)).log10()
        })
        .collect()
}
