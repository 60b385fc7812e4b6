//! One file per output format, and how output gets onto the disk.

pub mod applied;
pub mod bitmap;
pub mod c_header;
pub mod checked;
pub mod converted;
pub mod curves;
mod exchange;
pub mod files;
pub mod filter_list;
pub mod folder;
pub mod json;
pub mod look;
pub mod owner;
mod pair;
mod room;
mod rows;
pub mod summary;
mod system;
mod temporary;
