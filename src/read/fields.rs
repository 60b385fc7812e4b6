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
    // Nearly every field of a large table begins and ends like this.
    let is_plain = |byte: Option<&u8>| byte.is_some_and(|b| b.is_ascii_graphic() && *b != b'"');
    if is_plain(piece.as_bytes().first()) && is_plain(piece.as_bytes().last()) {
        return Field { start, end };
    }
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

/// Significant digits of a number that are read; the rest cannot move a 64-bit value by more than
/// the last of its own digits. Without a limit, long numbers half-way between two such values take
/// a thousand times as long as any other, and a file can be full of them.
const MOST_DIGITS: u32 = 19;

/// Integers up to here and powers of ten up to `TENS` have no rounding of their own, and one
/// operation on two such values is rounded once: the result is the nearest value.
/// Source: Clinger 1990, How to read floating point numbers accurately, PLDI '90, section 3.
const MOST_EXACT: u64 = 1 << 53;
const TENS: [f64; 23] = [
    1e0, 1e1, 1e2, 1e3, 1e4, 1e5, 1e6, 1e7, 1e8, 1e9, 1e10, 1e11, 1e12, 1e13, 1e14, 1e15, 1e16,
    1e17, 1e18, 1e19, 1e20, 1e21, 1e22,
];

/// A finite number; `None` for anything else, "nan" and "inf" included. With `decimal_comma` the
/// decimal sign may be a comma; the minus may be the typographic one.
pub(super) fn number(field: &str, decimal_comma: bool) -> Option<f64> {
    let (is_negative, unsigned) = signed(field.as_bytes());
    let (mut mantissa, mut digits, mut exponent) = (0u64, 0u32, 0i64);
    let (mut any, mut after_sign, mut at) = (false, false, 0);
    while let Some(byte) = unsigned.get(at) {
        match byte {
            b'0'..=b'9' if digits < MOST_DIGITS => {
                any = true;
                mantissa = 10 * mantissa + u64::from(byte - b'0');
                digits += u32::from(mantissa > 0);
                exponent -= i64::from(after_sign);
            }
            b'0'..=b'9' => exponent += i64::from(!after_sign),
            b'.' if !after_sign => after_sign = true,
            b',' if !after_sign && decimal_comma => after_sign = true,
            b'e' | b'E' => break,
            _ => return None,
        }
        at += 1;
    }
    if !any {
        return None;
    }
    if at < unsigned.len() {
        exponent += ten_to(&unsigned[at + 1..])?;
    }
    let size = match usize::try_from(exponent.abs()) {
        _ if mantissa == 0 => 0.0,
        Ok(power) if power < TENS.len() && mantissa <= MOST_EXACT => match exponent < 0 {
            true => mantissa as f64 / TENS[power],
            false => mantissa as f64 * TENS[power],
        },
        _ => format!("{mantissa}e{exponent}").parse().ok()?,
    };
    let value: f64 = if is_negative { -size } else { size };
    value.is_finite().then_some(value)
}

/// Whether there is a minus, and what follows the sign.
fn signed(bytes: &[u8]) -> (bool, &[u8]) {
    match bytes {
        [b'-', rest @ ..] => (true, rest),
        [b'+', rest @ ..] => (false, rest),
        // U+2212, the typographic minus.
        [0xE2, 0x88, 0x92, rest @ ..] => (true, rest),
        _ => (false, bytes),
    }
}

/// The exponent of a number; beyond a million it is as good as infinite.
fn ten_to(bytes: &[u8]) -> Option<i64> {
    let (is_negative, digits) = signed(bytes);
    if digits.is_empty() || !digits.iter().all(u8::is_ascii_digit) {
        return None;
    }
    let size = digits.iter().fold(0, |so_far: i64, digit| {
        (10 * so_far + i64::from(digit - b'0')).min(1_000_000)
    });
    Some(if is_negative { -size } else { size })
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

    /// Numbers in many notations mean what the standard library makes of them.
    #[test]
    fn numbers_are_read_as_the_standard_library_reads_them() {
        let mut state = 1u64;
        let mut next = |below: u64| {
            state = state
                .wrapping_mul(6_364_136_223_846_793_005)
                .wrapping_add(1_442_695_040_888_963_407);
            (state >> 33) % below
        };
        for _ in 0..200_000 {
            let mut text = ["", "-", "+"][next(3) as usize].to_string();
            let digits = |text: &mut String, count: u64, next: &mut dyn FnMut(u64) -> u64| {
                (0..count).for_each(|_| text.push(char::from(b'0' + next(10) as u8)));
            };
            let (whole, broken) = (next(10), next(10));
            digits(&mut text, whole, &mut next);
            if next(4) > 0 {
                text.push('.');
                digits(&mut text, broken, &mut next);
            }
            if next(3) == 0 {
                text.push_str(["e", "E", "e-", "E+"][next(4) as usize]);
                let count = next(4);
                digits(&mut text, count, &mut next);
            }
            let wanted = text.parse::<f64>().ok().filter(|value| value.is_finite());
            let found = number(&text, false);
            assert_eq!(
                found.map(f64::to_bits),
                wanted.map(f64::to_bits),
                "{text}: {found:?}, {wanted:?}"
            );
        }
    }

    /// Beyond 19 digits the last bit may differ, and nothing takes longer.
    #[test]
    fn digits_beyond_the_nineteenth_move_a_number_by_its_last_bit_at_most() {
        for text in [
            "1.2345000000000000451097176e-300",
            "2.2250738585072011360574097967091319759348195463516456480234261097248222220210769455165295239081350879141491589130396211068700864386945946455274657075078206217433799881410632673292535522868813721490129811224514518898490572223072852551331557550159143974763979834118019993239628e-308",
            "100000000000000000000000000000000000000000",
            "0.000000000000000000000000000000000000000000000000000000000123456789012345678901",
        ] {
            let (found, wanted) = (number(text, false).unwrap(), text.parse::<f64>().unwrap());
            assert!(
                found.to_bits().abs_diff(wanted.to_bits()) <= 1,
                "{found:e} {wanted:e}"
            );
        }
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
