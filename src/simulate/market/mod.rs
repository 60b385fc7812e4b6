//! A fourth physics, as wide as the market and as mild: sources with directivities of their own on
//! boxes with edges, behind real crossovers, with one to three small defects.

mod defects;
mod directivity;
mod edges;
mod habits;
mod layout;
mod source;
mod speaker;
mod transfer;
mod unevenness;

pub use habits::Habits;
pub use speaker::MarketSpeaker;
