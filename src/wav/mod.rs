//! Sound files: RIFF/WAVE in and out, in blocks and in constant memory.
//!
//! Sources: IBM and Microsoft, Multimedia Programming Interface and Data Specifications 1.0
//! (1991), chapters 2 and 3 (RIFF, WAVE); Microsoft, "Multiple Channel Audio Data and WAVE Files"
//! (2001, `WAVE_FORMAT_EXTENSIBLE`); EBU Tech 3306 (2009, RF64 and `ds64`) and ITU-R BS.2088
//! (BW64, read alike); EBU Tech 3285 (`bext`, skipped like every other chunk that is not needed).
//!
//! Samples are `f64` with full scale at 1: an integer of n bits is divided by `2^(n-1)`, so the
//! lowest is -1 and the highest one step below 1. Frames are interleaved.

mod format;
mod read;
mod write;

pub use format::{Format, Sample};
pub use read::{Cut, Ending, Reader, Recording, read_to_end, read_whole};
pub use write::Writer;
