//! Text: its lines, places in it, and pieces of it as messages show them.

/// As much of a wrong field as a message shows, characters.
const SHOWN_CHARS: usize = 40;

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
pub(crate) fn shown(found: &str) -> String {
    let cut: String = found.chars().take(SHOWN_CHARS).collect();
    let dots = if cut.len() < found.len() { "..." } else { "" };
    format!("{:?}", format!("{cut}{dots}"))
}

/// A frequency in Hz as a person would write it: two decimals at most.
pub(crate) fn in_hz(f_hz: f64) -> String {
    let text = format!("{f_hz:.2}");
    text.trim_end_matches('0').trim_end_matches('.').to_string()
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
}
