//! A filter list applied to a sound file: from the list on the disk to the files written.

use crate::apply::{Applied, Arithmetic, Engine, Loudness, Meters, Output, Twin, Written, pass};
use crate::error::{Error, Result};
use crate::export::files::{Pending, place};
use crate::filter_list::FilterList;
use crate::read;
use crate::wav::{Format, Reader, Sample, Writer};
use std::fs::File;
use std::path::{Path, PathBuf};

/// How a list is to be applied.
#[derive(Debug, Clone, Default)]
pub struct ApplyOptions {
    /// Compute as the device does, bit by bit, instead of in 64-bit floating point.
    pub bit_exact: bool,
    /// How samples are written; as they were read when not given (8-bit integers become 16-bit
    /// ones, 64-bit floating point becomes 32-bit).
    pub sample: Option<Sample>,
    /// Leave the dither out.
    pub without_dither: bool,
    /// Where the unfiltered programme at the same loudness goes.
    pub level_matched: Option<PathBuf>,
}

/// Applies the filter list at `list` to the sound file `input` and writes `output`, all of it or
/// nothing. `progress` is told frames done and, where the file's header says, frames in all,
/// both over all passes.
///
/// # Errors
/// When list or file cannot be read, their rates differ, the list cannot be computed as asked, a
/// loudness was asked for and there is none, or the output cannot be written.
pub fn apply(
    list: &Path,
    input: &Path,
    output: &Path,
    options: &ApplyOptions,
    progress: &mut dyn FnMut(u64, Option<u64>),
) -> Result<Applied> {
    let filters = read::filter_list::read(list)?;
    let mut reader = Reader::open(input)?;
    let input_format = reader.format();
    same_rate(list, &filters, input, &input_format)?;
    let channels = usize::from(input_format.channels);
    let arithmetic = if options.bit_exact {
        Arithmetic::AsDevice
    } else {
        Arithmetic::Double
    };
    let mut engine = Engine::new(&filters, arithmetic, channels)?;
    let mut meters = match options.level_matched {
        Some(_) => Some((Loudness::new(&input_format)?, Loudness::new(&input_format)?)),
        None => None,
    };
    // Places are taken before the long work begins.
    let mut pending = vec![Pending::beside(output)?];
    if let Some(twin) = &options.level_matched {
        if same_place(twin, output) {
            return Err(Error::call(
                "the level-matched twin needs another name than the output",
            ));
        }
        pending.push(Pending::beside(twin)?);
    }
    let job = Job {
        format: Format {
            sample: options.sample.unwrap_or(written_for(input_format.sample)),
            ..input_format
        },
        frames: reader.declared_frames(),
        passes: pending.len() as u64,
        dither: !options.without_dither,
    };
    let fed = match &mut meters {
        Some((before, after)) => Meters {
            before: Some(before),
            after: Some(after),
        },
        None => Meters::default(),
    };
    let written = job.pass(
        &mut reader,
        &mut engine,
        &mut pending[0],
        output,
        fed,
        &mut |done| {
            progress(done, job.all_frames());
        },
    )?;
    // The pass went to the end.
    let ending = reader.ending().unwrap_or_default();
    let twin = match (&options.level_matched, meters) {
        (Some(path), Some((before, after))) => {
            let (unfiltered_lufs, filtered_lufs) = (
                measured(&before, input, "the input")?,
                measured(&after, input, "the output")?,
            );
            let gain_db = filtered_lufs - unfiltered_lufs;
            let mut meter = Loudness::new(&input_format)?;
            let fed = Meters {
                before: None,
                after: Some(&mut meter),
            };
            let output = job.pass(
                &mut Reader::open(input)?,
                &mut Engine::level(gain_db, channels),
                &mut pending[1],
                path,
                fed,
                &mut |done| progress(ending.frames + done, job.all_frames()),
            )?;
            Some(Twin {
                output,
                gain_db,
                unfiltered_lufs,
                filtered_lufs,
                lufs: meter.integrated_lufs(),
            })
        }
        _ => None,
    };
    place(pending)?;
    Ok(Applied {
        speaker: filters.speaker,
        stages: filters.stages.len(),
        gain_db: filters.gain_db,
        number: engine.number(),
        input: input.to_path_buf(),
        input_format,
        ending,
        output: written,
        saturations: engine.saturations(),
        twin,
    })
}

/// What the passes have in common.
struct Job {
    format: Format,
    /// Frames of the input as its header declares them.
    frames: Option<u64>,
    passes: u64,
    dither: bool,
}

impl Job {
    fn all_frames(&self) -> Option<u64> {
        self.frames.map(|frames| frames.saturating_mul(self.passes))
    }

    fn pass(
        &self,
        reader: &mut Reader<File>,
        engine: &mut Engine,
        pending: &mut Pending,
        path: &Path,
        meters: Meters,
        progress: &mut dyn FnMut(u64),
    ) -> Result<Written> {
        let mut output = Output::new(self.format.sample, engine.number(), self.dither);
        let mut writer = Writer::new(path, pending.file(), self.format, self.frames)?;
        let levels = pass(reader, engine, &mut output, &mut writer, meters, progress)?;
        writer.finish()?;
        Ok(Written {
            path: path.to_path_buf(),
            format: self.format,
            dithers: output.dithers(),
            levels,
        })
    }
}

/// How samples are written that were read as `sample`.
fn written_for(sample: Sample) -> Sample {
    match sample {
        Sample::U8 => Sample::I16,
        Sample::F64 => Sample::F32,
        other => other,
    }
}

fn same_rate(list: &Path, filters: &FilterList, input: &Path, format: &Format) -> Result<()> {
    if filters.rate_hz == f64::from(format.rate_hz) {
        return Ok(());
    }
    Err(Error::in_file(
        input,
        format!("a rate of {} Hz", format.rate_hz),
        format!(
            "{} Hz, for which {} was made",
            filters.rate_hz,
            list.display()
        ),
    )
    .with_hint(format!(
        "planish convert {} --rate {} makes the same filters for that rate; or resample the sound",
        list.display(),
        format.rate_hz
    )))
}

fn measured(loudness: &Loudness, input: &Path, which: &str) -> Result<f64> {
    loudness.integrated_lufs().ok_or_else(|| {
        Error::in_file(
            input,
            format!("nothing in {which} that counts for loudness"),
            "at least 0.4 s louder than -70 LUFS (ITU-R BS.1770)",
        )
        .with_hint("leave --level-matched out")
    })
}

/// Whether two paths lead to one place, as far as that can be known before the files exist.
fn same_place(a: &Path, b: &Path) -> bool {
    let resolved = |path: &Path| {
        let dir = path.parent().filter(|dir| !dir.as_os_str().is_empty());
        let dir = dir.unwrap_or(Path::new(".")).canonicalize().ok()?;
        Some(dir.join(path.file_name()?))
    };
    a == b || resolved(a).is_some_and(|a| Some(a) == resolved(b))
}
