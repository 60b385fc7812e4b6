//! The JSON document of `planish apply`.

use super::rows::to_text;
use crate::apply::{Applied, Levels, Written};
use crate::units::amplitude_to_db;
use crate::wav::Format;
use serde::Serialize;

#[derive(Serialize)]
struct Document<'a> {
    speaker: &'a str,
    stages: usize,
    gain_db: f64,
    arithmetic: String,
    input: String,
    input_format: FormatRow,
    /// `null` when the input ended as its header says.
    input_cut: Option<String>,
    output: WrittenRow,
    saturated: Vec<SaturatedRow>,
    level_matched: Option<TwinRow>,
}

#[derive(Serialize)]
struct FormatRow {
    rate_hz: u32,
    channels: u16,
    sample: String,
}

impl From<&Format> for FormatRow {
    fn from(format: &Format) -> Self {
        FormatRow {
            rate_hz: format.rate_hz,
            channels: format.channels,
            sample: format.sample.to_string(),
        }
    }
}

#[derive(Serialize)]
struct WrittenRow {
    file: String,
    format: FormatRow,
    dither: bool,
    frames: u64,
    duration_s: f64,
    /// `null` for silence.
    peak_db: Option<f64>,
    /// Samples beyond full scale: cut with integers, kept with floating point.
    overs: u64,
    cut: bool,
    overs_by_channel: Vec<OversRow>,
}

#[derive(Serialize)]
struct OversRow {
    channel: usize,
    samples: u64,
    first_s: f64,
    largest_db: f64,
    largest_s: f64,
}

#[derive(Serialize)]
struct SaturatedRow {
    /// 0 for the input and the level in front.
    stage: usize,
    samples: u64,
    first_s: f64,
    first_channel: usize,
}

#[derive(Serialize)]
struct TwinRow {
    gain_db: f64,
    unfiltered_lufs: f64,
    filtered_lufs: f64,
    twin_lufs: Option<f64>,
    output: WrittenRow,
}

/// The document.
pub fn json(applied: &Applied) -> String {
    let rate_hz = f64::from(applied.input_format.rate_hz);
    let saturated = applied.saturations.iter().map(|s| SaturatedRow {
        stage: s.stage,
        samples: s.samples,
        first_s: s.first_frame as f64 / rate_hz,
        first_channel: s.first_channel,
    });
    to_text(&Document {
        speaker: &applied.speaker,
        stages: applied.stages,
        gain_db: applied.gain_db,
        arithmetic: applied.number.to_string(),
        input: applied.input.display().to_string(),
        input_format: FormatRow::from(&applied.input_format),
        input_cut: applied.ending.cut.map(|cut| cut.to_string()),
        output: written(&applied.output),
        saturated: saturated.collect(),
        level_matched: applied.twin.as_ref().map(|twin| TwinRow {
            gain_db: twin.gain_db,
            unfiltered_lufs: twin.unfiltered_lufs,
            filtered_lufs: twin.filtered_lufs,
            twin_lufs: twin.lufs,
            output: written(&twin.output),
        }),
    })
}

fn written(written: &Written) -> WrittenRow {
    let levels = &written.levels;
    let rate_hz = f64::from(written.format.rate_hz);
    WrittenRow {
        file: written.path.display().to_string(),
        format: FormatRow::from(&written.format),
        dither: written.dithers,
        frames: levels.frames,
        duration_s: levels.frames as f64 / rate_hz,
        peak_db: (levels.peak > 0.0).then(|| amplitude_to_db(levels.peak)),
        overs: levels.overs(),
        cut: !written.format.sample.is_float() && levels.overs() > 0,
        overs_by_channel: overs(levels, rate_hz),
    }
}

fn overs(levels: &Levels, rate_hz: f64) -> Vec<OversRow> {
    let channels = (1..).zip(&levels.channels);
    channels
        .filter(|(_, seen)| seen.samples > 0)
        .map(|(channel, seen)| OversRow {
            channel,
            samples: seen.samples,
            first_s: seen.first_frame as f64 / rate_hz,
            largest_db: amplitude_to_db(seen.largest),
            largest_s: seen.largest_frame as f64 / rate_hz,
        })
        .collect()
}
