//! How often the judgement is right: loudspeakers whose defects are known one by one, planned like
//! any other and scored by what the exported filters do.
//!
//! A module of the library, because two examples (`trial`, which prints the figures, and
//! `weights`, which writes what the audit's weights are learned from) and the tests share it. It
//! stands below `run`, since it plans.

mod benefit;
mod known;
mod outcome;
mod population;
mod score;

pub use benefit::Benefit;
pub use known::{Known, KnownDefect};
pub use outcome::{Outcome, ScoredDefect, ScoredFinding, plan_and_score, run_one};
pub use population::{Evidence, Measured, Physics, draw, measurement, read};
pub use score::{DefectScore, Planned, ScoreGrid};
