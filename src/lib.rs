//! planish plans EQ for a measured loudspeaker.
//!
//! Measurements at many angles go in; CTA-2034-A curves, an audit of what EQ can mend and
//! what it must leave alone, and a filter list for the DSP box at hand come out.
//!
//! # Conventions
//!
//! - **Level** in dB, `20 lg` of an amplitude or `10 lg` of a power; references are relative
//!   unless a name says otherwise. `gain_db` is a difference of levels and adds along a cascade.
//! - **Phase** in degrees where read or written, in radians inside; a delay makes it fall
//!   (`e^{-j omega t}` for a delay of t).
//! - **Biquads** are normalised to `a0 = 1`:
//!   `H(z) = (b0 + b1/z + b2/z^2) / (1 + a1/z + a2/z^2)`. The sign of `a1`, `a2` in a file
//!   follows the device and is stated there; inside it is always this one.
//! - **Q** is that of the W3C Audio EQ Cookbook for every stage; other definitions exist only
//!   at the edges (`export`, `device`).
//! - **Angles** in degrees. Horizontal positive and vertical positive (up) as in CTA-2034-A,
//!   zero is the reference axis, -180 and 180 are one direction.
//! - **Frequency** in hertz, `f64` everywhere; distances along the frequency axis in octaves.
//! - `omega_rad` is radians per sample.
//!
//! # Rooms
//!
//! The modules stand in the order in which data walks through them; a room uses only rooms
//! above it. `tests/rooms.rs` reads this list and the imports and refuses a step upward.

pub mod error;
pub mod units;
pub mod algebra;
pub mod wav;
pub mod curve;
pub mod filter;
pub mod response;
pub mod average;
pub mod aim;
pub mod rating;
pub mod target;
pub mod device;
pub mod filter_list;
pub mod apply;
pub mod fit;
pub mod audit;
pub mod seats;
pub mod pair;
pub mod budget;
pub mod findings;
pub mod predict;
pub mod check;
pub mod convert;
pub mod simulate;
pub mod read;
#[cfg(feature = "report")]
pub mod report;
pub mod export;
pub mod run;
#[cfg(feature = "cli")]
pub mod trial;
#[cfg(feature = "cli")]
pub mod cli;

pub use error::{Error, Result};
