//! Filters at work on a sound file: the arithmetic of the device, dither, what did not fit, and
//! loudness. Streams in blocks; nothing here grows with the length of the file.

mod applied;
mod dither;
mod double;
mod engine;
mod levels;
mod loudness;
mod single;
mod stream;
mod words;

pub use applied::{Applied, Twin, Written};
pub use dither::{DITHER_SEED, Output};
pub use engine::{Arithmetic, Engine};
pub use levels::{ChannelOvers, Levels};
pub use loudness::Loudness;
pub use stream::{Meters, pass};
pub use words::Saturation;
