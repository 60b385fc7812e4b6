//! Filter lists beside that of the speaker.

use crate::error::Result;
use crate::filter::Stage;
use crate::filter_list::{FilterList, of_device};
use crate::predict::{Plan, sections};

/// The list for the subwoofer: the other half of a plan's crossover, with the same gain in front,
/// so that both keep their balance, and the room's cuts below it. `None` without a crossover or
/// where the device cannot hold it.
///
/// # Errors
/// When the device's numbers cannot hold it.
pub(super) fn subwoofer_list(plan: &Plan) -> Result<Option<FilterList>> {
    let Some(taken) = &plan.crossover else {
        return Ok(None);
    };
    let lowpass = &taken.crossover.lowpass;
    if lowpass.is_empty() {
        return Ok(None);
    }
    let room = taken.room.iter().flat_map(|room| &room.stages);
    let stages: Vec<Stage> = lowpass.iter().chain(room).copied().collect();
    let held = sections(&stages, &plan.device)?;
    let name = format!("{}, subwoofer", plan.speaker);
    let gain_db = plan.prediction.bank.gain_db;
    of_device(&name, &plan.device, gain_db, &stages, &held).map(Some)
}
