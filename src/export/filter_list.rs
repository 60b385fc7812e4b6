//! The filter list, format 1: the text that goes to the device.
//!
//! # The format
//!
//! UTF-8 lines, each ended by LF, the last one too. Fields are parted by one blank. A line that
//! starts with `#` is a comment and may stand anywhere between the first line and the last.
//! There are no empty lines.
//!
//! ```text
//! planish-filters 1
//! speaker "Quayside 5"
//! rate_hz 48000
//! equation y0 = b0*x0 + b1*x1 + b2*x2 - a1*y1 - a2*y2
//! number f64
//! gain_db -2.5
//! stage 1 peaking f0_hz=812.4 gain_db=-3.1 q=2.31
//! b 1.0012 -1.93 0.94
//! a -1.93 0.9412
//! end 1 crc32=1a2b3c4d
//! ```
//!
//! - `speaker`: the name in double quotes, escaped as [`crate::filter_list::quoted`] says.
//! - `rate_hz`: the rate the coefficients hold for.
//! - `equation`: the sign convention of the `a` numbers, one of two texts; with `+ a1*y1 + a2*y2`
//!   they are negated. It stands in every list, also where no coefficients follow.
//! - `number`: `f64`, `f32`, `fixed I.F` (two's complement, I bits before the point with the sign
//!   among them, F after it) or `none`.
//! - `gain_db`: level in front of the stages, dB.
//! - `stage`: number from 1, type, f0 in Hz, gain in dB (peaking and shelves only), Q as in the
//!   W3C Audio EQ Cookbook.
//! - `b`: b0, b1, b2; `a`: a1, a2 with the sign that `equation` states. Exactly what the device
//!   holds: with `f32` and `fixed` the decimals are numbers of that format.
//! - `words`, with `fixed` only: the same five as two's complement words, hexadecimal, as many
//!   digits as the width needs (leading bits 0), in the order the device takes them, signs as
//!   `equation` states. A comment above the stages names that order; it is the same for all.
//! - `end`: how many stages there are and the CRC-32 (IEEE 802.3) of all bytes before the line,
//!   eight lower-case hexadecimal digits.
//!
//! Numbers are written as [`crate::filter_list::shortest`] says: the fewest digits that read back
//! to the same 64-bit value, an exponent only below 0.00001 and from 1e16 on, `-0` for the
//! negative zero (fixed formats have one zero, written `0`).

use crate::device::{Coefficient, Number};
use crate::error::{Error, Result};
use crate::filter_list::{
    CAUTIONS, FIRST_LINE, FilterList, ListedStage, equation, in_convention, quoted, shortest,
    word_digits, words,
};
use crate::predict::Plan;
use std::fmt::Write;

pub use crate::filter_list::of_device;

/// The list of a plan: its stages with the rounded coefficients the prediction was made from.
///
/// # Errors
/// When a coefficient is not on the grid of the device's number format.
pub fn from_plan(plan: &Plan) -> Result<FilterList> {
    let bank = &plan.prediction.bank;
    of_device(
        &plan.speaker,
        &plan.device,
        bank.gain_db,
        &plan.stages(),
        &bank.sections,
    )
}

/// The bytes of a list. `order` is the device's word order; it is looked at for fixed formats
/// only, and the words are written in it.
///
/// # Errors
/// When a stage lacks the coefficients its number format asks for, one of them is not on that
/// format's grid, a number is not finite, or f0, Q or rate are outside their ranges.
pub fn write(list: &FilterList, order: &[Coefficient; 5]) -> Result<String> {
    let mut out = format!("{FIRST_LINE}\n");
    for caution in CAUTIONS {
        let _ = writeln!(out, "# {caution}");
    }
    let _ = writeln!(out, "speaker {}", quoted(&list.speaker));
    if list.rate_hz <= 0.0 {
        return Err(Error::range("rate_hz", shortest(list.rate_hz), "above 0"));
    }
    let _ = writeln!(out, "rate_hz {}", finite("rate_hz", list.rate_hz)?);
    let _ = writeln!(out, "equation {}", equation(list.feedback));
    let _ = writeln!(out, "number {}", list.number);
    let _ = writeln!(out, "gain_db {}", finite("gain_db", list.gain_db)?);
    if matches!(list.number, Number::Fixed { .. }) {
        let names: Vec<&str> = order.iter().map(|c| c.name()).collect();
        let _ = writeln!(out, "# words: {}", names.join(" "));
    }
    for (i, listed) in list.stages.iter().enumerate() {
        write_stage(&mut out, i + 1, list, listed, order)?;
    }
    let crc = crc32fast::hash(out.as_bytes());
    let _ = writeln!(out, "end {} crc32={crc:08x}", list.stages.len());
    Ok(out)
}

fn write_stage(
    out: &mut String,
    index: usize,
    list: &FilterList,
    listed: &ListedStage,
    order: &[Coefficient; 5],
) -> Result<()> {
    let stage = &listed.stage;
    if !(stage.f0_hz > 0.0 && stage.f0_hz < 0.5 * list.rate_hz && stage.q > 0.0) {
        return Err(Error::call(format!(
            "stage {index} ({} Hz, Q {}) does not fit a rate of {} Hz",
            stage.f0_hz, stage.q, list.rate_hz
        )));
    }
    let _ = write!(
        out,
        "stage {index} {} f0_hz={}",
        stage.kind,
        finite("f0_hz", stage.f0_hz)?
    );
    if stage.kind.has_gain() {
        let _ = write!(out, " gain_db={}", finite("gain_db", stage.gain_db)?);
    }
    let _ = writeln!(out, " q={}", finite("q", stage.q)?);
    if list.number == Number::None {
        return Ok(());
    }
    let section = listed.biquad.as_ref().ok_or_else(|| {
        Error::call(format!(
            "stage {index} has no coefficients, but the list's number format is {}",
            list.number
        ))
    })?;
    let text = |coefficient: Coefficient| {
        let value = in_convention(section, coefficient, list.feedback);
        if list.number.quantise(value) != Some(value) {
            return Err(Error::call(format!(
                "stage {index}: {} = {value} is no number of the format {}",
                coefficient.name(),
                list.number
            )));
        }
        // A fixed format has one zero only.
        let zero_without_sign = matches!(list.number, Number::Fixed { .. }) && value == 0.0;
        finite(
            coefficient.name(),
            if zero_without_sign { 0.0 } else { value },
        )
    };
    use Coefficient::{A1, A2, B0, B1, B2};
    let _ = writeln!(out, "b {} {} {}", text(B0)?, text(B1)?, text(B2)?);
    let _ = writeln!(out, "a {} {}", text(A1)?, text(A2)?);
    if matches!(list.number, Number::Fixed { .. }) {
        let digits = word_digits(list.number);
        let words = words(section, list.number, list.feedback, order)?
            .map(|word| format!("{word:0digits$x}"));
        let _ = writeln!(out, "words {}", words.join(" "));
    }
    Ok(())
}

fn finite(name: &str, value: f64) -> Result<String> {
    if value.is_finite() {
        Ok(shortest(value))
    } else {
        Err(Error::range(name, value.to_string(), "finite"))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::device::Feedback;
    use crate::filter::{Biquad, Kind, Stage};

    fn list(number: Number, feedback: Feedback, section: Option<Biquad>) -> FilterList {
        FilterList {
            speaker: "Quayside \"5\"".into(),
            rate_hz: 48000.0,
            number,
            feedback,
            gain_db: -2.5,
            stages: vec![
                ListedStage {
                    stage: Stage {
                        kind: Kind::Peaking,
                        f0_hz: 812.4,
                        gain_db: -3.1,
                        q: 2.31,
                    },
                    biquad: section,
                    words: None,
                },
                ListedStage {
                    stage: Stage {
                        kind: Kind::HighPass,
                        f0_hz: 20.0,
                        gain_db: 0.0,
                        q: 0.7,
                    },
                    biquad: section,
                    words: None,
                },
            ],
        }
    }

    /// Dyadic numbers, on the grid of every format in these tests.
    const DYADIC: Biquad = Biquad {
        b0: 1.0,
        b1: -1.5,
        b2: 0.0,
        a1: -1.75,
        a2: 0.8125,
    };

    /// The text without cautions and end line, which other tests look at.
    fn middle(text: &str) -> String {
        text.lines()
            .skip(1 + CAUTIONS.len())
            .take_while(|line| !line.starts_with("end"))
            .map(|line| format!("{line}\n"))
            .collect()
    }

    #[test]
    fn a_list_for_a_floating_point_device_as_a_whole() {
        let list = list(Number::F64, Feedback::Subtracted, Some(DYADIC));
        let text = write(&list, &Coefficient::USUAL_ORDER).unwrap();
        assert!(
            text.starts_with("planish-filters 1\n# Start at a low level"),
            "{text}"
        );
        assert_eq!(
            middle(&text),
            "speaker \"Quayside \\\"5\\\"\"\n\
             rate_hz 48000\n\
             equation y0 = b0*x0 + b1*x1 + b2*x2 - a1*y1 - a2*y2\n\
             number f64\n\
             gain_db -2.5\n\
             stage 1 peaking f0_hz=812.4 gain_db=-3.1 q=2.31\n\
             b 1 -1.5 0\n\
             a -1.75 0.8125\n\
             stage 2 highpass f0_hz=20 q=0.7\n\
             b 1 -1.5 0\n\
             a -1.75 0.8125\n"
        );
        let (body, end) = text.split_at(text.find("end ").unwrap());
        assert_eq!(
            end,
            format!("end 2 crc32={:08x}\n", crc32_bit_by_bit(body.as_bytes()))
        );
    }

    /// IEEE 802.3, clause 3.2.9: reflected polynomial 0xedb88320, start and end inverted.
    fn crc32_bit_by_bit(bytes: &[u8]) -> u32 {
        let mut crc = u32::MAX;
        for byte in bytes {
            crc ^= u32::from(*byte);
            for _ in 0..8 {
                crc = (crc >> 1) ^ (0xedb8_8320 & (crc & 1).wrapping_neg());
            }
        }
        !crc
    }

    #[test]
    fn a_fixed_list_with_added_feedback_holds_negated_numbers_and_words_in_the_devices_order() {
        use Coefficient::{A1, A2, B0, B1, B2};
        let number = Number::from_name("fixed 5.27").unwrap();
        let list = list(number, Feedback::Added, Some(DYADIC));
        let text = write(&list, &[B2, B1, B0, A2, A1]).unwrap();
        let middle = middle(&text);
        assert!(
            middle.contains(
                "equation y0 = b0*x0 + b1*x1 + b2*x2 + a1*y1 + a2*y2\nnumber fixed 5.27\n"
            )
        );
        assert!(middle.contains("\n# words: b2 b1 b0 a2 a1\nstage 1"));
        // 1.75 * 2^27 = 0x0e000000; -0.8125 * 2^27 = -0x06800000.
        assert!(middle.contains(
            "b 1 -1.5 0\na 1.75 -0.8125\nwords 00000000 f4000000 08000000 f9800000 0e000000\n"
        ));
    }

    #[test]
    fn a_device_of_knobs_gets_no_coefficients() {
        let list = list(Number::None, Feedback::Subtracted, None);
        let text = write(&list, &Coefficient::USUAL_ORDER).unwrap();
        assert!(
            !text
                .lines()
                .any(|line| line.starts_with("a ") || line.starts_with("b "))
        );
        assert!(text.contains("number none\n") && text.contains("q=0.7\nend 2"));
    }

    #[test]
    fn what_a_format_does_not_hold_is_refused() {
        let off_grid = Biquad { b0: 0.1, ..DYADIC };
        for number in [Number::F32, Number::from_name("fixed 2.30").unwrap()] {
            let list = list(number, Feedback::Subtracted, Some(off_grid));
            assert!(write(&list, &Coefficient::USUAL_ORDER).is_err(), "{number}");
        }
        let missing = list(Number::F64, Feedback::Subtracted, None);
        assert!(write(&missing, &Coefficient::USUAL_ORDER).is_err());
        let not_finite = Biquad {
            a1: f64::NAN,
            ..DYADIC
        };
        let list = list(Number::F64, Feedback::Subtracted, Some(not_finite));
        assert!(write(&list, &Coefficient::USUAL_ORDER).is_err());
    }
}
