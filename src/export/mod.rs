//! One file per output format, and how output gets onto the disk.

#[cfg(feature = "report")]
pub mod applied;
#[cfg(feature = "pictures")]
pub mod bitmap;
pub mod c_header;
#[cfg(feature = "report")]
pub mod checked;
#[cfg(feature = "report")]
pub mod converted;
pub mod curves;
#[cfg(feature = "cli")]
mod exchange;
#[cfg(feature = "cli")]
pub mod files;
pub mod filter_list;
pub mod folder;
#[cfg(feature = "report")]
pub mod json;
#[cfg(feature = "report")]
pub mod look;
#[cfg(feature = "report")]
pub mod owner;
#[cfg(feature = "report")]
mod pair;
#[cfg(feature = "report")]
mod room;
#[cfg(feature = "report")]
mod rows;
#[cfg(feature = "cli")]
pub mod summary;
#[cfg(feature = "cli")]
mod system;
#[cfg(feature = "cli")]
mod temporary;
