//! What was measured and wanted, read from files; one file per input format.
//!
//! Every message about a file names line and column, both counted from 1, the column in
//! characters. Readers take what is sound and refuse the rest; they never repair.

pub mod device;
mod angle;
mod between;
mod by_name;
mod common_grid;
mod conditions;
mod document;
mod evidence;
mod fields;
pub mod filter_list;
pub mod folder;
mod forms;
mod gated;
mod impulses;
mod inside;
pub mod loopback;
mod low_end;
pub mod missing;
mod orbits;
mod phase;
mod repeats;
pub mod seats;
mod sofa;
pub mod plan_curves;
pub mod table;
pub mod target;
mod text;
mod understood;
pub mod wanted;

use crate::error::{Error, Result};
use std::path::{Path, PathBuf};

/// Where a target or device of some name comes from.
enum Named {
    BuiltIn(&'static str, &'static str),
    Path(PathBuf),
}

/// A built-in name, or a path to a file of the user's own: whatever ends in `.toml`, holds a
/// slash or names a file that is there.
fn find(
    what: &str,
    name_or_path: &str,
    built_in: &'static [(&'static str, &'static str)],
) -> Result<Named> {
    if let Some((name, text)) = built_in.iter().find(|(name, _)| *name == name_or_path) {
        return Ok(Named::BuiltIn(name, text));
    }
    let path = Path::new(name_or_path);
    if name_or_path.ends_with(".toml") || name_or_path.contains(['/', '\\']) || path.is_file() {
        return Ok(Named::Path(path.to_path_buf()));
    }
    let mut known: Vec<String> = built_in.iter().map(|(name, _)| name.to_string()).collect();
    known.sort_by_key(|name| strsim::damerau_levenshtein(name, name_or_path));
    Err(Error::Unknown {
        what: what.to_string(),
        found: name_or_path.to_string(),
        known,
    })
}
