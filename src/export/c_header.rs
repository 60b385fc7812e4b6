//! A filter list as a C header: macros and initialised arrays, for firmware that is compiled with
//! its filters.
//!
//! Plain C99. Names begin with a prefix, so that several headers go into one program. With
//! `NAME` for the prefix in capitals:
//!
//! - `NAME_STAGES`, `NAME_RATE_HZ`; `NAME_SUBTRACT_FEEDBACK` is 1 when the `a` numbers are
//!   subtracted and 0 when they are added; `name_gain_db` and `name_gain`, the level in front in dB
//!   and as a factor;
//! - `name_coefficients[NAME_STAGES][5]`, in the device's order: `double`, `float`, or in fixed
//!   point the narrowest integer type that holds a word, value times `2^NAME_FRACTION_BITS`;
//! - for devices of knobs `name_settings[NAME_STAGES][3]` instead: f0 in Hz, gain in dB, Q.
//!
//! A list without stages has no array, since C has none of no elements.

use crate::device::{Coefficient, Feedback, Number};
use crate::error::{Error, Result};
use crate::filter_list::{CAUTIONS, FilterList, equation, in_convention, quoted, shortest};
use crate::units::db_to_amplitude;
use std::fmt::Write;

/// The prefix of names when the header goes to no file.
pub const DEFAULT_PREFIX: &str = "filters";

/// Characters of a prefix at most: C99 promises 63 significant ones (5.2.4.1), and longer names
/// are built from it.
const LONGEST_PREFIX: usize = 40;

/// A prefix for the names in a header, made from a file's name without its ending: lower-case
/// letters, digits and underscores, a letter first.
pub fn prefix_of(file_stem: &str) -> String {
    let mut prefix: String = file_stem
        .chars()
        .map(|c| {
            if c.is_ascii_alphanumeric() {
                c.to_ascii_lowercase()
            } else {
                '_'
            }
        })
        .take(LONGEST_PREFIX)
        .collect();
    if !prefix.starts_with(|c: char| c.is_ascii_alphabetic()) {
        prefix = format!("{DEFAULT_PREFIX}_{prefix}");
    }
    prefix.trim_end_matches('_').to_string()
}

/// The header. `order` is that of the coefficients.
///
/// # Errors
/// When a stage lacks the coefficients that the list's number format asks for, or one of them is
/// not on its grid.
pub fn write(list: &FilterList, order: &[Coefficient; 5], prefix: &str) -> Result<String> {
    let capitals = prefix.to_ascii_uppercase();
    let names = order.map(|c| c.name()).join(", ");
    let mut out = format!("/* Filters of {}", in_comment(&quoted(&list.speaker)));
    let _ = writeln!(
        out,
        " at {} Hz, numbers {}.",
        shortest(list.rate_hz),
        list.number
    );
    if list.number != Number::None {
        let _ = writeln!(
            out,
            "   {}\n   Level in front of the first stage, then the stages in their order, each {{{names}}}.",
            equation(list.feedback)
        );
    }
    for caution in CAUTIONS {
        let _ = writeln!(out, "   {caution}");
    }
    let _ = writeln!(out, "*/\n#ifndef {capitals}_H\n#define {capitals}_H\n");
    if let Number::Fixed { .. } = list.number {
        out.push_str("#include <stdint.h>\n\n");
    }
    let _ = writeln!(out, "#define {capitals}_STAGES {}", list.stages.len());
    let _ = writeln!(out, "#define {capitals}_RATE_HZ {}", double(list.rate_hz));
    if list.number != Number::None {
        let subtracted = u8::from(list.feedback == Feedback::Subtracted);
        let _ = writeln!(out, "#define {capitals}_SUBTRACT_FEEDBACK {subtracted}");
    }
    if let Number::Fixed {
        integer_bits,
        fraction_bits,
    } = list.number
    {
        let _ = writeln!(
            out,
            "#define {capitals}_WORD_BITS {}\n#define {capitals}_FRACTION_BITS {fraction_bits}",
            integer_bits + fraction_bits
        );
    }
    let _ = writeln!(
        out,
        "\nstatic const double {prefix}_gain_db = {};\nstatic const double {prefix}_gain = {};",
        double(list.gain_db),
        double(db_to_amplitude(list.gain_db))
    );
    if !list.stages.is_empty() {
        out.push_str(&array(list, order, prefix, &capitals)?);
    }
    let _ = writeln!(out, "\n#endif");
    Ok(out)
}

fn array(
    list: &FilterList,
    order: &[Coefficient; 5],
    prefix: &str,
    capitals: &str,
) -> Result<String> {
    let (name, columns, kind) = match list.number {
        Number::None => ("settings", 3, "double"),
        Number::F64 => ("coefficients", 5, "double"),
        Number::F32 => ("coefficients", 5, "float"),
        Number::Fixed {
            integer_bits,
            fraction_bits,
        } => (
            "coefficients",
            5,
            match integer_bits + fraction_bits {
                ..=16 => "int16_t",
                17..=32 => "int32_t",
                _ => "int64_t",
            },
        ),
    };
    let mut out =
        format!("static const {kind} {prefix}_{name}[{capitals}_STAGES][{columns}] = {{\n");
    for (number, listed) in (1..).zip(&list.stages) {
        let stage = &listed.stage;
        let gain = if stage.kind.has_gain() {
            format!(" gain_db={}", shortest(stage.gain_db))
        } else {
            String::new()
        };
        let _ = writeln!(
            out,
            "    /* {number} {} f0_hz={}{gain} q={} */",
            stage.kind,
            shortest(stage.f0_hz),
            shortest(stage.q)
        );
        let values: Vec<String> = if list.number == Number::None {
            [stage.f0_hz, stage.gain_db, stage.q].map(double).to_vec()
        } else {
            let section = listed.biquad.as_ref().ok_or_else(|| {
                Error::call(format!("stage {number} has no coefficients to write"))
            })?;
            order
                .iter()
                .map(|c| literal(list.number, in_convention(section, *c, list.feedback), *c))
                .collect::<Result<_>>()?
        };
        let _ = writeln!(out, "    {{{}}},", values.join(", "));
    }
    out.push_str("};\n");
    Ok(out)
}

/// A coefficient as C writes it.
fn literal(number: Number, value: f64, coefficient: Coefficient) -> Result<String> {
    if number.quantise(value) != Some(value) {
        return Err(Error::call(format!(
            "{} = {value} is no number of the format {number}",
            coefficient.name()
        )));
    }
    Ok(match number {
        // Shortest decimals that read back to the same 32-bit number.
        Number::F32 => format!("{:?}f", value as f32),
        Number::Fixed { fraction_bits, .. } => {
            // Exact: the factor is a power of two, and the product a whole number of 64 bits.
            integer((value * f64::from(fraction_bits).exp2()) as i64)
        }
        Number::F64 | Number::None => double(value),
    })
}

/// Shortest decimals that read back to the same 64-bit number, always with a point or an exponent.
fn double(value: f64) -> String {
    format!("{value:?}")
}

/// C has no negative literals, so the lowest numbers of their types are written as sums.
fn integer(value: i64) -> String {
    match value {
        i64::MIN => "(-9223372036854775807LL - 1)".into(),
        -2_147_483_648 => "(-2147483647 - 1)".into(),
        -2_147_483_647..=2_147_483_647 => value.to_string(),
        _ => format!("{value}LL"),
    }
}

/// A text that neither ends nor nests the comment it stands in, nor turns the direction of writing.
fn in_comment(text: &str) -> String {
    let plain: String = text
        .chars()
        .map(|c| {
            if c.is_ascii() || c.is_alphanumeric() {
                c.to_string()
            } else {
                c.escape_unicode().to_string()
            }
        })
        .collect();
    plain.replace("*/", "* /").replace("/*", "/ *")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_prefix_is_an_identifier_of_c() {
        for (stem, prefix) in [
            ("left", "left"),
            ("Left-Speaker 2", "left_speaker_2"),
            ("2-way", "filters_2_way"),
            ("---", "filters"),
            ("r\u{e9}glage", "r_glage"),
            ("", "filters"),
        ] {
            assert_eq!(prefix_of(stem), prefix);
        }
        assert!(prefix_of(&"x".repeat(200)).len() <= LONGEST_PREFIX);
    }

    #[test]
    fn a_name_cannot_leave_the_comment() {
        let comment = in_comment("a */ int x; /* b */*/ \u{202e}c");
        assert!(!comment.contains("*/") && !comment.contains("/*") && comment.is_ascii());
    }

    #[test]
    fn the_ends_of_the_integer_types_are_written_as_sums() {
        assert_eq!(integer(i64::from(i32::MIN)), "(-2147483647 - 1)");
        assert_eq!(integer(i64::MIN), "(-9223372036854775807LL - 1)");
        assert_eq!(integer(-5), "-5");
        assert_eq!(integer(1 << 40), "1099511627776LL");
    }
}
