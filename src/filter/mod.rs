//! Biquads and banks of them: coefficients from parameters, exact digital response, stability.
//! Nothing here knows the limits of a device.

mod bank;
mod biquad;
mod stage;

pub use bank::Bank;
pub use biquad::{Biquad, Poles};
pub use stage::{Kind, Stage};
