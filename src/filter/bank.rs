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
    /// Looked for on a dense grid that is logarithmic, where narrow low peaks live, then refined
    /// by golden section; exact to 1e-9 dB for peaks wider than a grid step.
    pub fn peak_db(&self) -> f64 {
        let freqs_hz = self.peak_grid_hz();
        let levels_db: Vec<f64> = freqs_hz.iter().map(|f| self.gain_at_db(*f)).collect();
        self.peak_behind_db(self.sections.len(), &freqs_hz, &levels_db)
    }

    /// Largest magnitude in dB that a sine of 0 dB reaches at any node: behind the level in front
    /// and behind each section, in their order.
    ///
    /// These are all the nodes of direct form 1, where each section keeps its past inputs and
    /// outputs and adds its five products in one accumulator that is wider than a sample: the
    /// accumulator's sum is the output, and no part of it is stored before. So a device in fixed
    /// point overflows nowhere when this is not above 0 dB.
    pub fn internal_peak_db(&self) -> f64 {
        let freqs_hz = self.peak_grid_hz();
        let mut levels_db = vec![self.gain_db; freqs_hz.len()];
        let mut peak_db = self.gain_db;
        for (i, section) in self.sections.iter().enumerate() {
            for (level_db, f_hz) in levels_db.iter_mut().zip(&freqs_hz) {
                *level_db += section.gain_db(2.0 * PI * f_hz / self.rate_hz);
            }
            peak_db = peak_db.max(self.peak_behind_db(i + 1, &freqs_hz, &levels_db));
        }
        peak_db
    }

    fn peak_grid_hz(&self) -> Vec<f64> {
        const STEPS: i32 = 2000;
        let nyquist_hz = 0.5 * self.rate_hz;
        let upward = (0..=STEPS).map(|i| nyquist_hz.powf(f64::from(i) / f64::from(STEPS)));
        std::iter::once(0.0).chain(upward).collect()
    }

    /// Largest magnitude behind the first `count` sections, whose magnitudes on the grid are
    /// `levels_db`.
    fn peak_behind_db(&self, count: usize, freqs_hz: &[f64], levels_db: &[f64]) -> f64 {
        /// A peak that is so much lower on the grid than the highest is lower between its points
        /// too: the grid's steps, 0.6 % of f, are a sixteenth of the bandwidth at Q 10, where a
        /// peak of 20 dB falls by 0.15 dB within half a step.
        const GRID_MAY_HIDE_DB: f64 = 0.5;
        let highest_db = levels_db.iter().copied().fold(f64::NEG_INFINITY, f64::max);
        let mut peak_db = highest_db;
        for i in 1..freqs_hz.len().saturating_sub(1) {
            let here_db = levels_db[i];
            if here_db >= highest_db - GRID_MAY_HIDE_DB
                && here_db >= levels_db[i - 1]
                && here_db >= levels_db[i + 1]
            {
                peak_db = peak_db.max(self.refine_peak_db(count, freqs_hz[i - 1], freqs_hz[i + 1]));
            }
        }
        peak_db
    }

    fn refine_peak_db(&self, count: usize, mut low_hz: f64, mut high_hz: f64) -> f64 {
        // The interval shrinks to a billionth; a peak is flat on a far wider stretch.
        const CUTS: usize = 43;
        let golden = 0.5 * (5f64.sqrt() - 1.0);
        let gain_db = |f_hz: f64| {
            let omega_rad = 2.0 * PI * f_hz / self.rate_hz;
            let sections = &self.sections[..count];
            self.gain_db + sections.iter().map(|s| s.gain_db(omega_rad)).sum::<f64>()
        };
        for _ in 0..CUTS {
            let left_hz = high_hz - golden * (high_hz - low_hz);
            let right_hz = low_hz + golden * (high_hz - low_hz);
            if gain_db(left_hz) > gain_db(right_hz) {
                high_hz = right_hz;
            } else {
                low_hz = left_hz;
            }
        }
        gain_db(0.5 * (low_hz + high_hz))
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
    #[test]
    fn a_boost_before_a_cut_peaks_inside_and_the_cut_first_does_not() {
        let stage = |gain_db| Stage {
            kind: Kind::Peaking,
            f0_hz: 1000.0,
            gain_db,
            q: 2.0,
        };
        let bank = |gains_db: [f64; 2]| Bank {
            rate_hz: 48000.0,
            gain_db: 0.0,
            sections: gains_db.map(|g| stage(g).biquad(48000.0)).to_vec(),
        };
        // A cookbook boost and cut of the same size cancel.
        assert!(bank([6.0, -6.0]).peak_db().abs() < 1e-9);
        assert!((bank([6.0, -6.0]).internal_peak_db() - 6.0).abs() < 1e-9);
        assert!(bank([-6.0, 6.0]).internal_peak_db().abs() < 1e-9);
    }
}
