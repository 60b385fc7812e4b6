//! One file per output format.

pub mod filter_list;
pub mod json;
