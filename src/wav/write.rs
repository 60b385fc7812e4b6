//! Writing a sound file block by block; the header is completed at the end.

use super::format::{Format, Sample};
use super::read::{SUBFORMAT_TAIL, TAG_EXTENSIBLE, TAG_FLOAT, TAG_PCM};
use crate::error::{Error, Result};
use std::io::{Seek, SeekFrom, Write};
use std::path::{Path, PathBuf};

/// Content of a `ds64` chunk without a table (EBU Tech 3306, section 4): three 64-bit sizes and
/// the length of the table.
const DS64_BYTES: u32 = 28;

/// A sound file being written.
///
/// Without [`Writer::finish`] the header says that the length is open.
#[derive(Debug)]
pub struct Writer<W> {
    file: PathBuf,
    sink: W,
    format: Format,
    /// Whether room for the sizes of RF64 was left.
    has_room: bool,
    /// Where the data begin.
    data_at: u64,
    /// Bytes of sound written.
    data_bytes: u64,
    bytes: Vec<u8>,
}

impl<W: Write + Seek> Writer<W> {
    /// Starts a file in `sink` at its present place, which is its beginning; `file` is named in
    /// the errors.
    ///
    /// `frames` says how many will be written at most, as far as it is known: files that may
    /// pass 4 GiB get room for the sizes of RF64, others the plainest header there is.
    ///
    /// # Errors
    /// When a frame would be larger than 65535 bytes, channels or rate are 0, or the sink refuses.
    pub fn new(file: &Path, mut sink: W, format: Format, frames: Option<u64>) -> Result<Self> {
        let frame_bytes = format.frame_bytes();
        if !(1..=usize::from(u16::MAX)).contains(&frame_bytes) {
            return Err(Error::range(
                "the size of a frame",
                format!("{frame_bytes} bytes"),
                "between 1 and 65535 bytes",
            ));
        }
        if format.rate_hz == 0 {
            return Err(Error::range("the rate", "0 Hz", "above 0 Hz"));
        }
        let has_room = frames.is_none_or(|frames| {
            // A little room for the header; the exact limit is of no interest.
            frames.saturating_mul(frame_bytes as u64) > u64::from(u32::MAX) - 1024
        });
        let header = header(&format, has_room);
        sink.write_all(&header)
            .map_err(|source| Error::file(file, "write", source))?;
        Ok(Writer {
            file: file.to_path_buf(),
            sink,
            format,
            has_room,
            data_at: header.len() as u64,
            data_bytes: 0,
            bytes: Vec::new(),
        })
    }

    /// Appends whole frames, interleaved. Integers are rounded to the nearest step, ties to the
    /// even one. How many samples lay outside the range and were cut to its end (with floating
    /// point only those that even that cannot hold).
    ///
    /// # Errors
    /// When `frames` is no multiple of the channels, a sample is not finite, the file would pass
    /// 4 GiB against what [`Writer::new`] was told, or the sink refuses.
    pub fn write(&mut self, frames: &[f64]) -> Result<u64> {
        if !frames
            .len()
            .is_multiple_of(usize::from(self.format.channels))
        {
            return Err(Error::call(format!(
                "{} samples make no whole frames of {} channels",
                frames.len(),
                self.format.channels
            )));
        }
        if let Some(bad) = frames.iter().find(|sample| !sample.is_finite()) {
            return Err(Error::range("a sample", bad.to_string(), "finite"));
        }
        self.bytes.clear();
        let cut = self.format.sample.encode(frames, &mut self.bytes);
        let data_bytes = self.data_bytes + self.bytes.len() as u64;
        if !self.has_room && self.data_at + data_bytes > u64::from(u32::MAX) {
            return Err(Error::call(format!(
                "{}: more than 4 GiB of sound, but no more than that was announced",
                self.file.display()
            )));
        }
        self.sink
            .write_all(&self.bytes)
            .map_err(|source| Error::file(&self.file, "write", source))?;
        self.data_bytes = data_bytes;
        Ok(cut)
    }

    /// Writes the pad byte and the sizes, and hands the sink back, flushed.
    ///
    /// # Errors
    /// When the sink refuses.
    pub fn finish(mut self) -> Result<W> {
        match self.complete() {
            Ok(()) => Ok(self.sink),
            Err(source) => Err(Error::file(&self.file, "write", source)),
        }
    }

    fn complete(&mut self) -> std::io::Result<()> {
        let pad = self.data_bytes % 2;
        if pad == 1 {
            self.sink.write_all(&[0])?;
        }
        let riff_bytes = self.data_at - 8 + self.data_bytes + pad;
        let frames = self.data_bytes / self.format.frame_bytes() as u64;
        let short = |size: u64| u32::try_from(size).ok().filter(|s| *s != u32::MAX);
        let mut patch = |at: u64, bytes: &[u8]| {
            self.sink.seek(SeekFrom::Start(at))?;
            self.sink.write_all(bytes)
        };
        if let Some(fact_at) = fact_at(&self.format, self.has_room) {
            // Frames; the largest number stands for "see ds64".
            let frames = short(frames).unwrap_or(u32::MAX);
            patch(fact_at, &frames.to_le_bytes())?;
        }
        if let (Some(riff), Some(data)) = (short(riff_bytes), short(self.data_bytes)) {
            patch(4, &riff.to_le_bytes())?;
            patch(self.data_at - 4, &data.to_le_bytes())?;
        } else {
            // The two 32-bit sizes hold their largest number already.
            patch(0, b"RF64")?;
            let mut ds64 = Vec::from(*b"ds64");
            ds64.extend(DS64_BYTES.to_le_bytes());
            for size in [riff_bytes, self.data_bytes, frames] {
                ds64.extend(size.to_le_bytes());
            }
            patch(12, &ds64)?;
        }
        self.sink.seek(SeekFrom::End(0))?;
        self.sink.flush()
    }
}

/// Whether the header must be `WAVE_FORMAT_EXTENSIBLE`: only where it says which loudspeakers the
/// channels are meant for. Microsoft 2001 wants it for more than 16 bits or two channels, too, but
/// it would say nothing more there, and not every reader takes it.
fn is_extensible(format: &Format) -> bool {
    format.channel_mask != 0
}

/// Where the number of frames stands in the `fact` chunk, which all but plain integers have.
fn fact_at(format: &Format, has_room: bool) -> Option<u64> {
    let before = header_up_to_fact(format, has_room).len() as u64;
    format.sample.is_float().then_some(before + 8)
}

fn header(format: &Format, has_room: bool) -> Vec<u8> {
    let mut out = header_up_to_fact(format, has_room);
    if format.sample.is_float() {
        out.extend(b"fact");
        out.extend(4u32.to_le_bytes());
        out.extend(0u32.to_le_bytes());
    }
    out.extend(b"data");
    out.extend(u32::MAX.to_le_bytes());
    out
}

fn header_up_to_fact(format: &Format, has_room: bool) -> Vec<u8> {
    let mut out = Vec::from(*b"RIFF");
    out.extend(u32::MAX.to_le_bytes());
    out.extend(b"WAVE");
    if has_room {
        out.extend(b"JUNK");
        out.extend(DS64_BYTES.to_le_bytes());
        out.extend([0; DS64_BYTES as usize]);
    }
    let tag = if format.sample.is_float() {
        TAG_FLOAT
    } else {
        TAG_PCM
    };
    let extensible = is_extensible(format);
    let bits = 8 * format.sample.bytes() as u16;
    // Checked in `Writer::new`.
    let frame_bytes = format.frame_bytes() as u16;
    let fmt_bytes: u32 = match (extensible, format.sample) {
        (true, _) => 40,
        (false, Sample::F32 | Sample::F64) => 18,
        (false, _) => 16,
    };
    out.extend(b"fmt ");
    out.extend(fmt_bytes.to_le_bytes());
    out.extend(if extensible { TAG_EXTENSIBLE } else { tag }.to_le_bytes());
    out.extend(format.channels.to_le_bytes());
    out.extend(format.rate_hz.to_le_bytes());
    let bytes_per_second = format.rate_hz.saturating_mul(u32::from(frame_bytes));
    out.extend(bytes_per_second.to_le_bytes());
    out.extend(frame_bytes.to_le_bytes());
    out.extend(bits.to_le_bytes());
    if fmt_bytes > 16 {
        // Size of what follows in this chunk.
        out.extend((fmt_bytes as u16 - 18).to_le_bytes());
    }
    if extensible {
        out.extend(bits.to_le_bytes());
        out.extend(format.channel_mask.to_le_bytes());
        out.extend(tag.to_le_bytes());
        out.extend(SUBFORMAT_TAIL);
    }
    out
}
