//! The filter list, format 1 (DESIGN, section 6).
//!
//! Numbers are written in plain decimals, without an exponent, with the fewest digits that read
//! back to the same 64-bit value; negative zero is written `-0`. In the speaker's name `"` and
//! `\` get a `\` in front, and what would break the line (control characters, line and
//! paragraph separators) is written `\u{..}` with its number in hexadecimal digits.

use crate::error::Result;
use crate::filter::Stage;
use crate::filter_list::{FIRST_LINE, FilterList, device_numbers, equation, word_digits};
use std::fmt::Write;

/// The usual cautions, one comment line each. Source: DESIGN, section 8.
pub const CAUTIONS: [&str; 5] = [
    "Caution: start at low level; keep the stated gain in front of the stages.",
    "No boost belongs below the tuning of the box; the makers' limits come first.",
    "EQ can damage drivers and amplifiers when it is played loud.",
    "Prolonged high levels harm hearing; follow the local occupational rules.",
    "Mains-powered amplifiers are opened by qualified people only.",
];

/// The text of a list; `comments` come below the first line, a line each.
///
/// # Errors
/// When the list does not keep its promises, see [`FilterList::check`].
pub fn text(list: &FilterList, comments: &[&str]) -> Result<String> {
    list.check()?;
    let mut out = String::new();
    let mut line = |text: &str| {
        out.push_str(text);
        out.push('\n');
    };
    line(FIRST_LINE);
    for comment in comments.iter().flat_map(|comment| comment.lines()) {
        // A carriage return inside a line would make the list unreadable.
        line(&format!("# {}", comment.replace('\r', " ")));
    }
    line(&format!("speaker {}", quoted(&list.speaker)));
    line(&format!("rate_hz {}", list.rate_hz));
    line(&format!("equation {}", equation(list.feedback)));
    line(&format!("number {}", list.number));
    line(&format!("gain_db {}", list.gain_db));
    for (i, listed) in list.stages.iter().enumerate() {
        line(&stage_line(i + 1, &listed.stage));
        if let Some(biquad) = &listed.biquad {
            let [b0, b1, b2, a1, a2] = device_numbers(biquad, list.feedback);
            line(&format!("b {b0} {b1} {b2}"));
            line(&format!("a {a1} {a2}"));
        }
        if let Some(words) = list.words(listed) {
            let digits = word_digits(list.number);
            let words = words.map(|word| format!("{word:0digits$x}"));
            line(&format!("words {}", words.join(" ")));
        }
    }
    let crc32 = crc32fast::hash(out.as_bytes());
    out.push_str(&format!("end {} crc32={crc32:08x}\n", list.stages.len()));
    Ok(out)
}

fn stage_line(number: usize, stage: &Stage) -> String {
    let Stage {
        kind,
        f0_hz,
        gain_db,
        q,
    } = stage;
    if kind.has_gain() {
        format!("stage {number} {kind} f0_hz={f0_hz} gain_db={gain_db} q={q}")
    } else {
        format!("stage {number} {kind} f0_hz={f0_hz} q={q}")
    }
}

fn quoted(name: &str) -> String {
    let mut out = String::from("\"");
    for c in name.chars() {
        match c {
            '"' | '\\' => {
                out.push('\\');
                out.push(c);
            }
            c if c.is_control() || ['\u{2028}', '\u{2029}'].contains(&c) => {
                // Writing into a String cannot fail.
                let _ = write!(out, "\\u{{{:x}}}", u32::from(c));
            }
            c => out.push(c),
        }
    }
    out.push('"');
    out
}
