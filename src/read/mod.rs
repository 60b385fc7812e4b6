//! One file per input format.

pub mod filter_list;
