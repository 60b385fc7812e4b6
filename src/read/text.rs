//! Text files: bytes to lines, with places for messages.

use crate::error::{Error, Result};
use std::fs::File;
use std::io::Read;
use std::path::{Path, PathBuf};

/// The largest file that is read, bytes. A wide orbit table at 10 000 points per octave would
/// still fit; what is larger is no table of a loudspeaker.
pub const MOST_BYTES: u64 = 64 << 20;

/// The largest description (TOML) that is read, bytes. Its notation takes many times its size in
/// memory while it is read, and a thousand points of a target fit in easily.
const MOST_DESCRIPTION_BYTES: u64 = 1 << 20;

/// As much of a wrong field as a message shows, characters.
const SHOWN_CHARS: usize = 40;

/// A text file in memory, without its byte order mark.
#[derive(Debug, Clone)]
pub(super) struct Source {
    /// The file as the user named it.
    pub file: PathBuf,
    /// Its text.
    pub text: String,
    /// Its size in bytes.
    pub bytes: u64,
    /// CRC-32 (IEEE 802.3) over its bytes.
    pub crc32: u32,
}

/// The bytes of a text file, [`MOST_BYTES`] at most.
pub(super) fn read_bytes(file: &Path) -> Result<Vec<u8>> {
    read_bytes_of(file, MOST_BYTES, "a text file")
}

/// The bytes of a regular file that should be `what`, `most` at most (whole mebibytes).
pub(super) fn read_bytes_of(file: &Path, most: u64, what: &str) -> Result<Vec<u8>> {
    let failed = |source| Error::file(file, "read", source);
    // Asked before opening: opening a pipe would wait for ever.
    let metadata = std::fs::metadata(file).map_err(failed)?;
    if !metadata.is_file() {
        let found = if metadata.is_dir() {
            "a folder"
        } else {
            "something that is no file"
        };
        return Err(Error::in_file(file, found, what));
    }
    let size = metadata.len().min(most + 1);
    let mut bytes = Vec::with_capacity(usize::try_from(size).unwrap_or(0));
    File::open(file)
        .map_err(failed)?
        .take(most + 1)
        .read_to_end(&mut bytes)
        .map_err(failed)?;
    if bytes.len() as u64 > most {
        return Err(Error::in_file(
            file,
            format!("more than {} MiB", most >> 20),
            format!("{what} of at most {} MiB", most >> 20),
        ));
    }
    Ok(bytes)
}

impl Source {
    /// Reads a file of UTF-8 text.
    pub fn read(file: &Path) -> Result<Source> {
        Source::from_bytes(file, read_bytes(file)?)
    }

    /// Reads a file of TOML.
    pub fn read_description(file: &Path) -> Result<Source> {
        let bytes = read_bytes_of(file, MOST_DESCRIPTION_BYTES, "a text file")?;
        Source::from_bytes(file, bytes)
    }

    /// Text from bytes that came from `file`.
    pub fn from_bytes(file: &Path, bytes: Vec<u8>) -> Result<Source> {
        let (size, crc32) = (bytes.len() as u64, crc32fast::hash(&bytes));
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
            crc32,
        })
    }
}

/// One line without its end.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Line<'a> {
    /// From 1.
    pub number: usize,
    /// Byte at which it starts in the text.
    pub start: usize,
    /// Its text.
    pub text: &'a str,
}

/// The lines of `text`, each ended by LF, CRLF, CR or the end of the text.
pub(super) fn lines(text: &str) -> impl Iterator<Item = Line<'_>> {
    let bytes = text.as_bytes();
    let (mut start, mut number) = (0, 0);
    std::iter::from_fn(move || {
        if start >= bytes.len() {
            return None;
        }
        let end = memchr::memchr2(b'\n', b'\r', &bytes[start..])
            .map_or(bytes.len(), |length| start + length);
        number += 1;
        let line = Line {
            number,
            start,
            text: &text[start..end],
        };
        let crlf = bytes.get(end) == Some(&b'\r') && bytes.get(end + 1) == Some(&b'\n');
        start = end + if crlf { 2 } else { 1 };
        Some(line)
    })
}

/// Line and column of the byte `at`, which may be the end of the text.
pub(super) fn place(text: &str, at: usize) -> (usize, usize) {
    let at = at.min(text.len());
    let mut last = (1, 0);
    for line in lines(text) {
        if line.start > at {
            break;
        }
        last = (line.number, line.start);
    }
    // After a final line end there is one more, empty line.
    let rest = &text[last.1..];
    if let Some(end) = rest.find(['\n', '\r'])
        && at == text.len()
        && at > last.1 + end
    {
        return (last.0 + 1, 1);
    }
    (last.0, column(&text[last.1..], at - last.1))
}

/// Column, in characters from 1, of the byte `at` of a line.
pub(super) fn column(line: &str, at: usize) -> usize {
    1 + line.char_indices().take_while(|(i, _)| *i < at).count()
}

/// A piece of a file as a message shows it: in quotes, escaped, cut when long.
pub(super) fn shown(found: &str) -> String {
    let cut: String = found.chars().take(SHOWN_CHARS).collect();
    let dots = if cut.len() < found.len() { "..." } else { "" };
    format!("{:?}", format!("{cut}{dots}"))
}

/// The one of `known` that needs the fewest strokes to become `found`; the first of equals.
pub(super) fn nearest<'a>(found: &str, known: &[&'a str]) -> Option<&'a str> {
    known
        .iter()
        .copied()
        .min_by_key(|name| strsim::damerau_levenshtein(found, name))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_line_end_counts_once() {
        let all: Vec<(usize, &str)> = lines("a\nb\r\nc\rd\n\r\ne")
            .map(|l| (l.number, l.text))
            .collect();
        assert_eq!(
            all,
            [(1, "a"), (2, "b"), (3, "c"), (4, "d"), (5, ""), (6, "e")]
        );
    }

    #[test]
    fn places_count_characters() {
        let text = "ab\r\nµ°x\n";
        assert_eq!(place(text, 0), (1, 1));
        assert_eq!(place(text, text.find('x').unwrap()), (2, 3));
        assert_eq!(place(text, text.len()), (3, 1));
        assert_eq!(place("", 0), (1, 1));
    }

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
