//! Frequency grids and what is done along them: interpolation, power averaging, smoothing.
//! Nothing here knows of angles or files.

mod band;
mod grid;
mod resample;
mod smooth;
mod values;

pub use band::{Band, Limits};
pub use grid::Grid;
pub(crate) use resample::Resampling;
pub use resample::resample_db;
pub use smooth::Smoother;
pub use values::{At, Curve};
