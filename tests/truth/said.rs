//! The numbers of a sentence, with the words before them.

/// A number in a sentence.
#[derive(Debug)]
pub struct Number {
    pub value: f64,
    /// Half a step of its last digit.
    pub rounding: f64,
    pub unit: Unit,
}

#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Unit {
    Db,
    Hz,
    Percent,
    /// Q, which stands before its number; degrees, milliseconds.
    Other,
}

impl Number {
    /// Whether it is `value` to its printed rounding.
    pub fn is(&self, value: f64) -> bool {
        /// A value halfway between two printed ones may go to either.
        const HALFWAY: f64 = 1e-9;
        (self.value - value).abs() <= self.rounding + HALFWAY * value.abs().max(1.0)
    }
}

/// Every number of `sentence` that stands as a word of its own, in its order.
pub fn numbers(sentence: &str) -> Vec<Number> {
    let words: Vec<&str> = sentence.split(' ').map(bare).collect();
    let number = |(place, word): (usize, &&str)| number(word, words.get(place + 1).copied());
    words.iter().enumerate().filter_map(number).collect()
}

/// The first number behind each place where `words` stand in `sentence`.
pub fn after(sentence: &str, words: &str) -> Vec<Number> {
    let places = sentence.match_indices(words);
    let rest = places.map(|(at, _)| &sentence[at + words.len()..]);
    rest.filter_map(|rest| {
        let mut next = rest.split(' ').map(bare);
        number(next.next()?, next.next())
    })
    .collect()
}

fn bare(word: &str) -> &str {
    word.trim_matches(|c| "(),;:".contains(c))
}

fn number(word: &str, unit: Option<&str>) -> Option<Number> {
    let is_number = word.ends_with(|c: char| c.is_ascii_digit());
    let value: f64 = word.parse().ok().filter(|_| is_number)?;
    let decimals = word.split_once('.').map_or(0, |(_, digits)| digits.len());
    let (factor, unit) = match unit {
        Some("dB") => (1.0, Unit::Db),
        Some("Hz") => (1.0, Unit::Hz),
        Some("kHz") => (1000.0, Unit::Hz),
        Some("%") => (1.0, Unit::Percent),
        _ => (1.0, Unit::Other),
    };
    Some(Number {
        value: factor * value,
        rounding: factor * 0.5 * 10f64.powi(-(decimals as i32)),
        unit,
    })
}

#[test]
fn numbers_are_read_with_unit_and_rounding() {
    let said = "dip of 2.3 dB at 2.52 kHz (listening window -2.9 dB), Q 3.1: 93 % of it";
    let found = numbers(said);
    let units: Vec<Unit> = found.iter().map(|n| n.unit).collect();
    assert_eq!(
        units,
        [Unit::Db, Unit::Hz, Unit::Db, Unit::Other, Unit::Percent]
    );
    assert!(found[1].is(2515.0) && found[1].is(2525.0) && !found[1].is(2526.0));
    assert!(found[2].is(-2.86) && !found[2].is(2.9));
    assert!(after(said, "Q ")[0].is(3.06));
    assert!(after(said, "spread ").is_empty());
}
