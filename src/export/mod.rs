//! One file per output format.

pub mod json;
