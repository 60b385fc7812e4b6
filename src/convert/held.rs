//! Stages between two lists.

use crate::device::Number;
use crate::filter::{Bank, Biquad, Stage};

/// A stage on its way: parameters, the level its numerator carries besides them, and numbers.
#[derive(Debug, Clone, Copy)]
pub(super) struct Held {
    pub stage: Stage,
    pub section: Biquad,
}

/// The highest peak of a cascade, dB; in fixed point of what lies between its stages too.
pub(super) fn peak_db(bank: &Bank, number: Number) -> f64 {
    match number {
        Number::Fixed { .. } => bank.internal_peak_db(),
        _ => bank.peak_db(),
    }
}
