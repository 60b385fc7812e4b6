//! Reading a sound file block by block from anything that can be read, forward only.
//!
//! Sizes in the file are claims: they decide where to stop, never how much memory to take.

use super::format::{Format, Sample};
use crate::error::{Error, Result};
use std::fmt;
use std::fs::File;
use std::io::{ErrorKind, Read};
use std::path::{Path, PathBuf};

/// Size that stands for "not known yet" (a header that was never completed) and, in RF64, for
/// "see the `ds64` chunk" (EBU Tech 3306, section 3).
const OPEN_SIZE: u32 = u32::MAX;

/// Frames are taken from the source in pieces of about this many bytes.
const PIECE_BYTES: usize = 1 << 16;

/// The sixteen bytes of a sub-format after its first two, which are the format tag
/// (Microsoft 2001, `KSDATAFORMAT_SUBTYPE_PCM` and `_IEEE_FLOAT`).
pub(super) const SUBFORMAT_TAIL: [u8; 14] = [
    0x00, 0x00, 0x00, 0x00, 0x10, 0x00, 0x80, 0x00, 0x00, 0xaa, 0x00, 0x38, 0x9b, 0x71,
];

/// No sample is larger, in units of full scale: squares of it still add up within f64, and 1000 dB are
/// no sound.
const LARGEST: f64 = 1e50;

/// Chunks that the way to the sound leads over.
const NEEDED_NAMES: [[u8; 4]; 3] = [*b"ds64", *b"fmt ", *b"data"];

/// Format tag of integers.
pub(super) const TAG_PCM: u16 = 1;
/// Format tag of floating point.
pub(super) const TAG_FLOAT: u16 = 3;
/// Format tag that says: see the sub-format.
pub(super) const TAG_EXTENSIBLE: u16 = 0xfffe;

/// How a file ended.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Ending {
    /// Whole frames read.
    pub frames: u64,
    /// What is missing or left over; `None` when everything is as the header says.
    pub cut: Option<Cut>,
}

/// Why the last bytes of a file are not as they should be.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Cut {
    /// The file ends before its header says.
    Truncated {
        /// Bytes of sound that the header declares and the file does not hold.
        missing_bytes: u64,
    },
    /// The sound ends inside a frame; the part of a frame was left out.
    PartOfAFrame {
        /// Bytes left out.
        bytes: u64,
    },
}

impl fmt::Display for Cut {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Cut::Truncated { missing_bytes } => write!(
                f,
                "the file is cut short: its header declares {missing_bytes} bytes of sound more than it holds"
            ),
            Cut::PartOfAFrame { bytes } => write!(
                f,
                "the sound ends inside a frame: the last {bytes} bytes were left out"
            ),
        }
    }
}

/// A sound file being read.
#[derive(Debug)]
pub struct Reader<R> {
    file: PathBuf,
    source: R,
    /// Bytes taken from the source so far.
    offset: u64,
    format: Format,
    /// Bytes of sound the header declares; `None` when it leaves the size open.
    declared_bytes: Option<u64>,
    /// Bytes of sound taken so far.
    taken_bytes: u64,
    /// Bytes looked at to find out whether sound follows; they come first.
    ahead: Vec<u8>,
    bytes: Vec<u8>,
    ending: Option<Ending>,
}

impl Reader<File> {
    /// Opens the sound file at `path` and reads its header.
    ///
    /// # Errors
    /// When the file cannot be opened or [`Reader::new`] refuses it.
    pub fn open(path: &Path) -> Result<Self> {
        let source = File::open(path).map_err(|source| Error::file(path, "read", source))?;
        Reader::new(path, source)
    }
}

impl<R: Read> Reader<R> {
    /// Reads the header from `source`; `file` is named in the errors.
    ///
    /// Chunks that are not needed are skipped, with their pad byte where the size is odd. An odd
    /// chunk without a pad byte, as some programs write it, is understood too where the next
    /// chunk's name shows it.
    ///
    /// # Errors
    /// When it is not RIFF, RF64 or BW64 with WAVE inside, the sound is stored in another way
    /// than [`Sample`] knows, the header contradicts itself, or the source cannot be read.
    pub fn new(file: &Path, source: R) -> Result<Self> {
        let mut header = Header {
            file,
            source,
            offset: 0,
        };
        let head: [u8; 12] = header.exactly("the header of a WAVE file")?;
        let (id, riff_bytes) = id_and_size(&head);
        let is_long = match &id {
            b"RIFF" => false,
            b"RF64" | b"BW64" => true,
            _ => {
                let hint = match &id {
                    b"RIFX" => "big-endian files are not read; save it as an ordinary WAV file",
                    b"FORM" => "this may be an AIFF file; save it as WAV",
                    b"fLaC" | b"OggS" => "this is a compressed file; decode it to WAV first",
                    _ => "is this a WAV file?",
                };
                return Err(header
                    .refuse(0, shown(&id), "\"RIFF\", \"RF64\" or \"BW64\"")
                    .with_hint(hint));
            }
        };
        if &head[8..] != b"WAVE" {
            let form = [head[8], head[9], head[10], head[11]];
            return Err(header
                .refuse(8, shown(&form), "\"WAVE\"")
                .with_hint("this is a RIFF file, but not one of sound"));
        }
        let (mut format, mut long_data_bytes) = (None, None);
        // What was read of the next chunk already.
        let mut next = Vec::new();
        loop {
            let at = header.offset - next.len() as u64;
            let mut chunk = [0; 8];
            let had = next.len();
            chunk[..had].copy_from_slice(&next);
            let got = had + header.fill(&mut chunk[had..])?;
            if got < chunk.len() {
                let missing = if format.is_some() { "data" } else { "fmt " };
                return Err(header
                    .refuse(at, "the end of the file", format!("a \"{missing}\" chunk"))
                    .with_hint("the file is cut short; fetch or save it again"));
            }
            let (id, bytes) = id_and_size(&chunk);
            match &id {
                b"ds64" if is_long => {
                    if bytes < 16 {
                        return Err(header
                            .refuse(
                                at + 4,
                                format!("a size of {bytes}"),
                                "16 or more of \"ds64\"",
                            )
                            .with_hint("the header is damaged; save the file again"));
                    }
                    let sizes: [u8; 16] = header.exactly("16 bytes of sizes")?;
                    long_data_bytes = Some(u64_at(&sizes, 8));
                    next = header.skip(u64::from(bytes) - 16, bytes % 2 == 1)?;
                }
                b"fmt " => {
                    let (read, left) = header.format(at + 8, bytes)?;
                    format = Some(read);
                    next = header.skip(left, bytes % 2 == 1)?;
                }
                b"data" => {
                    let Some(format) = format else {
                        return Err(header
                            .refuse(at, "\"data\"", "a \"fmt \" chunk before the sound")
                            .with_hint("the header is damaged; save the file again"));
                    };
                    let declared = match (is_long, bytes) {
                        (true, OPEN_SIZE) => long_data_bytes.filter(|b| *b != 0 && *b != u64::MAX),
                        (false, OPEN_SIZE) => None,
                        _ => Some(u64::from(bytes)),
                    };
                    let (declared_bytes, ahead) = match declared {
                        Some(0) => header.open_or_empty(riff_bytes)?,
                        other => (other, Vec::new()),
                    };
                    return Ok(Reader {
                        file: file.to_path_buf(),
                        offset: header.offset,
                        source: header.source,
                        format,
                        declared_bytes,
                        taken_bytes: 0,
                        ahead,
                        bytes: Vec::new(),
                        ending: None,
                    });
                }
                _ => next = header.skip(u64::from(bytes), bytes % 2 == 1)?,
            }
        }
    }

    /// What the file holds.
    pub fn format(&self) -> Format {
        self.format
    }

    /// The file as it is named in errors.
    pub fn file(&self) -> &Path {
        &self.file
    }

    /// Frames that the header declares; `None` when it leaves the length open. A claim, not
    /// a promise.
    pub fn declared_frames(&self) -> Option<u64> {
        self.declared_bytes
            .map(|bytes| bytes / self.format.frame_bytes() as u64)
    }

    /// How the file ended; `None` before [`Reader::read`] has said so by returning 0.
    pub fn ending(&self) -> Option<Ending> {
        self.ending
    }

    /// Replaces the content of `frames` by the next frames, interleaved, `at_most` of them; how
    /// many there were, 0 at the end only. All samples lie between
    /// -1e50 and 1e50.
    ///
    /// # Errors
    /// When the source cannot be read, or a floating-point sample lies beyond.
    pub fn read(&mut self, frames: &mut Vec<f64>, at_most: usize) -> Result<usize> {
        frames.clear();
        let frame_bytes = self.format.frame_bytes();
        let mut wanted = at_most.saturating_mul(frame_bytes);
        while wanted > 0 && self.ending.is_none() {
            let piece = wanted.min((PIECE_BYTES / frame_bytes).max(1) * frame_bytes);
            let got = self.take(piece)?;
            let whole = got - got % frame_bytes;
            let before = frames.len();
            self.format.sample.decode(&self.bytes[..whole], frames);
            if self.format.sample.is_float() {
                self.refuse_what_is_no_sound(&frames[before..], got)?;
            }
            if got < piece {
                self.end(got - whole);
            }
            wanted -= piece;
        }
        Ok(frames.len() / usize::from(self.format.channels))
    }

    /// Brings the next `wanted` bytes of sound into `self.bytes`, fewer only at the end.
    fn take(&mut self, wanted: usize) -> Result<usize> {
        let left = self
            .declared_bytes
            .map_or(u64::MAX, |declared| declared - self.taken_bytes);
        // At most `wanted`, so it fits.
        let wanted = left.min(wanted as u64) as usize;
        self.bytes.resize(wanted, 0);
        let had = self.ahead.len().min(wanted);
        for (byte, ahead) in self.bytes.iter_mut().zip(self.ahead.drain(..had)) {
            *byte = ahead;
        }
        let got = had
            + fill(&mut self.source, &mut self.bytes[had..])
                .map_err(|source| Error::file(&self.file, "read", source))?;
        self.offset += (got - had) as u64;
        self.taken_bytes += got as u64;
        Ok(got)
    }

    fn end(&mut self, part_bytes: usize) {
        let missing_bytes = self
            .declared_bytes
            .map_or(0, |declared| declared - self.taken_bytes);
        let cut = if missing_bytes > 0 {
            Some(Cut::Truncated { missing_bytes })
        } else if part_bytes > 0 {
            Some(Cut::PartOfAFrame {
                bytes: part_bytes as u64,
            })
        } else {
            None
        };
        self.ending = Some(Ending {
            frames: self.taken_bytes / self.format.frame_bytes() as u64,
            cut,
        });
    }

    /// `samples` were decoded from the last `got` bytes taken.
    fn refuse_what_is_no_sound(&self, samples: &[f64], got: usize) -> Result<()> {
        let Some(at) = samples
            .iter()
            .position(|sample| sample.is_nan() || sample.abs() > LARGEST)
        else {
            return Ok(());
        };
        let channels = usize::from(self.format.channels);
        let first_frame = (self.taken_bytes - got as u64) / self.format.frame_bytes() as u64;
        let frame = first_frame + (at / channels) as u64;
        let offset = self.offset - got as u64 + (at * self.format.sample.bytes()) as u64;
        Err(Error::in_file(
            &self.file,
            format!(
                "the sample {:?} at byte {offset} ({:.3} s, channel {})",
                samples[at],
                frame as f64 / f64::from(self.format.rate_hz),
                at % channels + 1
            ),
            "a number between -1e50 and 1e50",
        )
        .with_hint("the program that wrote the file went wrong there; write it anew"))
    }
}

/// A whole sound file in memory.
#[derive(Debug, Clone, PartialEq)]
pub struct Recording {
    /// What the file holds.
    pub format: Format,
    /// Interleaved samples.
    pub frames: Vec<f64>,
    /// How the file ended.
    pub ending: Ending,
}

impl Recording {
    /// The samples of one channel, from 0; empty when there is no such channel.
    pub fn channel(&self, index: usize) -> Vec<f64> {
        let channels = usize::from(self.format.channels);
        if index >= channels {
            return Vec::new();
        }
        self.frames
            .iter()
            .skip(index)
            .step_by(channels)
            .copied()
            .collect()
    }
}

/// Reads the whole sound file at `path`, for short ones such as impulse responses.
///
/// # Errors
/// When it holds more than `at_most_frames`, and as [`Reader::open`] and [`Reader::read`].
pub fn read_whole(path: &Path, at_most_frames: u64) -> Result<Recording> {
    read_to_end(Reader::open(path)?, at_most_frames)
}

/// Reads what is left of a sound file.
///
/// # Errors
/// When that is more than `at_most_frames`, and as [`Reader::read`].
pub fn read_to_end<R: Read>(mut reader: Reader<R>, at_most_frames: u64) -> Result<Recording> {
    let (mut frames, mut block) = (Vec::new(), Vec::new());
    let mut count = 0;
    loop {
        let got = reader.read(
            &mut block,
            PIECE_BYTES / usize::from(reader.format.channels) + 1,
        )?;
        if let (0, Some(ending)) = (got, reader.ending()) {
            return Ok(Recording {
                format: reader.format,
                frames,
                ending,
            });
        }
        count += got as u64;
        if count > at_most_frames {
            let seconds = at_most_frames as f64 / f64::from(reader.format.rate_hz);
            return Err(Error::in_file(
                &reader.file,
                format!("more than {at_most_frames} frames ({seconds:.1} s)"),
                "a shorter recording",
            )
            .with_hint("cut the recording to the part that matters"));
        }
        frames.extend_from_slice(&block);
    }
}

/// Fills `into` as far as the source goes; how many bytes that were.
fn fill(source: &mut impl Read, into: &mut [u8]) -> std::io::Result<usize> {
    let mut got = 0;
    while got < into.len() {
        match source.read(&mut into[got..]) {
            Ok(0) => break,
            Ok(more) => got += more,
            Err(error) if error.kind() == ErrorKind::Interrupted => {}
            Err(error) => return Err(error),
        }
    }
    Ok(got)
}

fn id_and_size(bytes: &[u8]) -> ([u8; 4], u32) {
    let id = [bytes[0], bytes[1], bytes[2], bytes[3]];
    (id, u32_at(bytes, 4))
}

fn u16_at(bytes: &[u8], at: usize) -> u16 {
    u16::from_le_bytes([bytes[at], bytes[at + 1]])
}

fn u32_at(bytes: &[u8], at: usize) -> u32 {
    u32::from_le_bytes([bytes[at], bytes[at + 1], bytes[at + 2], bytes[at + 3]])
}

fn u64_at(bytes: &[u8], at: usize) -> u64 {
    u64::from(u32_at(bytes, at)) | u64::from(u32_at(bytes, at + 4)) << 32
}

/// Four bytes as the message shows them.
fn shown(id: &[u8; 4]) -> String {
    format!("\"{}\"", id.escape_ascii())
}

/// Whether four bytes can be the name of a chunk: letters, digits and the like, blanks at the end.
fn is_name(id: &[u8]) -> bool {
    id[0] != b' ' && id.iter().all(|b| (b' '..=b'~').contains(b))
}

/// A header on its way.
struct Header<'a, R> {
    file: &'a Path,
    source: R,
    offset: u64,
}

impl<R: Read> Header<'_, R> {
    fn refuse(&self, at: u64, found: impl fmt::Display, expected: impl Into<String>) -> Error {
        Error::in_file(self.file, format!("{found} at byte {at}"), expected)
    }

    fn fill(&mut self, into: &mut [u8]) -> Result<usize> {
        let got = fill(&mut self.source, into)
            .map_err(|source| Error::file(self.file, "read", source))?;
        self.offset += got as u64;
        Ok(got)
    }

    fn exactly<const N: usize>(&mut self, expected: &str) -> Result<[u8; N]> {
        let mut bytes = [0; N];
        let got = self.fill(&mut bytes)?;
        if got == N {
            return Ok(bytes);
        }
        Err(self
            .refuse(self.offset, "the end of the file", expected)
            .with_hint("the file is cut short; fetch or save it again"))
    }

    /// Passes over `bytes` and, where `padded`, the pad byte. The bytes of the next chunk that had
    /// to be read to find out whether there is one are handed back, at most five.
    fn skip(&mut self, bytes: u64, padded: bool) -> Result<Vec<u8>> {
        let skipped = std::io::copy(&mut (&mut self.source).take(bytes), &mut std::io::sink())
            .map_err(|source| Error::file(self.file, "read", source))?;
        self.offset += skipped;
        if !padded {
            return Ok(Vec::new());
        }
        let mut next = vec![0; 5];
        let got = self.fill(&mut next)?;
        next.truncate(got);
        // A pad byte should be 0. Another one is either that of a careless program or, where the
        // program left it out, the beginning of the next chunk's name.
        let is_left_out = got == 5
            && next[0] != 0
            && is_name(&next[..4])
            && !NEEDED_NAMES.iter().any(|name| next[1..] == name[..]);
        if !is_left_out && got > 0 {
            next.remove(0);
        }
        Ok(next)
    }

    /// The format in a `fmt ` chunk of `bytes` whose content starts at `at`, and how many bytes
    /// of the chunk are left.
    fn format(&mut self, at: u64, bytes: u32) -> Result<(Format, u64)> {
        let plain: [u8; 16] = if bytes >= 16 {
            self.exactly("16 bytes of format")?
        } else {
            return Err(self
                .refuse(at - 4, format!("a format of {bytes} bytes"), "16 or more")
                .with_hint("the header is damaged; save the file again"));
        };
        let mut left = u64::from(bytes) - 16;
        let (mut tag, channels, rate_hz) =
            (u16_at(&plain, 0), u16_at(&plain, 2), u32_at(&plain, 4));
        let (frame_bytes, bits) = (u16_at(&plain, 12), u16_at(&plain, 14));
        let mut channel_mask = 0;
        let mut tag_at = at;
        if tag == TAG_EXTENSIBLE {
            if left < 24 {
                return Err(self
                    .refuse(
                        at - 4,
                        format!("a format of {bytes} bytes"),
                        "40 or more, as the tag 0xfffe at its start wants",
                    )
                    .with_hint("the header is damaged; save the file again"));
            }
            let extension: [u8; 24] = self.exactly("24 bytes of extended format")?;
            left -= 24;
            channel_mask = u32_at(&extension, 4);
            let valid_bits = u16_at(&extension, 2);
            if valid_bits > bits {
                return Err(self
                    .refuse(
                        at + 18,
                        format!("{valid_bits} valid bits"),
                        format!("at most the {bits} bits of a sample"),
                    )
                    .with_hint("the header contradicts itself; save the file again"));
            }
            tag_at = at + 24;
            tag = u16_at(&extension, 8);
            if extension[10..] != SUBFORMAT_TAIL {
                return Err(self
                    .refuse(
                        tag_at,
                        "an unknown sub-format",
                        "integers or floating point",
                    )
                    .with_hint("convert the file to plain WAV"));
            }
        }
        if channels == 0 {
            return Err(self.refuse(at + 2, "0 channels", "1 or more"));
        }
        if rate_hz == 0 {
            return Err(self.refuse(at + 4, "a rate of 0 Hz", "a rate above 0 Hz"));
        }
        let sample = match (tag, bits) {
            // Bits that fill no whole bytes are the upper ones of the next larger container.
            (TAG_PCM, 1..=8) => Sample::U8,
            (TAG_PCM, 9..=16) => Sample::I16,
            (TAG_PCM, 17..=24) => Sample::I24,
            (TAG_PCM, 25..=32) => Sample::I32,
            (TAG_FLOAT, 32) => Sample::F32,
            (TAG_FLOAT, 64) => Sample::F64,
            (TAG_PCM | TAG_FLOAT, _) => {
                return Err(self
                    .refuse(
                        at + 14,
                        format!("{bits} bits in a sample"),
                        "integers up to 32 bits or floating point of 32 or 64 bits",
                    )
                    .with_hint("convert the file to one of these"));
            }
            _ => {
                return Err(self
                    .refuse(
                        tag_at,
                        format!("the format tag {tag:#06x} (sound stored in a compressed way)"),
                        "1 (integers) or 3 (floating point)",
                    )
                    .with_hint("decode the file to plain WAV first"));
            }
        };
        let format = Format {
            rate_hz,
            channels,
            sample,
            channel_mask,
        };
        if usize::from(frame_bytes) != format.frame_bytes() {
            return Err(self
                .refuse(
                    at + 12,
                    format!("a frame of {frame_bytes} bytes"),
                    format!(
                        "{} for {channels} channels of {bits} bits",
                        format.frame_bytes()
                    ),
                )
                .with_hint("the header contradicts itself; save the file again"));
        }
        Ok((format, left))
    }

    /// A `data` chunk that declares 0 bytes is empty when nothing or another chunk follows it.
    /// Otherwise its writer never came to complete the header: everything up to the end of the
    /// file is sound. The declared size, and what was looked at.
    fn open_or_empty(&mut self, riff_bytes: u32) -> Result<(Option<u64>, Vec<u8>)> {
        let mut ahead = vec![0; 8];
        let got = self.fill(&mut ahead)?;
        ahead.truncate(got);
        let is_chunk = got == 8 && is_name(&ahead[..4]) && {
            // 8 bytes of "RIFF" and its size are not counted in that size.
            let end = u64::from(riff_bytes) + 8;
            riff_bytes != OPEN_SIZE && self.offset + u64::from(u32_at(&ahead, 4)) <= end
        };
        if got == 0 || is_chunk {
            Ok((Some(0), Vec::new()))
        } else {
            Ok((None, ahead))
        }
    }
}
