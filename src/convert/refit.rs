//! The device's own stages fitted to what a list does.

use super::change::Change;
use super::difference::Difference;
use super::held::Held;
use super::remedy::Outcome;
use crate::curve::Grid;
use crate::device::Device;
use crate::error::{Error, Result};
use crate::filter::{Bank, Stage};
use crate::filter_list::FilterList;
use crate::fit::{self, Wanted, fit};
use crate::predict;
use crate::units::erb_numbers_per_octave;

/// Fitted from here, Hz: where hearing begins.
const FROM_HZ: f64 = 20.0;
/// Fitted to here, Hz: where hearing ends...
const TO_HZ: f64 = 20_000.0;
/// ...and no higher than this share of a rate, where converters' filters begin (common practice).
const TO_PER_RATE: f64 = 0.45;
/// Resolves a stage of Q 10 with several points.
const POINTS_PER_OCTAVE: f64 = 24.0;

/// Stages of `device` that come nearest to what the numbers of `list` do, and as loud. Stages of
/// types without a gain stay as they are.
///
/// # Errors
/// When the device lacks such a type, or its numbers hold no such stages.
pub(super) fn refitted(list: &FilterList, device: &Device) -> Result<Outcome> {
    let kept = without_gain(list, device)?;
    let to_hz = TO_HZ.min(TO_PER_RATE * list.rate_hz.min(device.rate_hz));
    let grid = Grid::logarithmic(FROM_HZ, to_hz, POINTS_PER_OCTAVE);
    let old = Bank {
        gain_db: 0.0,
        ..list.bank()
    };
    let kept_sections = predict::sections(&kept, device)?;
    let kept_bank = Bank {
        rate_hz: device.rate_hz,
        gain_db: 0.0,
        sections: kept_sections.clone(),
    };
    let wanted_db: Vec<f64> = grid
        .freqs_hz()
        .iter()
        .map(|f| (old.gain_at_db(*f) - kept_bank.gain_at_db(*f)).clamp(-WANTED_DB, WANTED_DB))
        .collect();
    let weights: Vec<f64> = grid
        .freqs_hz()
        .iter()
        .zip(grid.cells_oct())
        .map(|(f, cell_oct)| cell_oct * erb_numbers_per_octave(*f))
        .collect();
    let wanted = Wanted {
        freqs_hz: grid.freqs_hz(),
        gain_db: &wanted_db,
        weights: &weights,
    };
    let options = fit::Options {
        stages: Some(device.stages - kept.len()),
        ..fit::Options::default()
    };
    let fitted = fit(&wanted, device, &options)?;
    let sections = predict::sections(&fitted.stages, device)?;
    let changes = fitted.unheld.into_iter().map(Change::Unheld).collect();
    let held: Vec<Held> = kept
        .into_iter()
        .zip(kept_sections)
        .chain(fitted.stages.into_iter().zip(sections))
        .map(|(stage, section)| Held { stage, section })
        .collect();
    let new = Bank {
        rate_hz: device.rate_hz,
        gain_db: 0.0,
        sections: held.iter().map(|h| h.section).collect(),
    };
    // As loud as the list: what the new sections lack, the level in front makes up for.
    let behind_db = Difference::between(&list.bank(), &new).level_db;
    Ok((held, tenths(-behind_db), changes))
}

/// No list wants more than this of a stage, dB; a notch asks for any depth.
const WANTED_DB: f64 = 120.0;

/// Stages of types without a gain, which no fit can make up for.
fn without_gain(list: &FilterList, device: &Device) -> Result<Vec<Stage>> {
    let kept: Vec<Stage> = list
        .stages
        .iter()
        .map(|listed| listed.stage)
        .filter(|stage| !stage.kind.has_gain())
        .collect();
    for (number, listed) in (1..).zip(&list.stages) {
        let kind = listed.stage.kind;
        if !kind.has_gain() && device.limits_of(kind).is_none() {
            return Err(Error::call(format!(
                "stage {number} is a {kind} at {:.1} Hz, which {} does not have and no other type replaces",
                listed.stage.f0_hz, device.name
            ))
            .with_hint(
                "choose another device; if the stage protects a driver, do not run the list without it",
            ));
        }
    }
    if kept.len() > device.stages {
        return Err(Error::call(format!(
            "{} of the stages cannot be replaced, but {} has {} stages",
            kept.len(),
            device.name,
            device.stages
        )));
    }
    Ok(kept)
}

/// Levels are set in tenths.
fn tenths(level_db: f64) -> f64 {
    (level_db * 10.0).round() / 10.0 + 0.0
}
