//! Wording and drawing of what was computed above. No new numbers.

pub mod statement;
pub mod text;
