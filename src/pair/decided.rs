//! What a plan does for each unit of a pair.

use super::Common;
use super::matched::Matched;
use crate::audit::Audit;
use crate::curve::resample_db;
use crate::filter::Bank;

/// What a plan says of a pair.
#[derive(Debug, Clone, PartialEq)]
pub struct Decided {
    /// Name of the second unit.
    pub second: String,
    /// How well the units match.
    pub matched: Matched,
    /// Deviation of each unit's listening window from the target.
    pub deviations: [Deviation; 2],
    /// What of the units was compared.
    pub common: Common,
}

/// Deviation of a unit's listening window from the target, level free, dB rms as the audit weighs
/// frequencies.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Deviation {
    /// As measured.
    pub before_db: f64,
    /// With the list for both.
    pub shared_db: f64,
    /// With the unit's own list, where there is one.
    pub own_db: Option<f64>,
}

impl Decided {
    /// `audit` is that of what both share, `shared` the filters for both, `own` those of each
    /// unit, where each has its own.
    pub fn new(
        second: String,
        matched: Matched,
        audit: &Audit,
        shared: &Bank,
        own: Option<[&Bank; 2]>,
        common: Common,
    ) -> Decided {
        let weights = &audit.deviations.weights;
        let freqs_hz = audit.grid.freqs_hz();
        let rms_db = |window: &[f64], bank: Option<&Bank>| {
            let gains = match bank {
                Some(bank) => bank.gains_db(freqs_hz),
                None => vec![0.0; freqs_hz.len()],
            };
            let after: Vec<f64> = window.iter().zip(&gains).map(|(w, g)| w + g).collect();
            let mean: f64 = after.iter().zip(weights).map(|(a, w)| a * w).sum();
            let squares = after
                .iter()
                .zip(weights)
                .map(|(a, w)| w * (a - mean).powi(2));
            squares.sum::<f64>().sqrt()
        };
        let deviations = [0, 1].map(|unit| {
            let window = resample_db(&matched.grid, &matched.deviations_db[unit], &audit.grid);
            let window: Vec<f64> = window.into_iter().map(|l| l.unwrap_or(0.0)).collect();
            Deviation {
                before_db: rms_db(&window, None),
                shared_db: rms_db(&window, Some(shared)),
                own_db: own.map(|own| rms_db(&window, Some(own[unit]))),
            }
        });
        Decided {
            second,
            matched,
            deviations,
            common,
        }
    }
}
