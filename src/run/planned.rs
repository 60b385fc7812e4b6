//! Plans of a speaker, and fits of a curve.

use super::chain::{self, Case};
use super::options::{PlanOptions, device, device_and_target};
use super::speaker::{Speaker, tables_of, trace_of};
use crate::audit::Subject;
use crate::budget::Tables;
use crate::device::Device;
use crate::error::{Error, Result};
use crate::fit::{self, Fit, Wanted};
use crate::predict::Plan;
use crate::target::Target;
use std::path::Path;

/// Audits a speaker, fits the filters and predicts what they do.
///
/// # Errors
/// When a name is not known, the options contradict each other or the measurement, or the
/// device cannot hold the filters.
pub fn plan(speaker: &Speaker, options: &PlanOptions) -> Result<Plan> {
    let (device, target) = device_and_target(options)?;
    plan_for(speaker, &device, &target, options)
}

/// [`plan`] with device and target at hand; their names in `options` are not looked at.
///
/// # Errors
/// As [`plan`].
pub fn plan_for(
    speaker: &Speaker,
    device: &Device,
    target: &Target,
    options: &PlanOptions,
) -> Result<Plan> {
    let trace = trace_of(speaker);
    let subject = Subject {
        response: speaker.response(),
        curves: &speaker.curves,
        target,
        trusted: speaker.trusted(),
        second_source: trace.as_ref().map(|(grid, levels_db)| (grid, *levels_db)),
    };
    chain::plan(&Case {
        subject: &subject,
        tables: tables_of(speaker),
        name: &speaker.folder.name,
        device,
        options,
        aim: speaker.aim.as_ref(),
        pair: None,
    })
}

/// [`plan_for`] for anything that can be audited, read from files or not; `name` is the
/// speaker's.
///
/// # Errors
/// As [`plan`].
pub fn plan_subject(
    subject: &Subject,
    name: &str,
    device: &Device,
    options: &PlanOptions,
) -> Result<Plan> {
    chain::plan(&Case {
        subject,
        tables: Tables::default(),
        name,
        device,
        options,
        aim: None,
        pair: None,
    })
}

/// Fits a wanted EQ curve from a file.
///
/// # Errors
/// When the file cannot be read, or the device cannot be had.
pub fn fit_curve(
    curve: &Path,
    device_name: Option<&str>,
    options: &fit::Options,
) -> Result<(Fit, Device)> {
    let device = device(device_name)?;
    let wanted = crate::read::wanted::read(curve)?;
    if let Some(last) = wanted.freqs_hz.last()
        && *last >= 0.5 * device.rate_hz
    {
        return Err(Error::call(format!(
            "the curve reaches {last} Hz but {} stops at {} Hz, half its rate",
            device.name,
            0.5 * device.rate_hz
        ))
        .with_hint("leave those rows out or choose a device with a higher rate"));
    }
    let fitted = fit::fit(
        &Wanted {
            freqs_hz: &wanted.freqs_hz,
            gain_db: &wanted.gain_db,
            weights: &wanted.weights,
        },
        &device,
        options,
    )?;
    Ok((fitted, device))
}
