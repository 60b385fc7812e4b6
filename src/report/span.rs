//! Words for people: runs of our own words, names from outside, and numbers with their units.
//!
//! A [`Text`] is put together from pieces whose type says how they are to be treated, so that no
//! renderer has to search a sentence for them. Only literals of this program become plain words:
//! a text that came from outside can stand in a sentence as a [`Name`] and in no other way.

use crate::device::Number;
use crate::wav::{Cut, Sample};
use std::borrow::Cow;
use std::fmt;
use std::ops::AddAssign;
use std::path::Path;

/// A piece of a sentence.
#[derive(Debug, Clone, PartialEq)]
pub enum Span {
    /// Our own words.
    Plain(Cow<'static, str>),
    /// A name, a path or a message that came from outside.
    Name(Name),
    /// Something from outside that is typed or compared letter by letter.
    Code(Name),
    /// A number with its unit.
    Quantity(Quantity),
}

/// A text that came from outside, on one line and without letters that do something instead of
/// being shown: controls (ESC among them), those that turn the direction of writing, and the two
/// that XML has no place for. What does more than part words is replaced by U+FFFD.
#[derive(Debug, Clone, PartialEq, Eq, Hash)]
pub struct Name(String);

impl Name {
    /// The name as it can be shown.
    pub fn new(text: &str) -> Name {
        let shown = |letter: char| match letter {
            '\n' | '\r' | '\t' | '\u{85}' | '\u{2028}' | '\u{2029}' => ' ',
            '\u{202a}'..='\u{202e}' | '\u{2066}'..='\u{2069}' | '\u{fffe}' | '\u{ffff}' => {
                '\u{fffd}'
            }
            _ if letter.is_control() => '\u{fffd}',
            _ => letter,
        };
        Name(text.chars().map(shown).collect())
    }

    /// The letters.
    pub fn as_str(&self) -> &str {
        &self.0
    }
}

/// Whether a number that is not negative carries a plus.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Sign {
    /// Only a minus is shown.
    Minus,
    /// Both are shown.
    Always,
}

/// A number with its unit. What rounds to zero is shown without a minus.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Quantity {
    /// The number, in the unit.
    pub value: f64,
    /// Digits behind the point; as many as the number has when not given.
    pub digits: Option<usize>,
    /// Its sign.
    pub sign: Sign,
    /// The unit; empty for a plain number.
    pub unit: &'static str,
}

impl Quantity {
    /// The number alone.
    pub fn number(&self) -> String {
        let Quantity { value, .. } = *self;
        let text = match (self.digits, self.sign) {
            (Some(digits), Sign::Minus) => format!("{value:.digits$}"),
            (Some(digits), Sign::Always) => format!("{value:+.digits$}"),
            (None, Sign::Minus) => format!("{value}"),
            (None, Sign::Always) => format!("{value:+}"),
        };
        match text.strip_prefix('-') {
            Some(zero) if !zero.contains(|c: char| matches!(c, '1'..='9' | 'a'..='z')) => {
                let plus = if self.sign == Sign::Always { "+" } else { "" };
                format!("{plus}{zero}")
            }
            _ => text,
        }
    }

    /// The number and its unit with `between` them.
    pub fn with_unit(&self, between: char) -> String {
        match self.unit {
            "" => self.number(),
            unit => format!("{}{between}{unit}", self.number()),
        }
    }

    /// The same with a plus where it is not negative.
    pub fn signed(self) -> Quantity {
        Quantity {
            sign: Sign::Always,
            ..self
        }
    }
}

/// A name from outside.
pub fn name(text: &str) -> Name {
    Name::new(text)
}

/// A path, with a mark in place of what is no Unicode.
pub fn path(path: &Path) -> Name {
    Name::new(&path.display().to_string())
}

/// Something from outside that is typed or compared letter by letter.
pub fn code(text: &str) -> Text {
    Text(vec![Span::Code(Name::new(text))])
}

/// A number with `digits` behind the point and a unit.
pub fn quantity(value: f64, digits: usize, unit: &'static str) -> Quantity {
    Quantity {
        value,
        digits: Some(digits),
        sign: Sign::Minus,
        unit,
    }
}

/// A number with all its digits and a unit.
pub fn exact(value: f64, unit: &'static str) -> Quantity {
    Quantity {
        digits: None,
        ..quantity(value, 0, unit)
    }
}

/// A number without a unit.
pub fn number(value: f64, digits: usize) -> Quantity {
    quantity(value, digits, "")
}

/// A number as a power of ten with `digits` behind the point, without a unit.
pub fn scientific(value: f64, digits: usize) -> Text {
    Text::own(format!("{value:.digits$e}"))
}

/// A level or gain in dB.
pub fn db(value: f64, digits: usize) -> Quantity {
    quantity(value, digits, "dB")
}

/// A frequency to three digits: `87 Hz`, `1.21 kHz`; in Hz.
pub fn hz(f_hz: f64) -> Quantity {
    if f_hz < 999.5 {
        quantity(f_hz, 0, "Hz")
    } else if f_hz < 9995.0 {
        quantity(f_hz / 1000.0, 2, "kHz")
    } else {
        quantity(f_hz / 1000.0, 1, "kHz")
    }
}

/// A share of one as a whole percentage.
pub fn percent(share: f64) -> Quantity {
    quantity(100.0 * share, 0, "%")
}

/// Words, names and numbers in a row.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Text(Vec<Span>);

impl Text {
    /// Its pieces.
    pub fn spans(&self) -> &[Span] {
        &self.0
    }

    /// Whether there is nothing in it.
    pub fn is_empty(&self) -> bool {
        self.0.is_empty()
    }

    /// The parts with `between` them.
    pub fn joined<T: Into<Text>>(
        parts: impl IntoIterator<Item = T>,
        between: &'static str,
    ) -> Text {
        let mut text = Text::default();
        for (place, part) in parts.into_iter().enumerate() {
            if place > 0 {
                text += between;
            }
            text += part;
        }
        text
    }

    /// `words` with each `{}` replaced by the part in its place.
    pub(crate) fn filled<const GAPS: usize>(words: &'static str, parts: [Text; GAPS]) -> Text {
        let mut pieces = words.split("{}");
        let mut text = Text::from(pieces.next().unwrap_or_default());
        for (part, piece) in parts.into_iter().zip(pieces) {
            text += part;
            text += piece;
        }
        text
    }

    /// The same with a capital at its beginning, where our own words stand there.
    pub fn capital(mut self) -> Text {
        if let Some(Span::Plain(words)) = self.0.first_mut() {
            let mut letters = words.chars();
            if let Some(first) = letters.next() {
                *words = Cow::Owned(first.to_uppercase().collect::<String>() + letters.as_str());
            }
        }
        self
    }

    /// Words of a type of this program that prints nothing from outside.
    fn own(words: String) -> Text {
        Text(vec![Span::Plain(Cow::Owned(words))])
    }
}

/// The letters alone, a plain blank between number and unit.
impl fmt::Display for Text {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        for span in &self.0 {
            match span {
                Span::Plain(words) => f.write_str(&words.replace('\u{a0}', " "))?,
                Span::Name(name) | Span::Code(name) => f.write_str(name.as_str())?,
                Span::Quantity(quantity) => f.write_str(&quantity.with_unit(' '))?,
            }
        }
        Ok(())
    }
}

impl<T: Into<Text>> AddAssign<T> for Text {
    fn add_assign(&mut self, part: T) {
        for span in part.into().0 {
            match (self.0.last_mut(), span) {
                (Some(Span::Plain(last)), Span::Plain(more)) => last.to_mut().push_str(&more),
                (_, span) => self.0.push(span),
            }
        }
    }
}

impl From<&'static str> for Text {
    fn from(words: &'static str) -> Text {
        match words {
            "" => Text::default(),
            _ => Text(vec![Span::Plain(Cow::Borrowed(words))]),
        }
    }
}

impl From<Name> for Text {
    fn from(name: Name) -> Text {
        Text(vec![Span::Name(name)])
    }
}

impl From<Quantity> for Text {
    fn from(quantity: Quantity) -> Text {
        Text(vec![Span::Quantity(quantity)])
    }
}

/// A dash where there is no number.
impl From<Option<Quantity>> for Text {
    fn from(quantity: Option<Quantity>) -> Text {
        quantity.map_or(Text::from("-"), Text::from)
    }
}

/// A count.
impl From<usize> for Text {
    fn from(count: usize) -> Text {
        Text::own(count.to_string())
    }
}

/// The number format of a device by its name; `knobs` where it holds no numbers.
impl From<Number> for Text {
    fn from(number: Number) -> Text {
        match number {
            Number::None => "knobs".into(),
            number => Text::own(number.to_string()),
        }
    }
}

/// How samples are written.
impl From<Sample> for Text {
    fn from(sample: Sample) -> Text {
        Text::own(sample.to_string())
    }
}

/// How a sound file ends too early.
impl From<Cut> for Text {
    fn from(cut: Cut) -> Text {
        Text::own(cut.to_string())
    }
}

/// A sentence with gaps: every `{}` stands for the piece in its place behind it, a name, a quantity,
/// a count or another text.
macro_rules! text {
    ($words:literal $(, $part:expr)* $(,)?) => {{
        const GAPS: usize = [$(stringify!($part)),*].len();
        const { assert!($crate::report::span::gaps($words) == GAPS, "a piece for each gap") };
        let parts: [$crate::report::span::Text; GAPS] =
            [$($crate::report::span::Text::from($part)),*];
        $crate::report::span::Text::filled($words, parts)
    }};
}
pub(crate) use text;

/// How many gaps a sentence has.
pub(crate) const fn gaps(words: &str) -> usize {
    let bytes = words.as_bytes();
    let (mut found, mut i) = (0, 1);
    while i < bytes.len() {
        if bytes[i - 1] == b'{' && bytes[i] == b'}' {
            found += 1;
        }
        i += 1;
    }
    found
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_name_holds_nothing_that_steers_a_terminal_or_a_line() {
        assert_eq!(
            Name::new("a\u{1b}[31m\u{202e}b\nc\u{2066}\u{9b}\u{ffff}").as_str(),
            "a\u{fffd}[31m\u{fffd}b c\u{fffd}\u{fffd}\u{fffd}"
        );
        let hebrew = "\u{5e9}\u{5dc}\u{5d5}\u{5dd} 5";
        assert_eq!(Name::new(hebrew).as_str(), hebrew);
    }

    #[test]
    fn numbers_carry_their_unit_and_no_zero_is_negative() {
        assert_eq!(db(-0.04, 1).with_unit(' '), "0.0 dB");
        assert_eq!(db(-0.04, 1).signed().with_unit(' '), "+0.0 dB");
        assert_eq!(db(-0.06, 1).signed().with_unit('\u{a0}'), "-0.1\u{a0}dB");
        assert_eq!(number(f64::NEG_INFINITY, 1).number(), "-inf");
        assert_eq!(exact(-30.0, "").number(), "-30");
        assert_eq!(hz(999.4).with_unit(' '), "999 Hz");
        assert_eq!(hz(999.5).with_unit(' '), "1.00 kHz");
        assert_eq!(hz(12_345.0).with_unit(' '), "12.3 kHz");
        assert_eq!(percent(0.625).with_unit(' '), "62 %");
    }

    #[test]
    fn a_sentence_reads_as_its_pieces_in_their_order() {
        let said = text!(
            "at {}: {} of {}, {}; {}",
            hz(1210.0),
            db(2.0, 1).signed(),
            name("x\ny"),
            3usize,
            None::<Quantity>,
        );
        assert_eq!(said.to_string(), "at 1.21 kHz: +2.0 dB of x y, 3; -");
        assert_eq!(Text::joined(["a", "b"], ", ").to_string(), "a, b");
        assert_eq!(Text::from("every").capital().to_string(), "Every");
    }
}
