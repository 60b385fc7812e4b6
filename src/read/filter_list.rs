//! The filter list, format 1 (DESIGN, section 6), read strictly: what is not fully understood
//! is refused with its place.

use super::text::{Source, column, shown};
use crate::device::{Coefficient, Feedback, Number};
use crate::error::{Error, Result};
use crate::filter::{Biquad, Kind, Stage};
use crate::filter_list::{
    FIRST_LINE, FilterList, ListedStage, device_numbers, equation, holds, word, word_digits,
};
use std::path::Path;

/// More stages than any box has; keeps a hostile list small in memory.
const MOST_STAGES: usize = 10_000;

/// Reads a filter list.
///
/// # Errors
/// When the file cannot be read, or at the first place that is not as the format says.
pub fn read(file: &Path) -> Result<FilterList> {
    parse_source(&Source::read(file)?)
}

/// The list in a text that came from `file`.
///
/// # Errors
/// As [`read`].
pub fn parse(file: &Path, text: &str) -> Result<FilterList> {
    parse_source(&Source::from_bytes(file, text.as_bytes().to_vec())?)
}

fn parse_source(source: &Source) -> Result<FilterList> {
    let text = &source.text;
    if source.bytes != text.len() as u64 {
        return Err(Error::at(
            &source.file,
            1,
            1,
            "a byte order mark",
            format!("the line \"{FIRST_LINE}\""),
        ));
    }
    let mut lines = Lines {
        source,
        next: 0,
        number: 0,
    };
    let first = lines.take(&format!("the line \"{FIRST_LINE}\""))?;
    if first.text != FIRST_LINE {
        return Err(first.wrong_line(&format!("the line \"{FIRST_LINE}\"")));
    }
    let speaker = speaker(&lines.after("speaker")?)?;
    let rate = lines.after("rate_hz")?;
    let rate_hz = rate.number()?;
    if rate_hz <= 0.0 {
        return Err(rate.wrong("a rate above 0 Hz"));
    }
    let feedback = feedback(&lines.after("equation")?)?;
    let number_field = lines.after("number")?;
    let number = Number::from_name(number_field.text)
        .filter(|number| number.to_string() == number_field.text)
        .ok_or_else(|| number_field.wrong("f64, f32, fixed I.F or none"))?;
    let gain_db = lines.after("gain_db")?.number()?;
    let mut list = FilterList {
        speaker,
        rate_hz,
        number,
        feedback,
        gain_db,
        word_order: Coefficient::USUAL_ORDER,
        stages: Vec::new(),
    };
    let mut orders = word_orders();
    loop {
        let expected = format!(
            "stage {} or end {}",
            list.stages.len() + 1,
            list.stages.len()
        );
        let line = lines.take(&expected)?;
        if line.text.starts_with("end") {
            end(source, &line, list.stages.len())?;
            break;
        }
        if list.stages.len() == MOST_STAGES {
            return Err(line.wrong_line("at most 10000 stages"));
        }
        let stage = stage(&line, list.stages.len() + 1, rate_hz)?;
        let biquad = match number {
            Number::None => None,
            _ => Some(biquad(&mut lines, number, feedback)?),
        };
        if let (Some(biquad), Number::Fixed { .. }) = (&biquad, number) {
            words(
                &lines.after("words")?,
                number,
                feedback,
                biquad,
                &mut orders,
            )?;
        }
        list.stages.push(ListedStage { stage, biquad });
    }
    lines.nothing_more()?;
    if let Some(order) = orders.first() {
        list.word_order = *order;
    }
    Ok(list)
}

/// The lines of a list, comment lines passed over.
struct Lines<'a> {
    source: &'a Source,
    next: usize,
    number: usize,
}

/// A line or the rest of one, with its place.
#[derive(Clone, Copy)]
struct Piece<'a> {
    source: &'a Source,
    /// Line, from 1.
    line: usize,
    /// First byte of the line in the text.
    line_start: usize,
    /// First byte of the piece in the text.
    start: usize,
    text: &'a str,
}

impl<'a> Lines<'a> {
    /// The next line that is no comment.
    fn take(&mut self, expected: &str) -> Result<Piece<'a>> {
        let text = &self.source.text;
        loop {
            self.number += 1;
            let rest = &text[self.next..];
            let piece = |length: usize| Piece {
                source: self.source,
                line: self.number,
                line_start: self.next,
                start: self.next,
                text: &rest[..length],
            };
            if rest.is_empty() {
                return Err(piece(0).wrong_found("the end of the file", expected));
            }
            let Some(length) = rest.find('\n') else {
                let mut last = piece(rest.len());
                last.start += rest.len();
                return Err(last.wrong_found("the end of the file", "a line feed"));
            };
            let line = piece(length);
            if let Some(at) = line.text.find('\r') {
                let mut stray = line;
                stray.start += at;
                return Err(stray
                    .wrong_found("a carriage return", "line feeds only")
                    .with_hint("a list that was changed on its way cannot be trusted"));
            }
            self.next += length + 1;
            if !line.text.starts_with('#') {
                return Ok(line);
            }
        }
    }

    /// What follows `keyword` and a blank on the next line.
    fn after(&mut self, keyword: &str) -> Result<Piece<'a>> {
        let expected = format!("a line that begins with \"{keyword} \"");
        let line = self.take(&expected)?;
        let rest = line
            .text
            .strip_prefix(keyword)
            .and_then(|rest| rest.strip_prefix(' '))
            .ok_or_else(|| line.wrong_line(&expected))?;
        Ok(Piece {
            start: line.start + keyword.len() + 1,
            text: rest,
            ..line
        })
    }

    fn nothing_more(&self) -> Result<()> {
        if self.next == self.source.text.len() {
            return Ok(());
        }
        Err(Error::at(
            &self.source.file,
            self.number + 1,
            1,
            "more text",
            "nothing after the end line",
        ))
    }
}

impl<'a> Piece<'a> {
    fn wrong_found(&self, found: impl Into<String>, expected: &str) -> Error {
        let line = &self.source.text[self.line_start..];
        Error::at(
            &self.source.file,
            self.line,
            column(line, self.start - self.line_start),
            found,
            expected,
        )
    }

    fn wrong(&self, expected: &str) -> Error {
        let found = if self.text.is_empty() {
            "nothing".to_string()
        } else {
            shown(self.text)
        };
        self.wrong_found(found, expected)
    }

    /// An error about a whole line.
    fn wrong_line(&self, expected: &str) -> Error {
        let found = if self.text.is_empty() {
            "an empty line".to_string()
        } else {
            shown(self.text)
        };
        self.wrong_found(found, expected)
    }

    /// The fields of the piece, one blank between neighbours; a second blank makes an empty one.
    fn split(&self) -> Vec<Piece<'a>> {
        let mut start = self.start;
        self.text
            .split(' ')
            .map(|text| {
                let field = Piece {
                    start,
                    text,
                    ..*self
                };
                start += text.len() + 1;
                field
            })
            .collect()
    }

    /// The fields of the piece: exactly `COUNT`, none empty.
    fn fields<const COUNT: usize>(&self, expected: &str) -> Result<[Piece<'a>; COUNT]> {
        let all = self.split();
        if let Some(empty) = all.iter().take(COUNT).find(|field| field.text.is_empty()) {
            return Err(empty.wrong(expected));
        }
        if let Some(extra) = all.get(COUNT) {
            return Err(extra.wrong("the end of the line"));
        }
        all.try_into().map_err(|_| self.at_end().wrong(expected))
    }

    /// The empty piece behind this one.
    fn at_end(&self) -> Piece<'a> {
        Piece {
            start: self.start + self.text.len(),
            text: "",
            ..*self
        }
    }

    /// A finite decimal number: digits with at most one point, a minus sign or an exponent.
    fn number(&self) -> Result<f64> {
        let decimal = self
            .text
            .strip_prefix('-')
            .unwrap_or(self.text)
            .starts_with(|c: char| c.is_ascii_digit())
            && self
                .text
                .bytes()
                .all(|b| b.is_ascii_digit() || b".eE+-".contains(&b));
        self.text
            .parse::<f64>()
            .ok()
            .filter(|value| decimal && value.is_finite())
            .ok_or_else(|| self.wrong("a number"))
    }

    /// What follows `name=`.
    fn value(&self, name: &str) -> Result<Piece<'a>> {
        let text = self
            .text
            .strip_prefix(name)
            .and_then(|rest| rest.strip_prefix('='))
            .ok_or_else(|| self.wrong(&format!("{name}=...")))?;
        Ok(Piece {
            start: self.start + name.len() + 1,
            text,
            ..*self
        })
    }
}

/// The speaker's name in quotes. Inside them `\"`, `\\` and `\u{..}` (a character by its number
/// in hexadecimal digits) stand for what could not stand there itself.
fn speaker(piece: &Piece) -> Result<String> {
    let quoted = "a name in quotes";
    let inner = piece
        .text
        .strip_prefix('"')
        .ok_or_else(|| piece.wrong(quoted))?;
    let mut name = String::new();
    let mut chars = inner.char_indices();
    let at = |i: usize| Piece {
        start: piece.start + 1 + i,
        text: &inner[i..],
        ..*piece
    };
    while let Some((i, c)) = chars.next() {
        match c {
            '"' if i + 1 == inner.len() => return Ok(name),
            '"' => return Err(at(i + 1).wrong("the end of the line after the name")),
            '\\' => {
                let rest = &inner[i + 1..];
                let escape = rest
                    .strip_prefix("u{")
                    .and_then(|digits| digits.split_once('}'))
                    .filter(|(digits, _)| {
                        (1..=6).contains(&digits.len())
                            && digits.bytes().all(|b| b.is_ascii_hexdigit())
                    })
                    .and_then(|(digits, _)| {
                        let c = char::from_u32(u32::from_str_radix(digits, 16).ok()?)?;
                        Some((c, digits.len() + 3))
                    });
                let (c, length) = match (rest.chars().next(), escape) {
                    (Some(c @ ('"' | '\\')), _) => (c, 1),
                    (_, Some(escape)) => escape,
                    _ => return Err(at(i).wrong("\\\", \\\\ or \\u{...}")),
                };
                name.push(c);
                for _ in 0..length {
                    chars.next();
                }
            }
            c if c.is_control() => {
                return Err(at(i).wrong_found(shown(&c.to_string()), "no control characters"));
            }
            c => name.push(c),
        }
    }
    Err(at(inner.len()).wrong("a quote at the end of the name"))
}

fn feedback(piece: &Piece) -> Result<Feedback> {
    [Feedback::Subtracted, Feedback::Added]
        .into_iter()
        .find(|feedback| equation(*feedback) == piece.text)
        .ok_or_else(|| {
            piece.wrong(&format!(
                "\"{}\" or \"{}\"",
                equation(Feedback::Subtracted),
                equation(Feedback::Added)
            ))
        })
}

fn stage(line: &Piece, index: usize, rate_hz: f64) -> Result<Stage> {
    let all = line.split();
    let field = |i: usize| all.get(i).copied().unwrap_or_else(|| line.at_end());
    let [word, number, kind] = [field(0), field(1), field(2)];
    if word.text != "stage" {
        return Err(word.wrong(&format!("stage {index} or end {}", index - 1)));
    }
    if number.text != index.to_string() {
        return Err(number.wrong(&index.to_string()));
    }
    let names = Kind::ALL.map(Kind::name).join(", ");
    let kind = Kind::from_name(kind.text)
        .ok_or_else(|| kind.wrong(&format!("a type of stage ({names})")))?;
    let f0 = field(3).value("f0_hz")?;
    let f0_hz = f0.number()?;
    if !(f0_hz > 0.0 && f0_hz < 0.5 * rate_hz) {
        return Err(f0.wrong("a frequency above 0 Hz and below half the rate"));
    }
    let gain_db = if kind.has_gain() {
        field(4).value("gain_db")?.number()?
    } else {
        0.0
    };
    let last = if kind.has_gain() { 5 } else { 4 };
    let q_field = field(last).value("q")?;
    let q = q_field.number()?;
    if q <= 0.0 {
        return Err(q_field.wrong("a Q above 0"));
    }
    match all.get(last + 1) {
        Some(extra) => Err(extra.wrong("the end of the line")),
        None => Ok(Stage {
            kind,
            f0_hz,
            gain_db,
            q,
        }),
    }
}

/// The lines `b` and `a`, turned to the inner sign convention.
fn biquad(lines: &mut Lines, number: Number, feedback: Feedback) -> Result<Biquad> {
    let value = |piece: Piece| {
        let value = piece.number()?;
        if holds(number, value) {
            Ok(value)
        } else {
            Err(piece.wrong(&format!("a number that {number} holds exactly")))
        }
    };
    let [b0, b1, b2] = lines.after("b")?.fields("three numbers")?;
    let (b0, b1, b2) = (value(b0)?, value(b1)?, value(b2)?);
    let [a1, a2] = lines.after("a")?.fields("two numbers")?;
    let (a1, a2) = (value(a1)?, value(a2)?);
    Ok(match feedback {
        Feedback::Subtracted => Biquad { b0, b1, b2, a1, a2 },
        Feedback::Added => Biquad {
            b0,
            b1,
            b2,
            a1: -a1,
            a2: -a2,
        },
    })
}

/// All orders in which a device may take its words, the usual one first.
fn word_orders() -> Vec<[Coefficient; 5]> {
    let mut orders: Vec<Vec<Coefficient>> = vec![Vec::new()];
    for _ in 0..5 {
        orders = orders
            .iter()
            .flat_map(|order| {
                Coefficient::USUAL_ORDER
                    .into_iter()
                    .filter(|c| !order.contains(c))
                    .map(|c| order.iter().copied().chain([c]).collect())
            })
            .collect();
    }
    orders
        .into_iter()
        .filter_map(|order| order.try_into().ok())
        .collect()
}

/// Checks the words of a stage against its numbers, and keeps of `orders` those under which
/// both agree: the format does not state the device's order, so it is found from all stages
/// together.
fn words(
    piece: &Piece,
    number: Number,
    feedback: Feedback,
    biquad: &Biquad,
    orders: &mut Vec<[Coefficient; 5]>,
) -> Result<()> {
    let digits = word_digits(number);
    let fields: [Piece; 5] = piece.fields("five words")?;
    let numbers = device_numbers(biquad, feedback);
    let mut found = [0u64; 5];
    for (slot, field) in found.iter_mut().zip(&fields) {
        let plain = field.text.len() == digits
            && field
                .text
                .bytes()
                .all(|b| b.is_ascii_digit() || (b'a'..=b'f').contains(&b));
        *slot = u64::from_str_radix(field.text, 16)
            .ok()
            .filter(|_| plain)
            .ok_or_else(|| {
                field.wrong(&format!(
                    "a word of {digits} hexadecimal digits, lower case"
                ))
            })?;
    }
    let agrees = |order: &[Coefficient; 5], i: usize| {
        word(number, numbers[order[i] as usize]) == Some(found[i])
    };
    // The order under which the most words agree tells which word is to blame.
    let agreeing = |order: &[Coefficient; 5]| (0..5).filter(|i| agrees(order, *i)).count();
    let best = orders
        .iter()
        .copied()
        .rev()
        .max_by_key(agreeing)
        .unwrap_or(Coefficient::USUAL_ORDER);
    orders.retain(|order| agreeing(order) == 5);
    if orders.is_empty() {
        let wrong = (0..5).find(|i| !agrees(&best, *i)).unwrap_or(0);
        let coefficient = best[wrong];
        let wanted = word(number, numbers[coefficient as usize]).unwrap_or(0);
        return Err(fields[wrong].wrong(&format!(
            "{wanted:0digits$x}, the word of {} above",
            coefficient.name()
        )));
    }
    Ok(())
}

fn end(source: &Source, line: &Piece, stages: usize) -> Result<()> {
    let expected = format!("end {stages} crc32=...");
    let [word, count, crc] = line.fields(&expected)?;
    if word.text != "end" {
        return Err(word.wrong(&expected));
    }
    if count.text != stages.to_string() {
        return Err(count.wrong(&format!("{stages}, the number of stages above")));
    }
    let crc = crc.value("crc32")?;
    let actual = crc32fast::hash(&source.text.as_bytes()[..line.line_start]);
    let wanted = format!("{actual:08x}");
    if crc.text != wanted {
        return Err(crc
            .wrong(&format!("{wanted}, the CRC-32 of the lines above"))
            .with_hint("the list was changed after it was written; ask for it again"));
    }
    Ok(())
}
