//! Taking a deviation apart into bumps and dips, so that overlapping faults are judged one by
//! one.

use super::frame::Frame;
use crate::device::{Coefficient, Device, Feedback, Number, Setting, StageLimits};
use crate::error::Result;
use crate::filter::Kind;
use crate::fit::{self, Wanted};
use std::f64::consts::LN_2;

/// One bump (size above 0) or dip of the listening window against its target.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Component {
    pub kind: Kind,
    pub f0_hz: f64,
    pub size_db: f64,
    pub q: f64,
}

impl Component {
    /// Level in dB of the component's shape at each frequency.
    pub fn shape_db(&self, freqs_hz: &[f64]) -> Vec<f64> {
        freqs_hz.iter().map(|f| self.level_db(*f)).collect()
    }

    /// Analog prototype of the cookbook's peaking and shelf stages, magnitude in dB.
    fn level_db(&self, f_hz: f64) -> f64 {
        let a = 10f64.powf(self.size_db / 40.0);
        let x = f_hz / self.f0_hz;
        let (x2, q2) = (x * x, self.q * self.q);
        let power = match self.kind {
            Kind::LowShelf => {
                a * a * ((a - x2).powi(2) + a * x2 / q2) / ((1.0 - a * x2).powi(2) + a * x2 / q2)
            }
            Kind::HighShelf => {
                a * a * ((1.0 - a * x2).powi(2) + a * x2 / q2) / ((a - x2).powi(2) + a * x2 / q2)
            }
            _ => {
                let skew = (1.0 - x2).powi(2);
                (skew + x2 * a * a / q2) / (skew + x2 / (a * a * q2))
            }
        };
        10.0 * power.log10()
    }

    /// Width at half gain in octaves. Source: Audio EQ Cookbook,
    /// `1/Q = 2 sinh(ln2/2 BW)`; for a shelf the width of its transition by the same formula.
    pub fn width_oct(&self) -> f64 {
        2.0 / LN_2 * (0.5 / self.q).asinh()
    }
}

/// Narrowest and broadest component looked for, as Q. Below 0.4 a component is a tilt of the
/// whole range; above 16 (a tenth of an octave) it is a detail that is not heard as such.
const Q_RANGE: (f64, f64) = (0.4, 16.0);

/// Most components a deviation is taken apart into.
const MOST: usize = 14;

/// The listening window's deviation within the judged band as a sum of components.
pub(super) fn decompose(frame: &Frame, deviation_db: &[f64]) -> Result<Vec<Component>> {
    let band = frame.judged.clone();
    let freqs_hz = &frame.grid.freqs_hz()[band.clone()];
    let (from_hz, to_hz) = (freqs_hz[0], freqs_hz[freqs_hz.len() - 1]);
    let limits = |kind: Kind, q: (f64, f64)| StageLimits {
        kind,
        at_most: (kind != Kind::Peaking).then_some(1),
        f0_hz: Setting::Range {
            from: from_hz,
            to: to_hz,
        },
        gain_db: Setting::Range {
            from: -30.0,
            to: 15.0,
        },
        q: Setting::Range { from: q.0, to: q.1 },
    };
    // So high a rate that the digital shapes are the analog ones.
    let microscope = Device {
        name: "audit".into(),
        about: String::new(),
        rate_hz: 1.0e6,
        number: Number::F64,
        feedback: Feedback::Subtracted,
        word_order: Coefficient::USUAL_ORDER,
        stages: MOST,
        limits: vec![
            limits(Kind::Peaking, Q_RANGE),
            limits(Kind::LowShelf, (0.4, 1.0)),
            limits(Kind::HighShelf, (0.4, 1.0)),
        ],
    };
    let fitted = fit::fit(
        &Wanted {
            freqs_hz,
            gain_db: &deviation_db[band.clone()],
            weights: &frame.weights[band],
        },
        &microscope,
        &fit::Options::default(),
    )?;
    Ok(fitted
        .stages
        .into_iter()
        .map(|stage| Component {
            kind: stage.kind,
            f0_hz: stage.f0_hz,
            size_db: stage.gain_db,
            q: stage.q,
        })
        .collect())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::filter::Stage;

    #[test]
    fn shapes_are_those_of_the_cookbook_stages_at_a_very_high_rate() {
        for kind in [Kind::Peaking, Kind::LowShelf, Kind::HighShelf] {
            for size_db in [-7.0, 4.0] {
                let component = Component {
                    kind,
                    f0_hz: 900.0,
                    size_db,
                    q: 0.8,
                };
                let section = Stage {
                    kind,
                    f0_hz: 900.0,
                    gain_db: size_db,
                    q: 0.8,
                }
                .biquad(4.0e6);
                for f_hz in [50.0, 600.0, 900.0, 1500.0, 9000.0] {
                    let digital_db = section.gain_db(2.0 * std::f64::consts::PI * f_hz / 4.0e6);
                    let shape_db = component.shape_db(&[f_hz])[0];
                    assert!((digital_db - shape_db).abs() < 1e-3, "{kind} {f_hz}");
                }
            }
        }
    }
}
