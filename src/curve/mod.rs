//! Frequency grids and what is done along them: interpolation, power averaging, smoothing.
//! Nothing here knows of angles or files.

mod grid;
mod resample;
mod smooth;

pub use grid::Grid;
pub(crate) use resample::Resampling;
pub use resample::resample_db;
pub use smooth::Smoother;
