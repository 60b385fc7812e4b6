//! Plans side by side: every speaker for every target on every device.

use super::options::PlanOptions;
use super::planned::plan;
use super::speaker::Speaker;
use crate::average::RearWall;
use crate::error::{Error, Result};
use crate::predict::Plan;
use crate::predict::summary::{Entry, Summary};
use crate::report::many::MOST_PLANS;
use std::path::PathBuf;

/// What is compared; names as typed, the default where there is `None`.
#[derive(Debug, Clone)]
pub struct Sides<'a> {
    /// Folders of the speakers.
    pub speakers: &'a [PathBuf],
    /// Targets, one at least.
    pub targets: &'a [Option<String>],
    /// Devices, one at least.
    pub devices: &'a [Option<String>],
    /// How the rear wall enters the early reflections.
    pub rear_wall: RearWall,
    /// Everything else.
    pub options: &'a PlanOptions,
}

/// Plans each and hands back the plans with their rows. `heard` is called for each speaker as it was
/// read.
///
/// # Errors
/// When there are fewer than two plans or more than [`MOST_PLANS`], or as [`plan`].
pub fn compare(sides: &Sides, heard: &mut dyn FnMut(&Speaker)) -> Result<(Vec<Plan>, Vec<Entry>)> {
    let count = sides.speakers.len() * sides.devices.len() * sides.targets.len();
    if !(2..=MOST_PLANS).contains(&count) {
        let range = format!("between 2 and {MOST_PLANS}");
        return Err(Error::range(
            "the number of plans",
            count.to_string(),
            range,
        ));
    }
    let (mut plans, mut entries) = (Vec::with_capacity(count), Vec::with_capacity(count));
    for path in sides.speakers {
        let speaker = Speaker::read(path, sides.rear_wall)?;
        heard(&speaker);
        for target in sides.targets {
            for device in sides.devices {
                let options = PlanOptions {
                    device: device.clone(),
                    target: target.clone(),
                    ..sides.options.clone()
                };
                let plan = plan(&speaker, &options)?;
                entries.push(Entry {
                    folder: path.clone(),
                    outcome: Ok(Summary::of(&plan)),
                });
                plans.push(plan);
            }
        }
    }
    Ok((plans, entries))
}
