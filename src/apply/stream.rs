//! One pass over a file: read, filter, measure, round, write, block by block.

use super::dither::Output;
use super::engine::Engine;
use super::levels::Levels;
use super::loudness::Loudness;
use crate::error::{Error, Result};
use crate::wav::{Reader, Writer};
use std::io::{Read, Seek, Write};

/// Samples in a block: few enough to stay in the processor's cache while one step after another
/// goes over them, many enough that the steps' beginnings do not count.
const BLOCK_SAMPLES: usize = 8192;

/// Meters that a pass feeds on its way.
#[derive(Default)]
pub struct Meters<'a> {
    /// Hears what is read.
    pub before: Option<&'a mut Loudness>,
    /// Hears what is written.
    pub after: Option<&'a mut Loudness>,
}

/// Reads everything, runs it through `engine` and writes it as `output` says; the levels in front
/// of the rounding. Every block `progress` is told how many frames are done.
///
/// A sample is over when it lies more than half a step outside the range, so that even without
/// dither it could not be rounded into it. With floating point, which holds more than full scale,
/// those beyond full scale count.
///
/// # Errors
/// When reading or writing fails, or the filters yield a number that is not finite.
pub fn pass<R: Read, W: Write + Seek>(
    reader: &mut Reader<R>,
    engine: &mut Engine,
    output: &mut Output,
    writer: &mut Writer<W>,
    mut meters: Meters,
    progress: &mut dyn FnMut(u64),
) -> Result<Levels> {
    let channels = usize::from(reader.format().channels);
    let at_most = (BLOCK_SAMPLES / channels).max(1);
    let half = output.sample().step().map_or(0.0, |step| 0.5 * step);
    let top = match output.sample().step() {
        Some(step) => 1.0 - step + half,
        None => 1.0,
    };
    let mut levels = Levels::new(channels, -1.0 - half, top);
    let mut block = Vec::new();
    while reader.read(&mut block, at_most)? > 0 {
        if let Some(meter) = &mut meters.before {
            meter.add(&block)?;
        }
        engine.process(&mut block);
        if !levels.add(&block) {
            let time_s = levels.frames as f64 / f64::from(reader.format().rate_hz);
            return Err(Error::in_file(
                reader.file(),
                format!("a sample near {time_s:.3} s that the filters make larger than any number"),
                "samples round full scale",
            )
            .with_hint("is this floating-point file a recording?"));
        }
        output.quantise(&mut block);
        if let Some(meter) = &mut meters.after {
            meter.add(&block)?;
        }
        writer.write(&block)?;
        progress(levels.frames);
    }
    Ok(levels)
}
