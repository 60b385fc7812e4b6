//! One speaker planned for several aims.

use super::options::{PlanOptions, device_and_target};
use super::planned::plan_for;
use super::speaker::Speaker;
use crate::average::RearWall;
use crate::device::Device;
use crate::error::{Error, Result};
use crate::predict::Plan;
use crate::predict::aims::Aims;
use crate::response::{Orbit, Response};
use crate::target::Target;
use rayon::prelude::*;
use std::path::Path;

/// The aims that are compared, degrees. Source: the horizontal listening window of
/// ANSI/CTA-2034-A ends at 30 degrees; one step more shows where a trend goes.
const AIMS_DEG: [f64; 5] = [0.0, 10.0, 20.0, 30.0, 40.0];

/// When the two sides differ by more, both are looked at: level of the horizontal angles between
/// 10 and 40 degrees, dB rms. More than a careful measurement of an even speaker leaves; our own
/// judgement.
const SIDES_DIFFER_DB: f64 = 1.0;

/// Reads the speaker in a folder and compares its aims; its name comes along. `heard` is called as
/// soon as it was read.
///
/// # Errors
/// When it cannot be read, a name is not known, or as [`compare`].
pub fn compared(
    speaker: &Path,
    rear_wall: RearWall,
    options: &PlanOptions,
    heard: &mut dyn FnMut(&Speaker),
) -> Result<(String, Aims)> {
    let speaker = Speaker::read(speaker, rear_wall)?;
    heard(&speaker);
    let (device, target) = device_and_target(options)?;
    let aims = compare(&speaker, &device, &target, options)?;
    Ok((speaker.folder.name, aims))
}

/// Plans `speaker` for each aim and compares.
///
/// # Errors
/// When only averaged curves are at hand, or no plan can be made for the speaker's own axis.
pub fn compare(
    speaker: &Speaker,
    device: &Device,
    target: &Target,
    options: &PlanOptions,
) -> Result<Aims> {
    let response = speaker.measured_response().ok_or_else(|| {
        Error::call("averaged curves do not show what is heard from the side")
            .with_hint("--aims needs the horizontal angles")
    })?;
    let mut aims_deg = AIMS_DEG.to_vec();
    if sides_differ(response) {
        aims_deg.extend(AIMS_DEG.iter().filter(|a| **a > 0.0).map(|a| -a));
        aims_deg.sort_by(f64::total_cmp);
    }
    let (mut shown, mut not_measured_deg) = (Vec::new(), Vec::new());
    for aim_deg in aims_deg {
        match speaker.aimed(aim_deg) {
            Ok(aimed) if aimed.aim.as_ref().is_none_or(|a| a.missing_deg.is_empty()) => {
                shown.push((aim_deg, aimed));
            }
            _ => not_measured_deg.push(aim_deg),
        }
    }
    let plans = shown
        .par_iter()
        .map(|(aim_deg, aimed)| Ok((*aim_deg, plan_for(aimed, device, target, options)?)))
        .collect::<Result<Vec<(f64, Plan)>>>()?;
    Aims::of(&plans, not_measured_deg).ok_or_else(|| {
        Error::call("the measurement has no listening window on the speaker's own axis")
    })
}

fn sides_differ(response: &Response) -> bool {
    let mut squares = Vec::new();
    for angle_deg in AIMS_DEG.into_iter().filter(|a| *a > 0.0) {
        let [right, left] = [angle_deg, -angle_deg].map(|a| response.at(Orbit::Horizontal, a));
        if let (Some(right), Some(left)) = (right, left) {
            let pairs = right.levels_db.iter().zip(&left.levels_db);
            squares.extend(pairs.map(|(r, l)| (r - l) * (r - l)));
        }
    }
    let mean = squares.iter().sum::<f64>() / squares.len().max(1) as f64;
    mean.sqrt() > SIDES_DIFFER_DB
}
