//! A filter list for another device: the same sound in another rate, number format, sign
//! convention, order of coefficients or set of knobs.
//!
//! Where rate and number format stay, the numbers stay to the bit. Otherwise the stages are
//! computed anew from their parameters, and a stage that the format does not hold is remedied
//! (`remedy.rs`). Where the device cannot be set to the stages at all, its own stages are fitted to
//! what the list does.

pub mod change;
pub mod difference;
pub mod obstacle;
mod held;
mod remedy;
mod arranged;
mod refit;

pub use change::{Change, Remedied, Remedy};
pub use difference::Difference;
pub use obstacle::Obstacle;

use crate::check::soundness::{Problem, soundness};
use crate::device::{
    Coefficient, Device, HIGHEST_F0_PER_RATE, LEVEL_STEP_DB, Setting, StageLimits,
};
use crate::error::{Error, Result};
use crate::filter::{Bank, Biquad, Kind, Stage};
use crate::filter_list::{self, FilterList};
use arranged::arranged;
use held::Held;

/// What the caller may choose.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct Options {
    /// Fit the device's stages to the list's response anew, even where its own stages could be had.
    pub refit: bool,
    /// How a stage is made to fit a number format that ends below it; the first that works when
    /// not given.
    pub remedy: Option<Remedy>,
    /// Go by the parameters where the numbers of the list say something else.
    pub by_parameters: bool,
}

/// How the new list came about.
#[derive(Debug, Clone, PartialEq)]
pub enum Way {
    /// The numbers are those of the list, to the bit.
    Kept,
    /// The numbers were computed anew from the parameters.
    Recomputed,
    /// Stages of the device were fitted to the list's response.
    Refitted {
        /// Why; empty when it was asked for.
        because: Vec<Obstacle>,
    },
}

impl Way {
    /// Short name, as in JSON.
    pub fn name(&self) -> &'static str {
        match self {
            Way::Kept => "kept",
            Way::Recomputed => "recomputed",
            Way::Refitted { .. } => "refitted",
        }
    }
}

/// A list for another device, with what became of it on the way.
#[derive(Debug, Clone, PartialEq)]
pub struct Converted {
    /// The new list.
    pub list: FilterList,
    /// Order in which the device takes the coefficients of a stage.
    pub word_order: [Coefficient; 5],
    /// Name of the device.
    pub device: String,
    /// How it came about.
    pub way: Way,
    /// What is not as it was, in the order of the stages.
    pub changes: Vec<Change>,
    /// The new response against the old one.
    pub difference: Difference,
}

/// `list` for `device`.
///
/// # Errors
/// When the numbers of the list contradict its parameters and have to be computed anew, the
/// device lacks a type that no other can stand in for, or its number format cannot hold a stage.
pub fn convert(list: &FilterList, device: &Device, options: &Options) -> Result<Converted> {
    let same_numbers = list.rate_hz == device.rate_hz && list.number == device.number;
    let obstacles = obstacle::of_settings(list, device);
    if obstacles.is_empty() && same_numbers && !options.refit {
        return finished(
            list,
            device,
            list.gain_db,
            kept(list),
            Vec::new(),
            Way::Kept,
        );
    }
    let scaled_db = scaled_levels(list, options)?;
    let gain_db = list.gain_db + scaled_db.iter().sum::<f64>();
    let mut because = obstacles;
    if because.is_empty() && !options.refit {
        match remedy::recomputed(list, device, gain_db, options.remedy)? {
            Ok(outcome) => {
                let (held, gain_db, mut changes) = outcome;
                let (held, gain_db) = arranged(held, gain_db, device, &mut changes);
                return finished(list, device, gain_db, held, changes, Way::Recomputed);
            }
            Err(unheld) => because = unheld,
        }
    }
    let (held, gain_db, mut changes) = refit::refitted(list, device)?;
    let (held, gain_db) = arranged(held, gain_db, device, &mut changes);
    finished(
        list,
        device,
        gain_db,
        held,
        changes,
        Way::Refitted { because },
    )
}

/// The device that a list was written for, as far as the list tells: its rate, number format,
/// sign and order, any settings, and room to split every stage.
pub fn own_device(list: &FilterList) -> Device {
    let range = |from: f64, to: f64| Setting::Range { from, to };
    let limits = Kind::ALL.map(|kind| StageLimits {
        kind,
        at_most: None,
        f0_hz: range(LOWEST_F0_HZ, HIGHEST_F0_PER_RATE * list.rate_hz),
        gain_db: range(-GAIN_LIMIT_DB, GAIN_LIMIT_DB),
        q: range(1.0 / Q_LIMIT, Q_LIMIT),
    });
    Device {
        name: "the list's own".into(),
        about: String::new(),
        rate_hz: list.rate_hz,
        number: list.number,
        feedback: list.feedback,
        word_order: filter_list::word_order(list),
        level_step_db: LEVEL_STEP_DB,
        stages: 2 * list.stages.len().max(1),
        limits: limits.to_vec(),
    }
}

/// Limits of a device about which nothing is known: beyond what any list of the trade asks for.
const LOWEST_F0_HZ: f64 = 0.1;
/// See [`LOWEST_F0_HZ`].
const GAIN_LIMIT_DB: f64 = 60.0;
/// See [`LOWEST_F0_HZ`].
const Q_LIMIT: f64 = 1000.0;

fn kept(list: &FilterList) -> Vec<Held> {
    let sections = list.bank().sections;
    list.stages
        .iter()
        .zip(sections)
        .map(|(listed, section)| Held {
            stage: listed.stage,
            section,
        })
        .collect()
}

/// The constant level that the numbers of each stage carry beyond its parameters, dB.
///
/// # Errors
/// When numbers and parameters say different things.
fn scaled_levels(list: &FilterList, options: &Options) -> Result<Vec<f64>> {
    let sound = soundness(list);
    let contradiction = sound.problems.iter().find_map(|problem| match problem {
        Problem::Unstable { stage, .. } => Some(format!("the numbers of stage {stage} are not stable")),
        Problem::Disagrees { stage, difference_db, at_hz, .. } => Some(format!(
            "numbers and parameters of stage {stage} differ by {difference_db:+.2} dB at {at_hz:.0} Hz"
        )),
        Problem::TooLittleGain { .. } => None,
    });
    match contradiction {
        Some(problem) if !options.by_parameters => Err(Error::call(format!(
            "the stages have to be computed anew from their parameters, but {problem}"
        ))
        .with_hint(
            "see planish check LIST; --by-parameters goes by f0, gain and Q and forgets the numbers",
        )),
        _ => Ok(sound.stages.iter().map(|stage| stage.scaled_db).collect()),
    }
}

fn finished(
    list: &FilterList,
    device: &Device,
    gain_db: f64,
    held: Vec<Held>,
    changes: Vec<Change>,
    way: Way,
) -> Result<Converted> {
    let stages: Vec<Stage> = held.iter().map(|h| h.stage).collect();
    let sections: Vec<Biquad> = held.iter().map(|h| h.section).collect();
    let converted = filter_list::of_device(&list.speaker, device, gain_db, &stages, &sections)?;
    let bank = Bank {
        rate_hz: device.rate_hz,
        gain_db,
        sections,
    };
    Ok(Converted {
        difference: Difference::between(&list.bank(), &bank),
        list: converted,
        word_order: device.word_order,
        device: device.name.clone(),
        way,
        changes,
    })
}
