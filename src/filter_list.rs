//! A filter list: what stands in the text file that goes to the device, and the small rules of
//! its notation that the writer and the reader share.

use crate::device::{Coefficient, Device, Feedback, Number};
use crate::error::{Error, Result};
use crate::filter::{Bank, Biquad, Stage};

/// First line of every filter list of this format.
pub const FIRST_LINE: &str = "planish-filters 1";

/// The cautions that go with every filter list, one sentence each.
///
/// Common practice; local occupational rules and the makers' limits come first.
pub const CAUTIONS: [&str; 5] = [
    "Start at a low level and listen for distortion before you turn up.",
    "Keep the stated gain in front of the stages, or full-scale signals will clip.",
    "Add no boost below the speaker's tuning; the makers' limits for drivers and amplifier come first.",
    "Prolonged high levels harm hearing; follow local occupational rules.",
    "Mains-powered amplifiers are opened by qualified people only.",
];

/// The filters of one speaker for one device at one rate.
#[derive(Debug, Clone, PartialEq)]
pub struct FilterList {
    /// Name of the speaker.
    pub speaker: String,
    /// Sampling rate in Hz, above 0; with [`Number::None`] the rate the prediction assumed.
    pub rate_hz: f64,
    /// How the device holds coefficients.
    pub number: Number,
    /// Sign convention of the `a` numbers in the file.
    pub feedback: Feedback,
    /// Level in front of the stages, dB.
    pub gain_db: f64,
    /// The stages in the order the signal meets them.
    pub stages: Vec<ListedStage>,
}

/// One stage of a list.
#[derive(Debug, Clone, PartialEq)]
pub struct ListedStage {
    /// Its parameters: `0 < f0_hz < rate_hz / 2`, q above 0.
    pub stage: Stage,
    /// Its coefficients as the device holds them, in the library's own sign convention whatever
    /// the file's; `None` with [`Number::None`].
    pub biquad: Option<Biquad>,
    /// With a fixed format the same coefficients as words, in the device's order and sign
    /// convention; otherwise `None`.
    pub words: Option<[u64; 5]>,
}

impl FilterList {
    /// The filters as they sound: the listed coefficients, or where there are none the exact ones
    /// of the parameters at `rate_hz`.
    pub fn bank(&self) -> Bank {
        let section = |listed: &ListedStage| {
            listed
                .biquad
                .unwrap_or_else(|| listed.stage.biquad(self.rate_hz))
        };
        Bank {
            rate_hz: self.rate_hz,
            gain_db: self.gain_db,
            sections: self.stages.iter().map(section).collect(),
        }
    }
}

/// The equation that states the sign convention of the `a` numbers.
pub fn equation(feedback: Feedback) -> &'static str {
    match feedback {
        Feedback::Subtracted => "y0 = b0*x0 + b1*x1 + b2*x2 - a1*y1 - a2*y2",
        Feedback::Added => "y0 = b0*x0 + b1*x1 + b2*x2 + a1*y1 + a2*y2",
    }
}

/// The coefficient of `section` as a device with this sign convention takes it.
pub fn in_convention(section: &Biquad, coefficient: Coefficient, feedback: Feedback) -> f64 {
    let signed = |value: f64| match feedback {
        Feedback::Subtracted => value,
        Feedback::Added => -value,
    };
    match coefficient {
        Coefficient::B0 => section.b0,
        Coefficient::B1 => section.b1,
        Coefficient::B2 => section.b2,
        Coefficient::A1 => signed(section.a1),
        Coefficient::A2 => signed(section.a2),
    }
}

/// The two's complement word of `value` in a fixed format, in the lowest bits, those above the
/// format's width 0. `None` when the value is not exactly on the grid or outside the range, and
/// for formats that are not fixed.
pub fn word(number: Number, value: f64) -> Option<u64> {
    let Number::Fixed {
        integer_bits,
        fraction_bits,
    } = number
    else {
        return None;
    };
    let width = integer_bits + fraction_bits;
    // Exact: the factor is a power of two.
    let scaled = value * f64::from(fraction_bits).exp2();
    let limit = (f64::from(width) - 1.0).exp2();
    let fits = scaled.fract() == 0.0 && scaled >= -limit && scaled < limit;
    fits.then(|| {
        let mask = u64::MAX >> (64 - width.clamp(1, 64));
        (scaled as i64) as u64 & mask
    })
}

/// A list for `device` from parameters and the coefficients it holds for them, one section per
/// stage. `gain_db` is the level in front.
///
/// # Errors
/// When the numbers of stages and sections differ, or a coefficient is not on the grid of the
/// device's number format.
pub fn of_device(
    speaker: &str,
    device: &Device,
    gain_db: f64,
    stages: &[Stage],
    sections: &[Biquad],
) -> Result<FilterList> {
    if stages.len() != sections.len() {
        return Err(Error::call(format!(
            "{} stages have {} sets of coefficients",
            stages.len(),
            sections.len()
        )));
    }
    let stages = stages
        .iter()
        .zip(sections)
        .map(|(stage, section)| {
            let words = match device.number {
                Number::Fixed { .. } => Some(words(
                    section,
                    device.number,
                    device.feedback,
                    &device.word_order,
                )?),
                _ => None,
            };
            Ok(ListedStage {
                stage: *stage,
                biquad: (device.number != Number::None).then_some(*section),
                words,
            })
        })
        .collect::<Result<Vec<ListedStage>>>()?;
    Ok(FilterList {
        speaker: speaker.to_string(),
        rate_hz: device.rate_hz,
        number: device.number,
        feedback: device.feedback,
        gain_db,
        stages,
    })
}

/// The five words of a section in the device's order.
///
/// # Errors
/// When a coefficient is not on the format's grid, or is not with the sign that the device wants.
pub fn words(
    section: &Biquad,
    number: Number,
    feedback: Feedback,
    order: &[Coefficient; 5],
) -> Result<[u64; 5]> {
    let mut words = [0; 5];
    for (held, coefficient) in words.iter_mut().zip(order) {
        let value = in_convention(section, *coefficient, feedback);
        *held = word(number, value).ok_or_else(|| {
            Error::call(format!(
                "coefficient {} = {value} is no number of the format {number}",
                coefficient.name()
            ))
        })?;
    }
    Ok(words)
}

/// The order in which the words of a list stand, as far as they tell; the usual one where there
/// are none or several orders would do.
pub fn word_order(list: &FilterList) -> [Coefficient; 5] {
    let fits = |order: &[Coefficient; 5]| {
        list.stages.iter().all(|listed| {
            let (Some(section), Some(held)) = (&listed.biquad, listed.words) else {
                return true;
            };
            words(section, list.number, list.feedback, order).is_ok_and(|words| words == held)
        })
    };
    let mut orders: Vec<Vec<Coefficient>> = vec![Vec::new()];
    for _ in Coefficient::USUAL_ORDER {
        orders = orders
            .into_iter()
            .flat_map(|order| {
                Coefficient::USUAL_ORDER
                    .into_iter()
                    .filter(|c| !order.contains(c))
                    .map(|c| [order.as_slice(), &[c]].concat())
                    .collect::<Vec<_>>()
            })
            .collect();
    }
    orders
        .into_iter()
        .filter_map(|order| <[Coefficient; 5]>::try_from(order).ok())
        .find(fits)
        .unwrap_or(Coefficient::USUAL_ORDER)
}

/// Hexadecimal digits that hold a word of a fixed format; 0 for formats that are not fixed.
pub fn word_digits(number: Number) -> usize {
    match number {
        Number::Fixed {
            integer_bits,
            fraction_bits,
        } => (integer_bits + fraction_bits).div_ceil(4) as usize,
        _ => 0,
    }
}

/// Numbers nearer to 0 than this are written with an exponent: the digits would vanish behind
/// zeros. Where most languages change over, too.
const EXPONENT_BELOW: f64 = 1e-5;

/// Numbers from this on are written with an exponent: plain digits would pretend to a precision
/// that 64 bits no longer have.
const EXPONENT_FROM: f64 = 1e16;

/// A finite number with the fewest digits that read back to the same 64-bit value.
///
/// Plain decimals (`48000`, `-0.5`); with an exponent (`2.72e-6`, `1e16`) where the magnitude is
/// below 0.00001 or from 1e16 on. The negative zero, a value of its own, is `-0`.
pub fn shortest(value: f64) -> String {
    let magnitude = value.abs();
    if magnitude == 0.0 || (EXPONENT_BELOW..EXPONENT_FROM).contains(&magnitude) {
        format!("{value}")
    } else {
        format!("{value:e}")
    }
}

/// A text in double quotes on one line.
///
/// `"` and `\` stand behind a `\`; newline, tab and return are `\n`, `\t` and `\r`; other control
/// characters and the two separators that some programs take for line ends are `\u{..}` with
/// lower-case hexadecimal digits. Everything else stands for itself.
pub fn quoted(text: &str) -> String {
    let mut out = String::from("\"");
    for c in text.chars() {
        match c {
            '"' => out.push_str("\\\""),
            '\\' => out.push_str("\\\\"),
            '\n' => out.push_str("\\n"),
            '\t' => out.push_str("\\t"),
            '\r' => out.push_str("\\r"),
            c if c.is_control() || c == '\u{2028}' || c == '\u{2029}' => {
                out.push_str(&format!("\\u{{{:x}}}", u32::from(c)));
            }
            c => out.push(c),
        }
    }
    out.push('"');
    out
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::filter::Kind;

    const Q5_27: Number = Number::Fixed {
        integer_bits: 5,
        fraction_bits: 27,
    };

    #[test]
    fn numbers_are_written_short_and_read_back_to_the_bit() {
        for (value, text) in [
            (48000.0, "48000"),
            (-2.5, "-2.5"),
            (0.1 + 0.2, "0.30000000000000004"),
            (1e-5, "0.00001"),
            (2.5e-6, "2.5e-6"),
            (1e15, "1000000000000000"),
            (1e16, "1e16"),
            (0.0, "0"),
            (-0.0, "-0"),
            (f64::MIN_POSITIVE, "2.2250738585072014e-308"),
        ] {
            assert_eq!(shortest(value), text);
            assert_eq!(text.parse::<f64>().unwrap().to_bits(), value.to_bits());
        }
    }

    #[test]
    fn words_are_twos_complement_of_the_formats_width() {
        assert_eq!(word(Q5_27, 1.0), Some(0x0800_0000));
        assert_eq!(word(Q5_27, -1.0), Some(0xf800_0000));
        assert_eq!(word(Q5_27, -16.0), Some(0x8000_0000));
        assert_eq!(word(Q5_27, -0.0), Some(0));
        assert_eq!(word(Q5_27, 16.0), None, "outside the range");
        assert_eq!(word(Q5_27, 0.1), None, "off the grid");
        assert_eq!(word(Number::F64, 1.0), None);
        let widest = Number::Fixed {
            integer_bits: 2,
            fraction_bits: 62,
        };
        assert_eq!(word(widest, -2.0), Some(1 << 63));
        assert_eq!(word(widest, 2.0), None);
    }

    #[test]
    fn a_word_has_as_many_digits_as_its_width_needs() {
        let digits = |integer_bits, fraction_bits| {
            word_digits(Number::Fixed {
                integer_bits,
                fraction_bits,
            })
        };
        assert_eq!((digits(5, 27), digits(5, 23), digits(2, 23)), (8, 7, 7));
    }

    #[test]
    fn control_characters_and_quotes_are_escaped() {
        assert_eq!(
            quoted("a \"b\" \\ c\n\t\r\u{7f}\u{2028}é"),
            "\"a \\\"b\\\" \\\\ c\\n\\t\\r\\u{7f}\\u{2028}é\""
        );
    }

    #[test]
    fn a_list_without_coefficients_sounds_as_its_parameters() {
        let stage = Stage {
            kind: Kind::Peaking,
            f0_hz: 1000.0,
            gain_db: -3.0,
            q: 1.0,
        };
        let list = FilterList {
            speaker: "Quayside 5".into(),
            rate_hz: 48000.0,
            number: Number::None,
            feedback: Feedback::Subtracted,
            gain_db: -1.0,
            stages: vec![ListedStage {
                stage,
                biquad: None,
                words: None,
            }],
        };
        assert!((list.bank().gain_at_db(1000.0) + 4.0).abs() < 1e-9);
    }
}
