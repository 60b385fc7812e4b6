//! What a plan promised: the curves with the filters, from the files the plan wrote.

use super::disk::DiskFolder;
use super::input::{Input, bytes_of, is_file, is_folder};
use super::shape::{Column, LEVEL, Shape};
use super::source::MOST_BYTES;
use super::table::Table;
use super::text::shown;
use crate::average::AveragedCurves;
use crate::error::{Error, Result};
use std::path::Path;

/// What a plan promised.
#[derive(Debug, Clone, PartialEq)]
pub struct PromisedCurves {
    /// The averaged curves with the filters.
    pub curves: AveragedCurves,
    /// The band the plan judged, Hz, where the folder says so.
    pub judged_hz: Option<(f64, f64)>,
}

const COLUMNS: &[Column] = &[LEVEL];

/// `freq_hz`, seven curves and the same seven with the plan.
const SHAPE: Shape = Shape {
    columns: COLUMNS,
    width: (2, 15),
    named: true,
    keys: 1,
};

/// What the names of curves with the plan end in.
const SUFFIX: &str = "_after";

/// Reads the folder of a plan on the disk, or its `curves.csv`.
///
/// # Errors
/// When there is no such table, or it holds no curve with the plan.
pub fn read(plan: &Path) -> Result<PromisedCurves> {
    read_from(&DiskFolder::here(), plan)
}

/// [`read`] from the folder or file `plan` of `input`.
///
/// # Errors
/// As [`read`].
pub fn read_from(input: &dyn Input, plan: &Path) -> Result<PromisedCurves> {
    let (table, judged_hz) = if is_folder(input, plan) {
        let judged_hz = judged_band(input, &plan.join("plan.json"))?;
        (plan.join("curves.csv"), judged_hz)
    } else {
        (plan.to_path_buf(), None)
    };
    let table = Table::read(input, &table, &SHAPE)?;
    let grid = table.grid()?;
    let known = AveragedCurves::from_table(grid.clone(), Default::default())
        .named()
        .map(|(n, _)| n);
    let mut curves: [Option<Vec<f64>>; 7] = Default::default();
    for (name, column) in table.names().iter().zip(&table.columns) {
        let plain = name.text.strip_suffix(SUFFIX).unwrap_or(&name.text);
        let Some(at) = known.iter().position(|k| *k == plain) else {
            let expected = format!("one of {}, or the same with {SUFFIX}", known.join(", "));
            return Err(table.wrong_name(name, shown(&name.text), &expected));
        };
        if plain != name.text {
            curves[at] = Some(column.clone());
        }
    }
    if curves.iter().all(Option::is_none) {
        return Err(table.wrong_header(
            format!("no column that ends in {SUFFIX}"),
            "the curves.csv of a plan",
        ));
    }
    Ok(PromisedCurves {
        curves: AveragedCurves::from_table(grid, curves),
        judged_hz,
    })
}

/// The band that `plan.json` says was judged; `None` where the file is not there.
fn judged_band(input: &dyn Input, file: &Path) -> Result<Option<(f64, f64)>> {
    if !is_file(input, file) {
        return Ok(None);
    }
    let bytes = bytes_of(input, file, MOST_BYTES, "a text file")?;
    // Only these two are kept: a document as a whole may take twenty times its size in memory.
    #[derive(serde::Deserialize)]
    struct Judged {
        judged_from_hz: Option<f64>,
        judged_to_hz: Option<f64>,
    }
    let judged: Judged = serde_json::from_slice(&bytes).map_err(|error| {
        Error::at(
            &input.shown(file),
            error.line(),
            error.column().max(1),
            "what is no JSON of a plan",
            "the plan.json of a plan",
        )
    })?;
    Ok(judged.judged_from_hz.zip(judged.judged_to_hz))
}
