//! Is a filter list sound, and does a device do what it says? If not, what is wrong with it?
//!
//! Nothing here reads a file or prints; measurements come in as numbers, verdicts go out as
//! values whose wording stands in their `Display`.

pub mod after;
pub mod compare;
pub mod faults;
pub mod grid_noise;
mod interface;
pub mod loopback;
mod phase;
pub mod q_reading;
pub mod soundness;

pub use compare::{Comparison, NamedFault, compare};
pub use faults::Fault;
pub use loopback::Loopback;
pub use soundness::{Soundness, soundness};
