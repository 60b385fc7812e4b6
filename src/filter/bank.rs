//! A cascade of sections at one rate.

use super::Biquad;
use num_complex::Complex64;
use std::f64::consts::PI;

/// Sections in the order the signal meets them, with a level in front.
#[derive(Debug, Clone, PartialEq)]
pub struct Bank {
    /// Sampling rate in Hz, above 0.
    pub rate_hz: f64,
    /// Level in front of the sections, dB.
    pub gain_db: f64,
    /// The sections; none is a plain level.
    pub sections: Vec<Biquad>,
}

impl Bank {
    /// Complex response at `f_hz`, level in front included.
    pub fn response(&self, f_hz: f64) -> Complex64 {
        let omega_rad = 2.0 * PI * f_hz / self.rate_hz;
        self.sections.iter().fold(
            Complex64::new(crate::units::db_to_amplitude(self.gain_db), 0.0),
            |product, section| product * section.response(omega_rad),
        )
    }

    /// Magnitude in dB at `f_hz`, level in front included.
    pub fn gain_at_db(&self, f_hz: f64) -> f64 {
        let omega_rad = 2.0 * PI * f_hz / self.rate_hz;
        self.gain_db
            + self
                .sections
                .iter()
                .map(|section| section.gain_db(omega_rad))
                .sum::<f64>()
    }

    /// Magnitude in dB at each of `freqs_hz`, level in front included. Frequencies at or above
    /// half the rate get the value just below it: the device passes nothing there, and the
    /// caller should not ask.
    pub fn gains_db(&self, freqs_hz: &[f64]) -> Vec<f64> {
        let limit_hz = 0.4999 * self.rate_hz;
        freqs_hz
            .iter()
            .map(|f| self.gain_at_db(f.min(limit_hz)))
            .collect()
    }

    /// Largest magnitude in dB over 0 Hz to half the rate, level in front included.
    ///
    /// Looked for on a dense grid that is logarithmic below (where narrow low peaks live) and
    /// linear above, then refined by golden section; exact to 1e-9 dB for peaks wider than a
    /// grid step.
    pub fn peak_db(&self) -> f64 {
        let nyquist_hz = 0.5 * self.rate_hz;
        let mut freqs_hz: Vec<f64> = vec![0.0];
        freqs_hz.extend((0..=2000).map(|i| 1.0 * (nyquist_hz).powf(f64::from(i) / 2000.0)));
        let levels_db: Vec<f64> = freqs_hz.iter().map(|f| self.gain_at_db(*f)).collect();
        let mut peak_db = f64::NEG_INFINITY;
        for i in 0..freqs_hz.len() {
            peak_db = peak_db.max(levels_db[i]);
            let rises = i > 0 && levels_db[i] >= levels_db[i - 1];
            let falls = i + 1 < freqs_hz.len() && levels_db[i] >= levels_db[i + 1];
            if rises && falls {
                peak_db = peak_db.max(self.refine_peak_db(freqs_hz[i - 1], freqs_hz[i + 1]));
            }
        }
        peak_db
    }

    fn refine_peak_db(&self, mut low_hz: f64, mut high_hz: f64) -> f64 {
        let golden = 0.5 * (5f64.sqrt() - 1.0);
        for _ in 0..60 {
            let left_hz = high_hz - golden * (high_hz - low_hz);
            let right_hz = low_hz + golden * (high_hz - low_hz);
            if self.gain_at_db(left_hz) > self.gain_at_db(right_hz) {
                high_hz = right_hz;
            } else {
                low_hz = left_hz;
            }
        }
        self.gain_at_db(0.5 * (low_hz + high_hz))
    }

    /// Runs `input` through the bank from rest.
    pub fn run(&self, input: &[f64]) -> Vec<f64> {
        let level = crate::units::db_to_amplitude(self.gain_db);
        let start: Vec<f64> = input.iter().map(|x| level * x).collect();
        self.sections
            .iter()
            .fold(start, |signal, section| section.run(&signal))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::filter::{Kind, Stage};

    #[test]
    fn the_peak_of_one_boost_is_its_gain() {
        for f0_hz in [23.0, 997.0, 18000.0] {
            let stage = Stage {
                kind: Kind::Peaking,
                f0_hz,
                gain_db: 7.3,
                q: 9.0,
            };
            let bank = Bank {
                rate_hz: 48000.0,
                gain_db: -1.0,
                sections: vec![stage.biquad(48000.0)],
            };
            assert!((bank.peak_db() - 6.3).abs() < 1e-6, "{f0_hz}");
        }
    }
}
