//! Angles as files and columns name them.
//!
//! A **plain** angle is a number in degrees, whole or with decimals, with or without a sign,
//! optionally followed by `deg` or a degree sign: `-30`, `+30`, `7.5`, `7,5`, `30deg`.
//!
//! A **named** angle also says its orbit. Capitals do not matter; blanks, `_` and the like
//! separate. Understood are
//! - an orbit word and then the number, or the number and then the word: `h_30`, `H+30`,
//!   `hor 30 deg`, `horizontal-30`, `v_-10`, `30 deg hor` (orbit words: h, hor, horiz,
//!   horizontal, az, azimuth; v, ver, vert, vertical, el, elev, elevation);
//! - a sign in letters between the two: `h_m30`, `hor_minus_30`, `v_p10`, `v_plus10`;
//! - a side in words, before or after the number: `left 30`, `30 right`, `up10`, `down_20`;
//! - a side in one letter, before or after the number: `30L`, `30R`, `10U`, `D10`, also with an
//!   orbit word: `h30L`; such a letter counts only where no word says anything;
//! - `on axis`, `on-axis`, `onaxis` without a number: horizontal 0.
//!
//! Right and up are positive, left and down negative; right is the right of whoever looks at
//! the speaker. A hyphen before a number is a minus sign. Whatever else stands in the name is
//! passed over. A name in which two such angles can be found says nothing, unless all names of
//! the folder share one of the two (`v2_h30`, `v2_h40`).

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
        "h" | "hor" | "horiz" | "horizontal" | "az" | "azimuth" => Some(Orbit::Horizontal),
        "v" | "ver" | "vert" | "vertical" | "el" | "elev" | "elevation" => Some(Orbit::Vertical),
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

fn sign_word(word: &str) -> Option<f64> {
    match word {
        "m" | "minus" | "neg" => Some(-1.0),
        "p" | "plus" | "pos" => Some(1.0),
        _ => None,
    }
}

/// How much a reading of a name is worth.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
enum Worth {
    /// A single letter for a side, or an orbit word after the number.
    Letter,
    /// A word before the number, or a side in words.
    Word,
}

/// All angles that can be found in `name`, those of the most worth only; `None` where orbit and
/// side contradict each other or a number is no angle.
fn readings(name: &str) -> Option<Vec<NamedAngle>> {
    let tokens = tokens(name);
    let word = |i: Option<usize>| match i.and_then(|i| tokens.get(i)) {
        Some(Token::Word(word)) => Some(word.as_str()),
        _ => None,
    };
    let mut found: Vec<(Worth, NamedAngle)> = Vec::new();
    for (i, token) in tokens.iter().enumerate() {
        let Token::Number(number) = token else {
            continue;
        };
        let (mut before, after) = (word(i.checked_sub(1)), word(Some(i + 1)));
        let mut sign = 1.0;
        if let Some(letters) = before.and_then(sign_word)
            && let Some(earlier) = word(i.checked_sub(2))
            && orbit_word(earlier).is_some()
        {
            (before, sign) = (Some(earlier), letters);
        }
        let orbit = before
            .and_then(orbit_word)
            .map(|orbit| (Worth::Word, orbit))
            .or_else(|| {
                let orbit = after.and_then(orbit_word)?;
                // The word belongs to the next number where one follows.
                let next_is_number = matches!(tokens.get(i + 2), Some(Token::Number(_)));
                (!next_is_number).then_some((Worth::Letter, orbit))
            });
        let side = before
            .and_then(side_word)
            .or_else(|| after.and_then(side_word))
            .map(|side| (Worth::Word, side))
            .or_else(|| {
                let letter = after
                    .and_then(side_letter)
                    .or_else(|| before.and_then(side_letter))?;
                Some((Worth::Letter, letter))
            });
        let (worth, orbit, sign) = match (orbit, side) {
            (Some((worth, orbit)), Some((other, (side_orbit, side_sign)))) => {
                if orbit != side_orbit {
                    return None;
                }
                (worth.max(other), orbit, sign * side_sign)
            }
            (Some((worth, orbit)), None) => (worth, orbit, sign),
            (None, Some((worth, (orbit, sign)))) => (worth, orbit, sign),
            (None, None) => continue,
        };
        if !number.is_finite() {
            return None;
        }
        let angle_deg = if *number == 0.0 { 0.0 } else { sign * number };
        found.push((worth, NamedAngle { orbit, angle_deg }));
    }
    let most = found.iter().map(|(worth, _)| *worth).max();
    let mut best: Vec<NamedAngle> = found
        .into_iter()
        .filter(|(worth, _)| Some(*worth) == most)
        .map(|(_, angle)| angle)
        .collect();
    if best.is_empty() && is_on_axis(&tokens) {
        best.push(NamedAngle {
            orbit: Orbit::Horizontal,
            angle_deg: 0.0,
        });
    }
    Some(best)
}

fn is_on_axis(tokens: &[Token]) -> bool {
    let words: Vec<&str> = tokens
        .iter()
        .filter_map(|token| match token {
            Token::Word(word) => Some(word.as_str()),
            Token::Number(_) => None,
        })
        .collect();
    let no_number = words.len() == tokens.len();
    no_number && (words.contains(&"onaxis") || words.windows(2).any(|pair| pair == ["on", "axis"]))
}

/// The one named angle in `name`, which is a header field or a file name without its ending.
pub(super) fn named(name: &str) -> Option<NamedAngle> {
    match readings(name)?[..] {
        [angle] => Some(angle),
        _ => None,
    }
}

/// The angle that each of `names` says, where what all of them share says nothing.
pub(super) fn named_among(names: &[&str]) -> Vec<Option<NamedAngle>> {
    let all: Vec<Vec<NamedAngle>> = names
        .iter()
        .map(|name| readings(name).unwrap_or_default())
        .collect();
    let several: Vec<&Vec<NamedAngle>> = all.iter().filter(|found| found.len() > 1).collect();
    let shared =
        |angle: &NamedAngle| several.len() > 1 && several.iter().all(|found| found.contains(angle));
    all.iter()
        .map(|found| {
            let own: Vec<&NamedAngle> = found
                .iter()
                .filter(|angle| found.len() == 1 || !shared(angle))
                .collect();
            match own[..] {
                [angle] => Some(*angle),
                _ => None,
            }
        })
        .collect()
}

/// Words that may stand beside the angle in the header of a table whose orbit is known.
const HEADER_WORDS: [&str; 12] = [
    "spl",
    "level",
    "mag",
    "magnitude",
    "db",
    "dbspl",
    "angle",
    "at",
    "ang",
    "response",
    "phase",
    "dbr",
];

/// The angle of a column in a table of a known orbit: plain, named, or one number beside words
/// that only say what the column holds, as in `SPL 30 deg` or `30 (dB)`.
pub(super) fn of_column(text: &str, orbit: Orbit) -> Option<f64> {
    if let Some(angle_deg) = plain(text) {
        return Some(angle_deg);
    }
    if let Some(named) = named(text) {
        return (named.orbit == orbit || named.angle_deg == 0.0).then_some(named.angle_deg);
    }
    let mut angle_deg = None;
    let mut sign = 1.0;
    for token in tokens(text) {
        match token {
            Token::Number(number) if number.is_finite() && angle_deg.is_none() => {
                angle_deg = Some(if number == 0.0 { 0.0 } else { sign * number });
            }
            Token::Number(_) => return None,
            Token::Word(word) if HEADER_WORDS.contains(&word.as_str()) => {}
            Token::Word(word) => sign = sign_word(&word).filter(|_| angle_deg.is_none())?,
        }
    }
    angle_deg
}

/// Whether a name says that it is about phase.
pub(super) fn says_phase(name: &str) -> bool {
    tokens(name)
        .iter()
        .any(|token| matches!(token, Token::Word(word) if word == "phase"))
}

/// The angle in the place of `{angle}` in a pattern for `orbit`: plain, or with its sign or side
/// in letters (`m30`, `30L`).
pub(super) fn in_pattern(text: &str, orbit: Orbit) -> Option<f64> {
    plain(text)
        .or_else(|| match &tokens(text)[..] {
            [Token::Word(word), Token::Number(number)] => {
                let (side, sign) = (side_letter(word), sign_word(word));
                let sided = side.filter(|(own, _)| *own == orbit).map(|(_, sign)| sign);
                sided.or(sign).map(|sign| sign * number)
            }
            [Token::Number(number), Token::Word(word)] => {
                let side = side_word(word).or_else(|| side_letter(word));
                side.filter(|(own, _)| *own == orbit)
                    .map(|(_, sign)| sign * number)
            }
            _ => None,
        })
        .filter(|angle_deg| angle_deg.is_finite())
        // No angle is minus zero.
        .map(|angle_deg| angle_deg + 0.0)
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
        for name in [
            "30", "h30_v10", "front", "v30L", "take 3", "h_400", "m30", "off axis",
        ] {
            assert_eq!(named(name), None, "{name}");
        }
    }

    #[test]
    fn words_count_before_letters_and_signs_may_be_letters() {
        use Orbit::{Horizontal, Vertical};
        for (name, orbit, angle_deg) in [
            ("R2_h30", Horizontal, 30.0),
            ("L30", Horizontal, -30.0),
            ("U10", Vertical, 10.0),
            ("box L 30", Horizontal, -30.0),
            ("h_m30", Horizontal, -30.0),
            ("hor_minus_30deg", Horizontal, -30.0),
            ("v_p10", Vertical, 10.0),
            ("30 deg hor", Horizontal, 30.0),
            ("-10V", Vertical, -10.0),
            ("azimuth=120", Horizontal, 120.0),
            ("el-10", Vertical, -10.0),
            ("10 degrees left", Horizontal, -10.0),
            ("On-Axis", Horizontal, 0.0),
            ("h(0)", Horizontal, 0.0),
            ("0L", Horizontal, 0.0),
        ] {
            assert_eq!(named(name), Some(NamedAngle { orbit, angle_deg }), "{name}");
        }
    }

    #[test]
    fn what_all_names_share_says_nothing() {
        let angles: Vec<Option<f64>> = named_among(&["v2_h30", "v2_h-40", "v2_h2", "notes"])
            .into_iter()
            .map(|found| Some(found?.angle_deg))
            .collect();
        assert_eq!(angles, [Some(30.0), Some(-40.0), Some(2.0), None]);
        assert_eq!(named_among(&["v2_h30"]), [None]);
        assert_eq!(named_among(&["h10_v10", "h20_v20"]), [None, None]);
    }

    #[test]
    fn patterns_hold_plain_angles_or_letters_for_their_sign() {
        for (text, angle_deg) in [
            ("30", 30.0),
            ("-30", -30.0),
            ("m30", -30.0),
            ("p_30", 30.0),
            ("30L", -30.0),
            ("R30", 30.0),
        ] {
            assert_eq!(
                in_pattern(text, Orbit::Horizontal),
                Some(angle_deg),
                "{text}"
            );
        }
        for text in ["30 phase", "10U", "take 3", "m400", ""] {
            assert_eq!(in_pattern(text, Orbit::Horizontal), None, "{text}");
        }
        assert_eq!(in_pattern("10D", Orbit::Vertical), Some(-10.0));
    }

    #[test]
    fn columns_may_say_what_they_hold_beside_their_angle() {
        for (text, angle_deg) in [
            ("SPL 30 deg", 30.0),
            ("30 (dB)", 30.0),
            ("dB@-10", -10.0),
            ("Angle_m20", -20.0),
            ("H 40", 40.0),
            ("40L", -40.0),
            ("on-axis", 0.0),
        ] {
            assert_eq!(
                of_column(text, Orbit::Horizontal),
                Some(angle_deg),
                "{text}"
            );
        }
        for text in ["V10", "avg", "SPL", "30 40", "box 30", "10 hours"] {
            assert_eq!(of_column(text, Orbit::Horizontal), None, "{text}");
        }
    }
}
