//! What a plan was asked for, and devices and targets by their names.

use crate::audit;
use crate::budget::Wishes;
use crate::device::Device;
use crate::error::Result;
use crate::filter::Kind;
use crate::seats::{Room, SeatLevels};
use crate::target::Target;

/// What a plan was asked for; names as typed.
#[derive(Debug, Clone, Default)]
pub struct PlanOptions {
    /// Device by name or path; the default device when not given.
    pub device: Option<String>,
    /// Target by name or path; flat when not given.
    pub target: Option<String>,
    /// At most this many stages; as many as pay when not given.
    pub stages: Option<usize>,
    /// Types of stages that are not to be used.
    pub without: Vec<Kind>,
    /// Limits of the audit.
    pub audit: audit::Options,
    /// Share of the usual search for better stages, 0 to 1; [`EFFORT`] when not given.
    pub effort: Option<f64>,
    /// What the owner says of the situation.
    pub owner: Wishes,
    /// The room the speaker plays in, when the owner says something of it.
    pub room: Option<Room>,
    /// Levels at the seats, measured with the subwoofer playing.
    pub sub_seats: Option<SeatLevels>,
}

/// Share of the usual search for better stages that every command makes unless told otherwise: what an
/// audit asks for is smoother than any curve. With a fifth of it one speaker in four forms got stages that
/// differ by 0.5 dB for wishes that differ by 0.05 dB.
pub const EFFORT: f64 = 0.5;

/// The device used unless another one is named.
pub const DEFAULT_DEVICE: &str = "open-48k";

/// The target used unless another one is named.
pub const DEFAULT_TARGET: &str = "flat";

/// Device and target by their names.
///
/// # Errors
/// When there is none of that name.
pub fn device_and_target(options: &PlanOptions) -> Result<(Device, Target)> {
    let target = options.target.as_deref().unwrap_or(DEFAULT_TARGET);
    Ok((
        device(options.device.as_deref())?,
        crate::read::target::target(target)?,
    ))
}

/// A device by name or path; the default one when none is named.
///
/// # Errors
/// When there is none of that name.
pub fn device(name: Option<&str>) -> Result<Device> {
    crate::read::device::device(name.unwrap_or(DEFAULT_DEVICE))
}
