//! Angles as files and columns name them.
//!
//! A **plain** angle is a number in degrees, whole or with decimals, with or without a sign,
//! optionally followed by `deg` or a degree sign: `-30`, `+30`, `7.5`, `7,5`, `30deg`.
//!
//! A **named** angle also says its orbit. Capitals do not matter; blanks, `_` and the like
//! separate. Understood are
//! - an orbit word and then the number: `h_30`, `H+30`, `hor 30 deg`, `horizontal-30`, `v_-10`
//!   (orbit words: h, hor, horiz, horizontal, v, ver, vert, vertical);
//! - a side in words, before or after the number: `left 30`, `30 right`, `up10`, `down_20`;
//! - a number and then the letter of a side: `30L`, `30R`, `10U`, `10D`, also after an orbit
//!   word: `h30L`.
//!
//! Right and up are positive, left and down negative. A hyphen before a number is a minus
//! sign. Whatever else stands in the name is passed over; a name in which two such angles can be
//! found says nothing.

use crate::response::Orbit;

/// What a name says.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct NamedAngle {
    pub orbit: Orbit,
    pub angle_deg: f64,
}

/// Angles beyond a full turn are taken for something else.
const FULL_TURN_DEG: f64 = 360.0;

/// A plain angle.
pub(super) fn plain(text: &str) -> Option<f64> {
    let lower = text.trim().to_lowercase();
    let number = ["degrees", "degree", "deg", "°"]
        .iter()
        .find_map(|unit| lower.strip_suffix(unit))
        .unwrap_or(&lower)
        .trim_end();
    signed_number(number)
}

fn signed_number(text: &str) -> Option<f64> {
    let (negative, digits) = match text.chars().next()? {
        '+' => (false, &text[1..]),
        '-' => (true, &text[1..]),
        '\u{2212}' => (true, &text['\u{2212}'.len_utf8()..]),
        _ => (false, text),
    };
    // A decimal comma can only get here where commas do not separate.
    let digits = digits.replace(',', ".");
    let plain = digits.bytes().all(|b| b.is_ascii_digit() || b == b'.')
        && digits.bytes().next().is_some_and(|b| b.is_ascii_digit());
    let angle_deg: f64 = plain.then(|| digits.parse().ok()).flatten()?;
    (angle_deg <= FULL_TURN_DEG).then_some(if negative && angle_deg > 0.0 {
        -angle_deg
    } else {
        angle_deg
    })
}

enum Token {
    Word(String),
    Number(f64),
}

fn tokens(name: &str) -> Vec<Token> {
    let chars: Vec<char> = name.to_lowercase().chars().collect();
    let mut found = Vec::new();
    let mut i = 0;
    while i < chars.len() {
        let starts = i;
        let digit_at = |j: usize| chars.get(j).is_some_and(char::is_ascii_digit);
        if chars[i].is_alphabetic() {
            while i < chars.len() && chars[i].is_alphabetic() {
                i += 1;
            }
            let word: String = chars[starts..i].iter().collect();
            if !["deg", "degree", "degrees"].contains(&word.as_str()) {
                found.push(Token::Word(word));
            }
        } else if digit_at(i) || (['+', '-', '\u{2212}'].contains(&chars[i]) && digit_at(i + 1)) {
            i += 1;
            while digit_at(i)
                || (chars.get(i).is_some_and(|c| ['.', ','].contains(c)) && digit_at(i + 1))
            {
                i += 1;
            }
            let number: String = chars[starts..i].iter().collect();
            // A number that is no angle still separates words.
            found.push(Token::Number(signed_number(&number).unwrap_or(f64::NAN)));
        } else {
            i += 1;
        }
    }
    found
}

fn orbit_word(word: &str) -> Option<Orbit> {
    match word {
        "h" | "hor" | "horiz" | "horizontal" => Some(Orbit::Horizontal),
        "v" | "ver" | "vert" | "vertical" => Some(Orbit::Vertical),
        _ => None,
    }
}

fn side_word(word: &str) -> Option<(Orbit, f64)> {
    match word {
        "left" => Some((Orbit::Horizontal, -1.0)),
        "right" => Some((Orbit::Horizontal, 1.0)),
        "up" => Some((Orbit::Vertical, 1.0)),
        "down" => Some((Orbit::Vertical, -1.0)),
        _ => None,
    }
}

fn side_letter(word: &str) -> Option<(Orbit, f64)> {
    match word {
        "l" => side_word("left"),
        "r" => side_word("right"),
        "u" => side_word("up"),
        "d" => side_word("down"),
        _ => None,
    }
}

/// The one named angle in `name`, which is a header field or a file name without its ending.
pub(super) fn named(name: &str) -> Option<NamedAngle> {
    let tokens = tokens(name);
    let word = |i: Option<usize>| match i.and_then(|i| tokens.get(i)) {
        Some(Token::Word(word)) => Some(word.as_str()),
        _ => None,
    };
    let mut found = Vec::new();
    for (i, token) in tokens.iter().enumerate() {
        let Token::Number(number) = token else {
            continue;
        };
        let before = word(i.checked_sub(1));
        let after = word(Some(i + 1));
        let orbit = before.and_then(orbit_word);
        let side = before
            .and_then(side_word)
            .or_else(|| after.and_then(|w| side_word(w).or_else(|| side_letter(w))));
        match (orbit, side) {
            (Some(orbit), Some((side_orbit, sign))) if orbit == side_orbit => {
                found.push((orbit, sign * number));
            }
            (Some(_), Some(_)) => return None,
            (Some(orbit), None) => found.push((orbit, *number)),
            (None, Some((orbit, sign))) => found.push((orbit, sign * number)),
            (None, None) => {}
        }
    }
    match found[..] {
        [(orbit, angle_deg)] if angle_deg.is_finite() => Some(NamedAngle { orbit, angle_deg }),
        _ => None,
    }
}

/// The orbit that `name` speaks of in exactly one word, without an angle.
pub(super) fn orbit_named(name: &str) -> Option<Orbit> {
    let tokens = tokens(name);
    let orbits: Vec<Orbit> = tokens
        .iter()
        .filter_map(|token| match token {
            Token::Word(word) => orbit_word(word),
            Token::Number(_) => None,
        })
        .collect();
    match orbits[..] {
        [orbit] => Some(orbit),
        _ => None,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn plain_angles_are_numbers_with_or_without_a_sign() {
        for (text, angle_deg) in [
            ("30", 30.0),
            ("-30", -30.0),
            ("+7.5", 7.5),
            ("7,5", 7.5),
            ("\u{2212}10", -10.0),
            ("30deg", 30.0),
            ("30 °", 30.0),
            ("-0", 0.0),
        ] {
            assert_eq!(plain(text), Some(angle_deg), "{text}");
        }
        for text in ["", "+", "1e2", "nan", "3-", "avg", "361", ".5", "--3"] {
            assert_eq!(plain(text), None, "{text}");
        }
    }

    #[test]
    fn names_say_orbit_and_angle() {
        use Orbit::{Horizontal, Vertical};
        for (name, orbit, angle_deg) in [
            ("h_30", Horizontal, 30.0),
            ("v_-10", Vertical, -10.0),
            ("hor 30 deg", Horizontal, 30.0),
            ("V+10", Vertical, 10.0),
            ("30L", Horizontal, -30.0),
            ("h30R", Horizontal, 30.0),
            ("up10", Vertical, 10.0),
            ("down_20", Vertical, -20.0),
            ("quayside5_h_30", Horizontal, 30.0),
            ("Horizontal 7.5°", Horizontal, 7.5),
        ] {
            assert_eq!(named(name), Some(NamedAngle { orbit, angle_deg }), "{name}");
        }
        for name in ["30", "h30_v10", "front", "v30L", "take 3", "h_400"] {
            assert_eq!(named(name), None, "{name}");
        }
    }
}
