//! One file per output format.

pub mod curves;
pub mod files;
pub mod filter_list;
pub mod json;
pub mod speaker_folder;
