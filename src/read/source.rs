//! Text files of an input: bytes to text, with their size and their SHA-256.

use super::input::{Input, bytes_of};
use super::text::place;
use crate::error::{Error, Result};
use sha2::{Digest, Sha256};
use std::path::{Path, PathBuf};

/// The largest file that is read, bytes. A wide orbit table at 10 000 points per octave would
/// still fit; what is larger is no table of a loudspeaker.
pub(super) const MOST_BYTES: u64 = 64 << 20;

/// The largest description (TOML) that is read, bytes. Its notation takes many times its size in
/// memory while it is read, and a thousand points of a target fit in easily.
const MOST_DESCRIPTION_BYTES: u64 = 1 << 20;

/// A text file in memory, without its byte order mark.
#[derive(Debug, Clone)]
pub(super) struct Source {
    /// The file as the user named it.
    pub file: PathBuf,
    /// Its text.
    pub text: String,
    /// Its size in bytes.
    pub bytes: u64,
    /// SHA-256 of its bytes, 64 hexadecimal digits.
    pub sha256: String,
}

/// SHA-256 (FIPS 180-4) of `bytes`, 64 hexadecimal digits: says which file was read.
pub(super) fn sha256_of(bytes: &[u8]) -> String {
    let digest = Sha256::digest(bytes);
    digest.iter().map(|byte| format!("{byte:02x}")).collect()
}

impl Source {
    /// Reads a file of UTF-8 text.
    pub fn read(input: &dyn Input, name: &Path) -> Result<Source> {
        Source::of_size(input, name, MOST_BYTES)
    }

    /// Reads a file of TOML.
    pub fn read_description(input: &dyn Input, name: &Path) -> Result<Source> {
        Source::of_size(input, name, MOST_DESCRIPTION_BYTES)
    }

    fn of_size(input: &dyn Input, name: &Path, most: u64) -> Result<Source> {
        let bytes = bytes_of(input, name, most, "a text file")?;
        Source::from_bytes(&input.shown(name), bytes)
    }

    /// Text from bytes that came from `file`.
    pub fn from_bytes(file: &Path, bytes: Vec<u8>) -> Result<Source> {
        let (size, sha256) = (bytes.len() as u64, sha256_of(&bytes));
        if bytes.starts_with(&[0xFF, 0xFE]) || bytes.starts_with(&[0xFE, 0xFF]) {
            return Err(Error::at(file, 1, 1, "UTF-16 text", "UTF-8 text")
                .with_hint("save the file as UTF-8"));
        }
        let mut text = String::from_utf8(bytes).map_err(|error| {
            let valid = error.utf8_error().valid_up_to();
            let bytes = error.as_bytes();
            let (line, column) = place(&String::from_utf8_lossy(&bytes[..valid]), valid);
            Error::at(
                file,
                line,
                column,
                format!("the byte 0x{:02X}, which is not UTF-8", bytes[valid]),
                "UTF-8 text",
            )
            .with_hint("save the file as UTF-8")
        })?;
        if text.starts_with('\u{FEFF}') {
            text.drain(..'\u{FEFF}'.len_utf8());
        }
        Ok(Source {
            file: file.to_path_buf(),
            text,
            bytes: size,
            sha256,
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_wrong_byte_is_placed_and_a_byte_order_mark_is_not_counted() {
        let error = Source::from_bytes(Path::new("f.txt"), b"20,1\n30,\xB0".to_vec()).unwrap_err();
        assert!(
            error
                .to_string()
                .starts_with("f.txt:2:4: found the byte 0xB0, which is not UTF-8")
        );
        let marked = Source::from_bytes(Path::new("f.txt"), b"\xEF\xBB\xBFx".to_vec()).unwrap();
        assert_eq!((marked.text.as_str(), marked.bytes), ("x", 4));
    }
}
