//! `planish convert`: a filter list from the disk for another device.

use crate::convert::{Converted, Options, convert as converted, own_device};
use crate::device::{Coefficient, Device, Feedback, HIGHEST_F0_PER_RATE, Number, Setting};
use crate::error::{Error, Result};
use crate::read;
use std::path::Path;

/// For what a list is to be made; what is not given stays as it is in the device or, without one,
/// in the list.
#[derive(Debug, Clone, Default)]
pub struct Wanted {
    /// Device by name or path.
    pub device: Option<String>,
    /// Another rate, Hz.
    pub rate_hz: Option<f64>,
    /// Another number format.
    pub number: Option<Number>,
    /// Another sign of the feedback numbers.
    pub feedback: Option<Feedback>,
    /// Another order of the coefficients.
    pub order: Option<[Coefficient; 5]>,
}

/// The list in the file `list`, made for what is wanted.
///
/// # Errors
/// When list or device cannot be read, or the device cannot run such filters.
pub fn convert(list: &Path, wanted: &Wanted, options: &Options) -> Result<Converted> {
    let list = read::filter_list::read(list)?;
    let mut device = match &wanted.device {
        Some(name) => read::device::device(name)?,
        None => own_device(&list),
    };
    if let Some(rate_hz) = wanted.rate_hz {
        at_rate(&mut device, rate_hz)?;
    }
    device.number = wanted.number.unwrap_or(device.number);
    device.feedback = wanted.feedback.unwrap_or(device.feedback);
    device.word_order = wanted.order.unwrap_or(device.word_order);
    converted(&list, &device, options)
}

/// `device` at another rate; ranges of f0 end below half of it.
fn at_rate(device: &mut Device, rate_hz: f64) -> Result<()> {
    let highest_hz = HIGHEST_F0_PER_RATE * rate_hz;
    let own_end_hz = HIGHEST_F0_PER_RATE * device.rate_hz;
    device.rate_hz = rate_hz;
    for limits in &mut device.limits {
        match &mut limits.f0_hz {
            Setting::Range { to, .. } | Setting::Steps { to, .. } => {
                // A range that ended with the old rate ends with the new one.
                *to = if *to >= own_end_hz {
                    highest_hz
                } else {
                    to.min(highest_hz)
                };
            }
            Setting::List(values) => values.retain(|f| *f <= highest_hz),
        }
        let empty = match &limits.f0_hz {
            Setting::Range { from, to } | Setting::Steps { from, to, .. } => from > to,
            Setting::List(values) => values.is_empty(),
        };
        if empty {
            return Err(Error::range(
                "--rate",
                format!("{rate_hz} Hz"),
                format!("above twice the lowest f0 of {}", device.name),
            ));
        }
    }
    Ok(())
}
