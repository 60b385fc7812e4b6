//! A wanted EQ curve: frequency, gain in dB and, if given, a weight.

use super::disk::DiskFolder;
use super::input::Input;
use super::shape::{Column, Shape};
use super::table::Table;
use crate::error::Result;
use std::path::Path;

/// A wanted EQ curve; all lists of one length, at least eight.
#[derive(Debug, Clone, PartialEq)]
pub struct WantedCurve {
    /// Strictly ascending, above 0.
    pub freqs_hz: Vec<f64>,
    /// What the filters should add.
    pub gain_db: Vec<f64>,
    /// Relative weight of each row, 0 or above, one at least above 0; all 1 when none were
    /// given.
    pub weights: Vec<f64>,
}

const GAIN: Column = Column {
    what: "a gain in dB",
    from: -200.0,
    to: 200.0,
    range: "a gain between -200 and 200 dB",
};
const WEIGHT: Column = Column {
    what: "a weight",
    from: 0.0,
    to: 1e9,
    range: "a weight between 0 and 1e9",
};
const SHAPE: Shape = Shape {
    columns: &[GAIN, WEIGHT],
    width: (2, 3),
    named: false,
    keys: 1,
};

/// Reads a wanted curve from the disk; see [`table`](super::table) for what a table may look like.
///
/// # Errors
/// When the file cannot be read or is no such table, or when all weights are 0.
pub fn read(file: &Path) -> Result<WantedCurve> {
    read_from(&DiskFolder::here(), file)
}

/// [`read`] from the file `name` of `input`.
///
/// # Errors
/// As [`read`].
pub fn read_from(input: &dyn Input, name: &Path) -> Result<WantedCurve> {
    let table = Table::read(input, name, &SHAPE)?;
    let count = table.freqs_hz.len();
    if let Some(weights) = table.columns.get(1)
        && weights.iter().all(|weight| *weight == 0.0)
    {
        return Err(table.wrong_end(
            "only weights of 0 up to here",
            "at least one weight above 0",
        ));
    }
    let mut columns = table.columns.into_iter();
    let gain_db = columns.next().unwrap_or_default();
    let weights = columns.next().unwrap_or_else(|| vec![1.0; count]);
    Ok(WantedCurve {
        freqs_hz: table.freqs_hz,
        gain_db,
        weights,
    })
}
