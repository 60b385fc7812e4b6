//! `planish check`: a list on its own, against a measurement, or a speaker measured again.

use super::speaker::Speaker;
use crate::average::RearWall;
use crate::check::after::{After, after};
use crate::check::{Comparison, Soundness, compare, soundness};
use crate::error::{Error, Result};
use crate::filter_list::FilterList;
use crate::read;
use std::path::Path;

/// A list examined.
#[derive(Debug)]
pub struct Checked {
    /// The list.
    pub list: FilterList,
    /// What is true of it alone.
    pub sound: Soundness,
    /// What a measurement says, where there is one.
    pub compared: Option<Comparison>,
}

impl Checked {
    /// Whether the answer is yes: with a measurement that it matches, without one that the list
    /// is sound.
    pub fn is_yes(&self) -> bool {
        self.compared
            .as_ref()
            .map_or(self.sound.is_sound(), |compared| compared.matches)
    }
}

/// Examines the list in a file, and compares it with a measurement of the device, `absolute` if
/// the level counts.
///
/// # Errors
/// When a file cannot be read or understood, or too little was measured.
pub fn check(list: &Path, measured: Option<&Path>, absolute: bool) -> Result<Checked> {
    let list = read::filter_list::read(list)?;
    let compared = match measured {
        None => None,
        Some(file) => Some(compare(&list, &read::loopback::read(file)?, absolute)?),
    };
    Ok(Checked {
        sound: soundness(&list),
        list,
        compared,
    })
}

/// Judged from here, Hz, when neither plan nor speaker says another limit.
const FROM_HZ: f64 = 20.0;
/// Judged to here, Hz: what plans correct at most.
const TO_HZ: f64 = 16_000.0;

/// Compares the curves that the plan in `plan` (its folder, or its `curves.csv`) promised with
/// those of the speaker measured again through the filters; its name comes along.
///
/// # Errors
/// When either cannot be read, or they have too little in common.
pub fn check_after(plan: &Path, speaker: &Path, rear_wall: RearWall) -> Result<(String, After)> {
    let promised = read::plan_curves::read(plan)?;
    let speaker = Speaker::read(speaker, rear_wall)?;
    let (from_hz, to_hz) = promised.judged_hz.unwrap_or((FROM_HZ, TO_HZ));
    let from_hz = from_hz.max(speaker.folder.trusted_from_hz.unwrap_or(0.0));
    let to_hz = to_hz.min(speaker.folder.trusted_to_hz.unwrap_or(f64::INFINITY));
    let after = after(&promised.curves, &speaker.curves, from_hz, to_hz).ok_or_else(|| {
        Error::call("plan and new measurement have less than an octave of any curve in common")
            .with_hint("measure the same angles as before, over the band that the plan judged")
    })?;
    Ok((speaker.folder.name, after))
}
