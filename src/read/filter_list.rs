//! The filter list, format 1, read back. The format stands in [`crate::filter_list`] and, line by
//! line, at the top of the writer in `export`.
//!
//! Strict: what is not fully understood is refused with its line and column. Reading is not
//! judging, though: a list whose sections are not stable, or whose coefficients do another thing
//! than their parameters say, is read as it stands.

use super::disk::DiskFolder;
use super::input::{Input, bytes_of};
use crate::device::{Coefficient, Feedback, Number};
use crate::error::{Error, Result};
use crate::filter::{Biquad, Kind, Stage};
use crate::filter_list::{
    FIRST_LINE, FilterList, ListedStage, equation, in_convention, quoted, word, word_digits,
};
use std::path::Path;

/// The largest list that is read, bytes: a thousand stages with remarks. Its numbers are read to the
/// last bit, which takes long for those made to be hard.
const MOST_BYTES: u64 = 1 << 20;

/// Reads the filter list in the file at `path` on the disk.
///
/// # Errors
/// When the file cannot be read or [`parse`] refuses it.
pub fn read(path: &Path) -> Result<FilterList> {
    read_from(&DiskFolder::here(), path)
}

/// [`read`] from the file `name` of `input`.
///
/// # Errors
/// As [`read`].
pub fn read_from(input: &dyn Input, name: &Path) -> Result<FilterList> {
    let bytes = bytes_of(input, name, MOST_BYTES, "a filter list")?;
    let path = &input.shown(name);
    match std::str::from_utf8(&bytes) {
        Ok(text) => parse(path, text),
        Err(error) => {
            let sound = String::from_utf8_lossy(&bytes[..error.valid_up_to()]);
            let (line, column) = place(&sound, sound.len());
            Err(Error::at(
                path,
                line,
                column,
                "bytes that are no UTF-8",
                "UTF-8 text",
            ))
        }
    }
}

/// Understands `text` as a filter list; `file` is named in the errors.
///
/// Numbers are taken in any notation that JSON allows, not only in the shortest one; words in
/// upper or lower case. The words of all stages must stand in one order, whichever it is: the
/// comment that names it is not read.
///
/// # Errors
/// At the first place that is not as the format wants it.
pub fn parse(file: &Path, text: &str) -> Result<FilterList> {
    let mut lines = Lines::new(file, text)?;
    first_line(&lines.first()?)?;
    let speaker = speaker(&lines.next("the line of the speaker")?)?;
    let rate_hz = {
        let line = lines.next("the line of the rate")?;
        let [field] = line.fields("rate_hz")?;
        let rate_hz = line.number(field)?;
        line.positive(field, rate_hz, "a rate above 0 Hz")?;
        rate_hz
    };
    let feedback = feedback(&lines.next("the line of the equation")?)?;
    let number = number_format(&lines.next("the line of the number format")?)?;
    let gain_db = {
        let line = lines.next("the line of the gain in front")?;
        let [field] = line.fields("gain_db")?;
        line.number(field)?
    };
    let mut orders = WordOrders::all();
    let mut stages = Vec::new();
    loop {
        let line = lines.next("a stage or the end line")?;
        if line.text.starts_with("end") {
            end(&line, text, stages.len())?;
            lines.nothing_left()?;
            return Ok(FilterList {
                speaker,
                rate_hz,
                number,
                feedback,
                gain_db,
                stages,
            });
        }
        let stage = stage(&line, stages.len() + 1, rate_hz)?;
        let mut listed = ListedStage {
            stage,
            biquad: None,
            words: None,
        };
        if number != Number::None {
            let section = coefficients(&mut lines, number, feedback)?;
            listed.biquad = Some(section);
            if let Number::Fixed { .. } = number {
                let line = lines.next("the line of the words")?;
                listed.words = Some(words(&line, &section, number, feedback, &mut orders)?);
            }
        }
        stages.push(listed);
    }
}

/// Line and column in characters, both from 1, of a byte of `text`.
fn place(text: &str, offset: usize) -> (usize, usize) {
    let before = &text[..offset];
    let line_start = before.rfind('\n').map_or(0, |at| at + 1);
    (
        1 + before.matches('\n').count(),
        1 + before[line_start..].chars().count(),
    )
}

/// Long finds are cut in messages after this many characters; enough to recognise the place.
const SHOWN_CHARACTERS: usize = 40;

fn shown(text: &str) -> String {
    let cut: String = text.chars().take(SHOWN_CHARACTERS).collect();
    if cut.len() < text.len() {
        format!("{}...", quoted(&cut))
    } else {
        quoted(text)
    }
}

/// One field of a line.
#[derive(Clone, Copy)]
struct Field<'a> {
    /// Byte in the line where it begins.
    at: usize,
    text: &'a str,
}

struct Line<'a> {
    file: &'a Path,
    /// From 1.
    index: usize,
    /// Byte of the whole text where it begins.
    offset: usize,
    text: &'a str,
}

impl<'a> Line<'a> {
    fn error(&self, at: usize, found: impl Into<String>, expected: impl Into<String>) -> Error {
        let column = 1 + self.text[..at].chars().count();
        Error::at(self.file, self.index, column, found, expected)
    }

    /// An error at a field.
    fn refuse(&self, field: Field, expected: impl Into<String>) -> Error {
        self.error(field.at, shown(field.text), expected)
    }

    /// Everything between single blanks.
    fn split(&self) -> Result<Vec<Field<'a>>> {
        let mut fields = Vec::new();
        let mut at = 0;
        for text in self.text.split(' ') {
            if text.is_empty() {
                let found = if self.text.is_empty() {
                    "an empty line"
                } else {
                    "an extra blank"
                };
                return Err(self.error(at, found, "fields parted by one blank each"));
            }
            fields.push(Field { at, text });
            at += text.len() + 1;
        }
        Ok(fields)
    }

    /// The `N` fields behind the word `name` with which the line begins.
    fn fields<const N: usize>(&self, name: &str) -> Result<[Field<'a>; N]> {
        let fields = self.split()?;
        let first = fields[0];
        if first.text != name {
            return Err(self.refuse(first, format!("\"{name}\"")));
        }
        if let Some(extra) = fields.get(1 + N) {
            return Err(self.refuse(*extra, "the end of the line"));
        }
        fields[1..].try_into().map_err(|_| {
            self.error(
                self.text.len(),
                "the end of the line",
                format!("{N} fields after \"{name}\""),
            )
        })
    }

    /// What stands behind the word `name` and one blank.
    fn rest(&self, name: &str) -> Result<Field<'a>> {
        match self
            .text
            .strip_prefix(name)
            .and_then(|rest| rest.strip_prefix(' '))
        {
            Some(text) => Ok(Field {
                at: name.len() + 1,
                text,
            }),
            None => Err(self.error(0, shown(self.text), format!("\"{name}\" and one blank"))),
        }
    }

    /// A field as a finite number in the notation of JSON (RFC 8259, section 6).
    fn number(&self, field: Field) -> Result<f64> {
        let value = if is_json_number(field.text) {
            field.text.parse::<f64>().ok()
        } else {
            None
        };
        value
            .filter(|v| v.is_finite())
            .ok_or_else(|| self.refuse(field, "a finite decimal number"))
    }

    fn positive(&self, field: Field, value: f64, expected: &str) -> Result<()> {
        if value > 0.0 {
            Ok(())
        } else {
            Err(self.refuse(field, expected))
        }
    }

    /// The number in a field `name=number`, and the field of the number alone.
    fn setting(&self, field: Field<'a>, name: &str) -> Result<(f64, Field<'a>)> {
        let text = field
            .text
            .strip_prefix(name)
            .and_then(|rest| rest.strip_prefix('='));
        let text = text.ok_or_else(|| self.refuse(field, format!("\"{name}=\" and a number")))?;
        let value = Field {
            at: field.at + name.len() + 1,
            text,
        };
        Ok((self.number(value)?, value))
    }
}

/// `-`, digits without a leading 0, fraction, exponent.
fn is_json_number(text: &str) -> bool {
    let is_digits = |s: &str| !s.is_empty() && s.bytes().all(|b| b.is_ascii_digit());
    let unsigned = text.strip_prefix('-').unwrap_or(text);
    let (mantissa, exponent) = match unsigned.split_once(['e', 'E']) {
        Some((mantissa, exponent)) => (mantissa, Some(exponent)),
        None => (unsigned, None),
    };
    let (whole, fraction) = match mantissa.split_once('.') {
        Some((whole, fraction)) => (whole, Some(fraction)),
        None => (mantissa, None),
    };
    is_digits(whole)
        && (whole == "0" || !whole.starts_with('0'))
        && fraction.is_none_or(is_digits)
        && exponent.is_none_or(|e| is_digits(e.strip_prefix(['-', '+']).unwrap_or(e)))
}

/// The lines one after another, comments left out.
struct Lines<'a> {
    file: &'a Path,
    text: &'a str,
    /// Byte where the next line begins.
    offset: usize,
    /// Lines handed out or passed over.
    passed: usize,
}

impl<'a> Lines<'a> {
    fn new(file: &'a Path, text: &'a str) -> Result<Self> {
        let refuse = |offset: usize, found: &str, expected: &str| {
            let (line, column) = place(text, offset);
            Err(Error::at(file, line, column, found, expected))
        };
        if text.starts_with('\u{feff}') {
            return refuse(0, "a byte order mark", format!("\"{FIRST_LINE}\"").as_str());
        }
        if let Some(at) = text.find('\r') {
            return refuse(at, "a carriage return", "lines that end with LF alone");
        }
        if !text.is_empty() && !text.ends_with('\n') {
            return refuse(text.len(), "the end of the file", "a line end");
        }
        Ok(Lines {
            file,
            text,
            offset: 0,
            passed: 0,
        })
    }

    /// The next line, comment or not.
    fn any(&mut self) -> Option<Line<'a>> {
        let rest = &self.text[self.offset..];
        let length = rest.find('\n')?;
        let line = Line {
            file: self.file,
            index: self.passed + 1,
            offset: self.offset,
            text: &rest[..length],
        };
        self.offset += length + 1;
        self.passed += 1;
        Some(line)
    }

    fn missing(&self, expected: &str) -> Error {
        Error::at(
            self.file,
            self.passed + 1,
            1,
            "the end of the file",
            expected,
        )
    }

    /// The first line, which is no comment.
    fn first(&mut self) -> Result<Line<'a>> {
        self.any()
            .ok_or_else(|| self.missing(&format!("\"{FIRST_LINE}\"")))
    }

    /// The next line that is no comment.
    fn next(&mut self, expected: &str) -> Result<Line<'a>> {
        loop {
            let line = self.any().ok_or_else(|| self.missing(expected))?;
            if !line.text.starts_with('#') {
                return Ok(line);
            }
        }
    }

    fn nothing_left(&mut self) -> Result<()> {
        match self.any() {
            Some(line) => Err(line.error(0, shown(line.text), "nothing after the end line")),
            None => Ok(()),
        }
    }
}

fn first_line(line: &Line) -> Result<()> {
    if line.text == FIRST_LINE {
        return Ok(());
    }
    let error = line.error(0, shown(line.text), format!("\"{FIRST_LINE}\""));
    Err(if line.text.starts_with("planish-filters ") {
        error.with_hint("this program reads format 1 of the filter list")
    } else {
        error.with_hint("is this a filter list?")
    })
}

fn speaker(line: &Line) -> Result<String> {
    let field = line.rest("speaker")?;
    let inside = field
        .text
        .strip_prefix('"')
        .and_then(|rest| rest.strip_suffix('"'));
    let name = inside.and_then(unescaped);
    // What the writer would have written differently is not fully understood: a quote without
    // its backslash, an escape that is not needed, a control character as it stands.
    name.filter(|name| quoted(name) == field.text)
        .ok_or_else(|| {
            line.refuse(field, "a name in double quotes").with_hint(
                "escapes are \\\" \\\\ \\n \\t \\r, and \\u{..} for other control characters",
            )
        })
}

fn unescaped(text: &str) -> Option<String> {
    let mut out = String::new();
    let mut chars = text.chars();
    while let Some(c) = chars.next() {
        if c != '\\' {
            out.push(c);
            continue;
        }
        match chars.next()? {
            'n' => out.push('\n'),
            't' => out.push('\t'),
            'r' => out.push('\r'),
            c @ ('"' | '\\') => out.push(c),
            'u' => {
                let (digits, rest) = chars.as_str().strip_prefix('{')?.split_once('}')?;
                out.push(char::from_u32(u32::from_str_radix(digits, 16).ok()?)?);
                chars = rest.chars();
            }
            _ => return None,
        }
    }
    Some(out)
}

fn feedback(line: &Line) -> Result<Feedback> {
    let field = line.rest("equation")?;
    [Feedback::Subtracted, Feedback::Added]
        .into_iter()
        .find(|feedback| equation(*feedback) == field.text)
        .ok_or_else(|| {
            let [minus, plus] = [Feedback::Subtracted, Feedback::Added].map(equation);
            line.refuse(field, format!("\"{minus}\" or \"{plus}\""))
        })
}

fn number_format(line: &Line) -> Result<Number> {
    let field = line.rest("number")?;
    // `fixed 05.27` has a meaning, but is not how the format is written.
    Number::from_name(field.text)
        .filter(|number| number.to_string() == field.text)
        .ok_or_else(|| {
            line.refuse(
                field,
                "f64, f32, none, or fixed I.F with I at least 1 and I + F at most 64",
            )
        })
}

fn stage(line: &Line, index: usize, rate_hz: f64) -> Result<Stage> {
    let fields = line.split()?;
    let field = |i: usize, expected: &str| {
        fields
            .get(i)
            .copied()
            .ok_or_else(|| line.error(line.text.len(), "the end of the line", expected))
    };
    let first = field(0, "\"stage\"")?;
    if first.text != "stage" {
        return Err(line.refuse(first, "\"stage\" or \"end\""));
    }
    let number = field(1, "the number of the stage")?;
    if number.text != index.to_string() {
        return Err(line.refuse(number, format!("stage number {index}")));
    }
    let name = field(2, "a type of stage")?;
    let kind = Kind::from_name(name.text).ok_or_else(|| {
        let names = Kind::ALL.map(Kind::name).join(", ");
        line.refuse(name, format!("a type of stage: {names}"))
    })?;
    let (f0_hz, value) = line.setting(field(3, "\"f0_hz=\"")?, "f0_hz")?;
    if !(f0_hz > 0.0 && f0_hz < 0.5 * rate_hz) {
        return Err(line.refuse(value, "a frequency above 0 Hz and below half the rate"));
    }
    let (gain_db, next) = if kind.has_gain() {
        (line.setting(field(4, "\"gain_db=\"")?, "gain_db")?.0, 5)
    } else {
        (0.0, 4)
    };
    let (q, value) = line.setting(field(next, "\"q=\"")?, "q")?;
    line.positive(value, q, "a Q above 0")?;
    if let Some(extra) = fields.get(next + 1) {
        return Err(line.refuse(*extra, "the end of the line"));
    }
    Ok(Stage {
        kind,
        f0_hz,
        gain_db,
        q,
    })
}

/// The lines `b` and `a`.
fn coefficients(lines: &mut Lines, number: Number, feedback: Feedback) -> Result<Biquad> {
    let held = |line: &Line, field: Field| {
        let value = line.number(field)?;
        let is_fixed = matches!(number, Number::Fixed { .. });
        if number.quantise(value) != Some(value) {
            Err(line.refuse(
                field,
                format!("a number that the format {number} holds exactly"),
            ))
        } else if is_fixed && value == 0.0 && value.is_sign_negative() {
            Err(line.refuse(
                field,
                format!("\"0\", the only zero of the format {number}"),
            ))
        } else {
            Ok(value)
        }
    };
    let line = lines.next("the line of b0, b1 and b2")?;
    let [b0, b1, b2] = line.fields("b")?;
    let (b0, b1, b2) = (held(&line, b0)?, held(&line, b1)?, held(&line, b2)?);
    let line = lines.next("the line of a1 and a2")?;
    let [a1, a2] = line.fields("a")?;
    let signed = |value: f64| match (feedback, number) {
        (Feedback::Subtracted, _) => value,
        // Adding 0 takes the sign off a negative zero, which a fixed format does not have.
        (Feedback::Added, Number::Fixed { .. }) => -value + 0.0,
        (Feedback::Added, _) => -value,
    };
    let (a1, a2) = (signed(held(&line, a1)?), signed(held(&line, a2)?));
    Ok(Biquad { b0, b1, b2, a1, a2 })
}

/// The word orders under which every word so far agrees with its decimal number.
struct WordOrders(Vec<[Coefficient; 5]>);

impl WordOrders {
    /// All 120.
    fn all() -> Self {
        let mut orders: Vec<Vec<Coefficient>> = vec![Vec::new()];
        for _ in 0..5 {
            orders = orders
                .iter()
                .flat_map(|order| {
                    Coefficient::USUAL_ORDER
                        .into_iter()
                        .filter(|c| !order.contains(c))
                        .map(|c| [order.as_slice(), &[c]].concat())
                })
                .collect();
        }
        WordOrders(
            orders
                .into_iter()
                .map(|order| order.try_into().expect("five rounds make five entries"))
                .collect(),
        )
    }
}

fn words(
    line: &Line,
    section: &Biquad,
    number: Number,
    feedback: Feedback,
    orders: &mut WordOrders,
) -> Result<[u64; 5]> {
    let fields: [Field; 5] = line.fields("words")?;
    let digits = word_digits(number);
    let mut words = [0; 5];
    for (held, field) in words.iter_mut().zip(fields) {
        let is_word =
            field.text.len() == digits && field.text.bytes().all(|b| b.is_ascii_hexdigit());
        *held = u64::from_str_radix(field.text, 16)
            .ok()
            .filter(|_| is_word)
            .ok_or_else(|| line.refuse(field, format!("{digits} hexadecimal digits")))?;
    }
    let of = |coefficient| word(number, in_convention(section, coefficient, feedback));
    let known = Coefficient::USUAL_ORDER.map(of);
    for (held, field) in words.iter().zip(fields) {
        if !known.contains(&Some(*held)) {
            return Err(line.refuse(field, "the word of one of the numbers b and a above"));
        }
    }
    orders.0.retain(|order| {
        order
            .iter()
            .zip(words)
            .all(|(c, held)| of(*c) == Some(held))
    });
    if orders.0.is_empty() {
        return Err(line.refuse(
            fields[0],
            "each of the five words once, in the same order at every stage",
        ));
    }
    Ok(words)
}

fn end(line: &Line, text: &str, stages: usize) -> Result<()> {
    let [count, sum] = line.fields("end")?;
    if count.text != stages.to_string() {
        return Err(line.refuse(count, format!("{stages}, the number of stages above")));
    }
    let crc = crc32fast::hash(&text.as_bytes()[..line.offset]);
    let wanted = format!("crc32={crc:08x}");
    if sum.text != wanted {
        return Err(line
            .refuse(sum, format!("\"{wanted}\""))
            .with_hint("the file was changed after it was written; write it anew"));
    }
    Ok(())
}
