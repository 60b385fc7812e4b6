//! What is audited, and what the user limits.

use crate::average::AveragedCurves;
use crate::curve::{Grid, Limits};
use crate::response::Response;
use crate::target::Target;

/// What is audited.
#[derive(Debug, Clone, Copy)]
pub struct Subject<'a> {
    /// All angles; `None` when only averaged curves are at hand.
    pub response: Option<&'a Response>,
    /// The averaged curves.
    pub curves: &'a AveragedCurves,
    /// The wanted curve.
    pub target: &'a Target,
    /// The range in which the measurement is to be trusted.
    pub trusted: Limits,
    /// Near-field trace of a port or passive unit: its frequencies and levels in dB, any level.
    pub second_source: Option<(&'a Grid, &'a [f64])>,
}

/// What the user limits.
#[derive(Debug, Clone, PartialEq)]
pub struct Options {
    /// Nothing is corrected below, Hz.
    pub from_hz: Option<f64>,
    /// Nothing is corrected above, Hz; [`CORRECTED_TO_HZ`] when not given.
    pub to_hz: Option<f64>,
    /// Largest boost of the wish, dB.
    pub boost_at_most_db: f64,
}

/// Nothing is corrected above unless told otherwise, Hz: there a tweeter's own roll-off begins,
/// few microphones are true, and few listeners hear. The upper limit of the published preference
/// model too (Olive 2004, from memory).
pub const CORRECTED_TO_HZ: f64 = 16_000.0;

/// Largest boost unless told otherwise, dB: a boost of 5 dB takes three times the power. Our own
/// judgement.
pub const BOOST_AT_MOST_DB: f64 = 5.0;

impl Default for Options {
    fn default() -> Self {
        Options {
            from_hz: None,
            to_hz: None,
            boost_at_most_db: BOOST_AT_MOST_DB,
        }
    }
}
