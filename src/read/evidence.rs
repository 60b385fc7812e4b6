//! Evidence beside the responses: what drivers and amplifier can stand.

use super::document::Section;
use super::opened::{Folder, Leads};
use super::shape::{Column, LEVEL, PHASE, Shape};
use super::table::Table;
pub use crate::budget::{Compression, Distortion, Impedance};
use crate::error::Result;
use std::path::PathBuf;

/// Near-field trace of a port or a passive unit.
#[derive(Debug, Clone, PartialEq)]
pub struct SecondSource {
    /// Ascending.
    pub freqs_hz: Vec<f64>,
    /// Level in dB, relative.
    pub level_db: Vec<f64>,
}

/// Evidence as far as it was given.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Evidence {
    /// Impedance.
    pub impedance: Option<Impedance>,
    /// Distortion.
    pub distortion: Option<Distortion>,
    /// Compression.
    pub compression: Option<Compression>,
    /// Second source.
    pub second_source: Option<SecondSource>,
    /// The other unit of the pair: a speaker folder inside this one, relative to it.
    pub second_unit: Option<PathBuf>,
}

const OHM: Column = Column {
    what: "an impedance in ohm",
    from: f64::MIN_POSITIVE,
    to: 1e6,
    range: "an impedance above 0 and at most 1e6 ohm",
};
const PERCENT: Column = Column {
    what: "a distortion in per cent",
    from: 0.0,
    to: 1000.0,
    range: "a distortion between 0 and 1000 per cent",
};
const LOSS: Column = Column {
    what: "a loss in dB",
    ..LEVEL
};

const fn shape(columns: &'static [Column], least: usize, keys: usize) -> Shape {
    Shape {
        columns,
        width: (least, columns.len() + 1),
        named: false,
        keys,
    }
}

/// Reads what `[evidence]` names.
pub(super) fn read(folder: &mut Folder, section: Option<Section>) -> Result<Evidence> {
    let Some(section) = section else {
        return Ok(Evidence::default());
    };
    section.only(&[
        "impedance",
        "distortion",
        "compression",
        "second_source",
        "second_unit",
    ])?;
    let mut table = |key: &str, shape: &Shape| -> Result<Option<Table>> {
        match section.text(key)? {
            Some(path) => folder.table(&section, &path, shape).map(Some),
            None => Ok(None),
        }
    };
    let impedance = table("impedance", &shape(&[OHM, PHASE], 2, 1))?.map(|t| {
        let mut columns = t.columns.into_iter();
        Impedance {
            freqs_hz: t.freqs_hz,
            ohm: columns.next().unwrap_or_default(),
            phase_deg: columns.next(),
        }
    });
    let distortion = table("distortion", &shape(&[LEVEL, PERCENT], 3, 2))?.map(|t| {
        let mut columns = t.columns.into_iter();
        Distortion {
            freqs_hz: t.freqs_hz,
            level_db: columns.next().unwrap_or_default(),
            thd_percent: columns.next().unwrap_or_default(),
        }
    });
    let compression = table("compression", &shape(&[LEVEL, LOSS], 3, 2))?.map(|t| {
        let mut columns = t.columns.into_iter();
        Compression {
            freqs_hz: t.freqs_hz,
            level_db: columns.next().unwrap_or_default(),
            loss_db: columns.next().unwrap_or_default(),
        }
    });
    let second_source = table("second_source", &shape(&[LEVEL], 2, 1))?.map(|t| SecondSource {
        freqs_hz: t.freqs_hz,
        level_db: t.columns.into_iter().next().unwrap_or_default(),
    });
    let second_unit = match section.text("second_unit")? {
        Some(path) => Some(folder.resolve(&section, &path, Leads::ToFolder)?),
        None => None,
    };
    Ok(Evidence {
        impedance,
        distortion,
        compression,
        second_source,
        second_unit,
    })
}
