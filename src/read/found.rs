//! A measurement that was read, with what its form says of how it was made.

use super::orbits::{self, Piece};
use super::understood::{Note, ReadAs};
use crate::average::AveragedCurves;
use crate::curve::Grid;
use crate::error::Result;
use crate::response::{Direction, Response};

/// What was measured.
#[derive(Debug, Clone, PartialEq)]
pub enum Measured {
    /// Levels by direction.
    Angles(Response),
    /// Averaged curves only.
    Curves(Box<AveragedCurves>),
}

impl Measured {
    /// The frequencies.
    pub(super) fn grid(&self) -> &Grid {
        match self {
            Measured::Angles(response) => response.grid(),
            Measured::Curves(curves) => &curves.grid,
        }
    }
}

/// A measurement, with what its form says of how it was made.
pub(super) struct Found {
    /// In which form it came.
    pub form: ReadAs,
    pub measured: Measured,
    /// Directions that were not measured but stand between measured ones.
    pub between: Vec<Direction>,
    /// Distance in m.
    pub distance_m: Option<f64>,
    /// Lowest trusted frequency, Hz.
    pub trusted_from_hz: Option<f64>,
}

impl Found {
    /// Averaged curves.
    pub fn curves(curves: AveragedCurves) -> Found {
        Found::new(
            ReadAs::AveragedCurves,
            Measured::Curves(Box::new(curves)),
            Vec::new(),
        )
    }

    /// The directions of all pieces, see [`orbits::join`].
    pub fn joined(form: ReadAs, pieces: Vec<Piece>, notes: &mut Vec<Note>) -> Result<Found> {
        let joined = orbits::join(pieces, notes)?;
        let measured = Measured::Angles(joined.response);
        Ok(Found::new(form, measured, joined.between))
    }

    fn new(form: ReadAs, measured: Measured, between: Vec<Direction>) -> Found {
        Found {
            form,
            measured,
            between,
            distance_m: None,
            trusted_from_hz: None,
        }
    }
}
