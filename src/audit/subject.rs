//! What is audited, and what the user limits.

use super::resolution;
use crate::average::AveragedCurves;
use crate::curve::{Grid, Limits};
use crate::response::{Member, Orbit, Response};
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

/// What a judgement rests on.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Basis {
    /// Whether there are angles, and not averaged curves alone.
    pub angles: bool,
    /// Whether the vertical orbit was measured.
    pub vertical: bool,
    /// Whether the axis has phase.
    pub phase: bool,
    /// Whether a port or passive unit was traced.
    pub second_source: bool,
    /// Largest step between neighbouring horizontal angles, degrees; `None` without any.
    pub step_deg: Option<f64>,
    /// Points per octave that tell something: fewer than there are where the others were interpolated.
    pub points_per_octave: f64,
    /// Whether there are such others.
    pub is_interpolated: bool,
}

impl Basis {
    /// What `subject` gives to judge by.
    pub fn of(subject: &Subject) -> Basis {
        let members = subject.response.map_or(&[][..], Response::members);
        let on_axis = |m: &&Member| m.direction.off_axis_deg() < 1.0;
        let mut angles_deg: Vec<f64> = (members.iter())
            .filter(|m| m.direction.orbit() == Orbit::Horizontal)
            .map(|m| m.direction.angle_deg())
            .collect();
        angles_deg.sort_by(f64::total_cmp);
        let named = subject.curves.named();
        let averaged = named.iter().filter_map(|(_, average)| average.as_ref());
        let curves: Vec<&[f64]> = match members {
            [] => averaged.map(|a| a.levels_db.as_slice()).collect(),
            members => members.iter().map(|m| m.levels_db.as_slice()).collect(),
        };
        let grid = subject
            .response
            .map_or(&subject.curves.grid, Response::grid);
        let points_per_octave = resolution::points_per_octave(grid, &curves);
        let steps_deg = angles_deg.windows(2).map(|pair| pair[1] - pair[0]);
        Basis {
            angles: subject.response.is_some(),
            vertical: subject
                .response
                .is_some_and(|r| r.has_orbit(Orbit::Vertical)),
            phase: members
                .iter()
                .filter(on_axis)
                .any(|m| m.phase_deg.is_some()),
            second_source: subject.second_source.is_some(),
            step_deg: steps_deg.reduce(f64::max),
            points_per_octave,
            is_interpolated: points_per_octave < grid.points_per_octave(),
        }
    }
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
