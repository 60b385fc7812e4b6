//! Physical loudspeakers with known defects: for the demo, the tests and the population trial.
//!
//! Drivers are caps that move along their axis in a rigid sphere, fed through real crossovers
//! and a box high-pass; each defect is put in as its own piece of physics and can be taken out
//! again, so that what it alone does to every curve is known.

mod analog;
mod cap;
mod chance;
mod defect;
mod design;
mod demo;
mod draw;
mod draw_defect;
mod field;
mod known;
mod market;
mod measurement;
mod population;
mod radiation;
mod shoebox;
mod sketch;
mod speaker;
mod special;
mod vector;

pub use analog::{BoxTuning, Crossover, Filter, Slope};
pub use defect::{Defect, DefectKind, Fault, Place, SecondSource};
pub use demo::{demo_seats, demo_speakers};
pub use design::{Design, Driver};
pub use field::FieldSpeaker;
pub use known::{Effect, Simulated, Truth};
pub use market::{Habits, MarketSpeaker};
pub use measurement::{Measurement, Sides, full_orbits};
pub use shoebox::{Listening, Mode, Shoebox, Spot};
pub use sketch::SketchSpeaker;
pub use speaker::Speaker;
