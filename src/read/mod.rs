//! What was measured and wanted, read from files; one file per input format.
//!
//! Every message about a file names line and column, both counted from 1, the column in
//! characters. Readers take what is sound and refuse the rest; they never repair. They open files
//! through [`input::Input`] alone, on a disk or in memory, and hand on values, not words.
//!
//! The files stand in the order in which data walks through them; each uses only those above it,
//! which `tests/rooms.rs` holds.

mod text;
pub mod input;
pub mod disk;
pub mod memory;
mod source;
mod document;
mod fields;
mod shape;
mod rows;
pub mod table;
mod named;
mod angle;
mod understood;
mod opened;
mod common_grid;
mod repeats;
mod between;
mod phase;
mod gated;
mod orbits;
mod found;
mod patterns;
mod impulses;
#[cfg(feature = "sofa")]
mod sofa;
mod forms;
mod by_name;
mod conditions;
mod low_end;
mod evidence;
pub mod folder;
pub mod missing;
pub mod target;
pub mod device;
pub mod wanted;
pub mod seats;
pub mod loopback;
pub mod filter_list;
pub mod plan_curves;

#[cfg(feature = "report")]
pub(crate) use text::{in_hz, shown};
