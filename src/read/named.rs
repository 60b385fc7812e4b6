//! What is either built in or stands in a file of the user's own.

use super::input::{Input, is_file};
use super::source::Source;
use crate::error::{Error, Result};
use std::path::Path;

/// Text of the thing called `name`, of which there are many of the kind `what`: a built-in one (name and
/// text), or a file of `input`. A file is whatever ends in `.toml`, holds a slash or is there.
///
/// # Errors
/// When there is none of that name, or the file cannot be read.
pub(super) fn source(
    input: &dyn Input,
    what: &str,
    name: &str,
    built_in: &[(&'static str, &'static str)],
) -> Result<Source> {
    if let Some((_, text)) = built_in.iter().find(|(own, _)| *own == name) {
        return of_built_in(name, text);
    }
    let file = Path::new(name);
    if name.ends_with(".toml") || name.contains(['/', '\\']) || is_file(input, file) {
        return Source::read_description(input, file);
    }
    let mut known: Vec<String> = built_in.iter().map(|(own, _)| own.to_string()).collect();
    known.sort_by_key(|own| strsim::damerau_levenshtein(own, name));
    Err(Error::Unknown {
        what: what.to_string(),
        found: name.to_string(),
        known,
    })
}

/// The built-in `text` as if it stood in a file called after it.
pub(super) fn of_built_in(name: &str, text: &str) -> Result<Source> {
    Source::from_bytes(Path::new(&format!("{name}.toml")), text.into())
}

/// What a file is called without its ending.
pub(super) fn stem(file: &Path, otherwise: &str) -> String {
    file.file_stem().map_or_else(
        || otherwise.to_string(),
        |stem| stem.to_string_lossy().into_owned(),
    )
}
