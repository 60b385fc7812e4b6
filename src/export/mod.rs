//! One file per output format.

pub mod curves;
pub mod filter_list;
pub mod json;
