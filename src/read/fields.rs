//! Lines of a table cut into fields, and what a field can be taken for.

use super::text;

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Separator {
    Comma,
    Semicolon,
    Tab,
    Blanks,
}

impl Separator {
    fn byte(self) -> Option<u8> {
        match self {
            Separator::Comma => Some(b','),
            Separator::Semicolon => Some(b';'),
            Separator::Tab => Some(b'\t'),
            Separator::Blanks => None,
        }
    }

    /// The separator of a text: the first one, in the order semicolon, tab, comma, blanks,
    /// that cuts an early row into numbers; failing that the first one that is there at all.
    pub fn of(text: &str) -> Separator {
        let mut fields = Vec::new();
        let mut first_there = None;
        let rows = text::lines(text)
            .filter(|line| is_row_like(line.text))
            .take(100);
        for line in rows {
            let there = [
                Separator::Semicolon,
                Separator::Tab,
                Separator::Comma,
                Separator::Blanks,
            ]
            .into_iter()
            .filter(|s| s.byte().is_none_or(|b| line.text.as_bytes().contains(&b)));
            for separator in there {
                split(line.text, separator, &mut fields);
                first_there.get_or_insert(separator);
                let decimal_comma = separator != Separator::Comma;
                if fields.len() >= 2
                    && fields
                        .iter()
                        .all(|f| number(f.of(line.text), decimal_comma).is_some())
                {
                    return separator;
                }
            }
        }
        first_there.unwrap_or(Separator::Comma)
    }
}

/// Bytes of a field within its line, blanks and quotes around it left out.
#[derive(Debug, Clone, Copy)]
pub(super) struct Field {
    pub start: usize,
    pub end: usize,
}

impl Field {
    pub fn of(self, line: &str) -> &str {
        &line[self.start..self.end]
    }
}

/// A line is cut into no more fields than this and one: no table has so many columns, and what a
/// hostile line could ask for in memory is many times its length.
pub(super) const MOST_FIELDS: usize = 4096;

/// Cuts a line into its fields, the first [`MOST_FIELDS`] of them and one more where there are
/// more.
pub(super) fn split(line: &str, separator: Separator, fields: &mut Vec<Field>) {
    fields.clear();
    let bytes = line.as_bytes();
    match separator.byte() {
        None => {
            let mut at = 0;
            while at < bytes.len() && fields.len() <= MOST_FIELDS {
                let is_blank = |b: &u8| *b == b' ' || *b == b'\t';
                let start = at + bytes[at..].iter().take_while(|b| is_blank(b)).count();
                let end = start + bytes[start..].iter().take_while(|b| !is_blank(b)).count();
                if end > start {
                    fields.push(trimmed(line, start, end));
                }
                at = end.max(at + 1);
            }
        }
        Some(byte) => {
            let mut start = 0;
            for end in bytes
                .iter()
                .enumerate()
                .filter(|(_, b)| **b == byte)
                .map(|(i, _)| i)
                .chain([bytes.len()])
            {
                if fields.len() > MOST_FIELDS {
                    return;
                }
                fields.push(trimmed(line, start, end));
                start = end + 1;
            }
            if fields.len() > 1 && fields.last().is_some_and(|f| f.start == f.end) {
                fields.pop();
            }
        }
    }
}

fn trimmed(line: &str, start: usize, end: usize) -> Field {
    let piece = &line[start..end];
    let from = start + (piece.len() - piece.trim_start().len());
    let inner = piece.trim();
    let to = from + inner.len();
    if inner.len() >= 2 && inner.starts_with('"') && inner.ends_with('"') {
        Field {
            start: from + 1,
            end: to - 1,
        }
    } else {
        Field {
            start: from,
            end: to,
        }
    }
}

/// A finite number; `None` for anything else, "nan" and "inf" included.
pub(super) fn number(field: &str, decimal_comma: bool) -> Option<f64> {
    let parsed = match field.parse::<f64>() {
        Ok(value) => value,
        Err(_) => {
            let mut plain = field.replace('\u{2212}', "-");
            if decimal_comma && plain.matches(',').count() == 1 && !plain.contains('.') {
                plain = plain.replace(',', ".");
            }
            plain.parse::<f64>().ok()?
        }
    };
    parsed.is_finite().then_some(parsed)
}

pub(super) fn is_comment(line: &str) -> bool {
    let line = line.trim_start();
    match line.as_bytes().first() {
        Some(b'#' | b';' | b'*' | b'%') => true,
        Some(b'"') => !begins_with_a_quoted_field(line),
        _ => line.starts_with("//"),
    }
}

fn begins_with_a_quoted_field(line: &str) -> bool {
    line[1..].find('"').is_some_and(|end| {
        line[1 + end + 1..]
            .trim_start_matches(' ')
            .starts_with([',', ';', '\t'])
    })
}

/// Whether a line sets out to be a row of numbers, right or wrong.
fn is_row_like(line: &str) -> bool {
    !line.trim().is_empty() && !is_comment(line) && {
        let line = line.trim_start().trim_start_matches('"');
        begins_like_a_number(line)
    }
}

pub(super) fn begins_like_a_number(field: &str) -> bool {
    let unsigned = field.trim_start_matches(['+', '-', '\u{2212}', '.', ',']);
    unsigned.starts_with(|c: char| c.is_ascii_digit()) || is_named_number(unsigned)
}

/// Not-a-number and infinity by their names.
fn is_named_number(field: &str) -> bool {
    let word: String = field
        .chars()
        .take_while(|c| c.is_alphanumeric())
        .collect::<String>()
        .to_lowercase();
    ["nan", "inf", "infinity"].contains(&word.as_str())
}

/// A field of a unit line: a unit, bare or in brackets, or nothing.
pub(super) fn is_unit(field: &str) -> bool {
    const UNITS: [&str; 22] = [
        "", "hz", "khz", "db", "dbr", "dbspl", "db spl", "dbv", "deg", "degree", "degrees", "°",
        "rad", "ohm", "ohms", "ω", "%", "percent", "v", "w", "pa", "m",
    ];
    let bare = field.trim_matches(|c: char| "[]()<> ".contains(c));
    UNITS.contains(&bare.to_lowercase().as_str())
}

pub(super) fn names_frequency(field: &str) -> bool {
    let lower = field.to_lowercase();
    let letters: String = lower.chars().filter(|c| c.is_alphabetic()).collect();
    lower.contains("freq") || ["f", "hz", "fhz", "fkhz", "khz"].contains(&letters.as_str())
}

#[cfg(test)]
mod tests {
    use super::*;

    fn fields(line: &str, separator: Separator) -> Vec<&str> {
        let mut found = Vec::new();
        split(line, separator, &mut found);
        found.into_iter().map(|field| field.of(line)).collect()
    }

    #[test]
    fn fields_lose_blanks_quotes_and_one_closing_separator() {
        assert_eq!(fields(" 1, \"a b\" ,,", Separator::Comma), ["1", "a b", ""]);
        assert_eq!(fields("  1 \t 2  ", Separator::Blanks), ["1", "2"]);
        assert_eq!(fields("1\t\t2", Separator::Tab), ["1", "", "2"]);
        assert_eq!(fields("1", Separator::Semicolon), ["1"]);
    }

    #[test]
    fn the_separator_is_the_one_that_makes_numbers() {
        for (text, separator) in [
            ("freq;level\n20;-1,5\n", Separator::Semicolon),
            ("a, b, c\n20, -1.5\n", Separator::Comma),
            ("20,5 -1,5\n", Separator::Blanks),
            ("20,5\t-1,5\n", Separator::Tab),
            ("x\t20 -1\n30 \t-1\n", Separator::Tab),
            ("2o;1\n30;1\n", Separator::Semicolon),
            ("", Separator::Comma),
        ] {
            assert_eq!(Separator::of(text), separator, "{text:?}");
        }
    }

    #[test]
    fn a_line_of_quoted_fields_is_no_comment() {
        assert!(is_comment("\"measured at home\""));
        assert!(is_comment("  // x"));
        assert!(!is_comment("\"freq\" ; \"0\""));
        assert!(!is_comment("20,1"));
    }

    #[test]
    fn numbers_are_finite_and_may_have_a_decimal_comma_or_a_typographic_minus() {
        assert_eq!(number("-1,5", true), Some(-1.5));
        assert_eq!(number("-1,5", false), None);
        assert_eq!(number("\u{2212}3", false), Some(-3.0));
        assert_eq!(number("1.000,5", true), None);
        for text in ["nan", "inf", "1e999", "", "0x10", "1 2"] {
            assert_eq!(number(text, true), None, "{text}");
        }
    }
}
