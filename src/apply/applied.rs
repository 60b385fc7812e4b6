//! What came of applying a list to a file.

use super::levels::Levels;
use super::words::Saturation;
use crate::device::Number;
use crate::wav::{Ending, Format};
use std::path::PathBuf;

/// What came of applying a filter list to a sound file.
#[derive(Debug, Clone)]
pub struct Applied {
    /// Name of the speaker in the list.
    pub speaker: String,
    /// Stages of the list.
    pub stages: usize,
    /// Level in front of them, dB.
    pub gain_db: f64,
    /// Number format of the arithmetic; never [`Number::None`].
    pub number: Number,
    /// The file read.
    pub input: PathBuf,
    /// What it holds.
    pub input_format: Format,
    /// How it ended.
    pub ending: Ending,
    /// The file written.
    pub output: Written,
    /// Where words have saturated inside the device.
    pub saturations: Vec<Saturation>,
    /// The unfiltered programme at the same loudness, where it was asked for.
    pub twin: Option<Twin>,
}

/// A sound file written.
#[derive(Debug, Clone)]
pub struct Written {
    /// Its place.
    pub path: PathBuf,
    /// What it holds.
    pub format: Format,
    /// Whether dither was added.
    pub dithers: bool,
    /// Levels before rounding, and what did not fit.
    pub levels: Levels,
}

/// The unfiltered programme as loud as the filtered one, by ITU-R BS.1770.
#[derive(Debug, Clone)]
pub struct Twin {
    /// The file.
    pub output: Written,
    /// The level it was given, dB.
    pub gain_db: f64,
    /// Loudness of what was read, LUFS.
    pub unfiltered_lufs: f64,
    /// Loudness of the filtered programme as written, LUFS.
    pub filtered_lufs: f64,
    /// Loudness of the twin as written, LUFS; `None` when nothing of it passes the absolute gate.
    pub lufs: Option<f64>,
}
