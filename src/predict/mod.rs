//! What the filters will do: every angle and every averaged curve with the device's own rounded
//! numbers applied, and what that gains and costs.

pub mod aims;
mod asked;
pub mod contradiction;
mod grade;
mod mendable;
mod plan;
mod prediction;
pub mod situation;
pub mod summary;

pub use asked::contradictions;
pub use grade::{Grade, HARDLY_ANY_DB, REACH_PARTLY, REACH_WELL};
pub use mendable::Mendable;
pub use plan::{AngleLevels, Asked, Plan};
pub use prediction::{Demand, Prediction, WorstChange, predict, sections};
