//! The filter list, format 1, as a value: what `read` makes of a text and `export` makes a text
//! of. The format itself is described in DESIGN, section 6.

use crate::device::{Coefficient, Device, Feedback, Number};
use crate::error::{Error, Result};
use crate::filter::{Bank, Biquad, Stage};

/// First line of a list.
pub const FIRST_LINE: &str = "planish-filters 1";

/// A list of filters for one rate and one number format.
#[derive(Debug, Clone, PartialEq)]
pub struct FilterList {
    /// Name of the speaker.
    pub speaker: String,
    /// Sampling rate in Hz, above 0; for `number none` the one the prediction assumed.
    pub rate_hz: f64,
    /// Number format.
    pub number: Number,
    /// Sign convention of the `a` numbers in the text; [`ListedStage::biquad`] always has the
    /// inner one.
    pub feedback: Feedback,
    /// Level in front of the stages, dB.
    pub gain_db: f64,
    /// Order of the words of a stage; of meaning only for fixed-point formats.
    pub word_order: [Coefficient; 5],
    /// The stages in the order the signal meets them.
    pub stages: Vec<ListedStage>,
}

/// One stage of a list.
#[derive(Debug, Clone, PartialEq)]
pub struct ListedStage {
    /// Its parameters.
    pub stage: Stage,
    /// Its coefficients with the inner sign convention; `None` exactly for `number none`.
    pub biquad: Option<Biquad>,
}

/// The `equation` line's text for a sign convention.
pub fn equation(feedback: Feedback) -> &'static str {
    match feedback {
        Feedback::Subtracted => "y0 = b0*x0 + b1*x1 + b2*x2 - a1*y1 - a2*y2",
        Feedback::Added => "y0 = b0*x0 + b1*x1 + b2*x2 + a1*y1 + a2*y2",
    }
}

/// The five numbers of a section in the usual order, the `a` numbers with the device's sign.
pub fn device_numbers(biquad: &Biquad, feedback: Feedback) -> [f64; 5] {
    let Biquad { b0, b1, b2, a1, a2 } = *biquad;
    match feedback {
        Feedback::Subtracted => [b0, b1, b2, a1, a2],
        Feedback::Added => [b0, b1, b2, -a1, -a2],
    }
}

/// The two's complement word of `value` in a fixed-point format; `None` when the value is not
/// on the format's grid or outside its range, or the format is not fixed-point.
pub fn word(number: Number, value: f64) -> Option<u64> {
    let Number::Fixed {
        integer_bits,
        fraction_bits,
    } = number
    else {
        return None;
    };
    let width = integer_bits + fraction_bits;
    let scaled = value * f64::from(fraction_bits).exp2();
    if !scaled.is_finite() || scaled.fract() != 0.0 || !(1..=64).contains(&width) {
        return None;
    }
    // Within 127 bits for certain: the cast saturates, and the range is asked next.
    let whole = scaled as i128;
    let half = 1i128 << (width - 1);
    (-half..half)
        .contains(&whole)
        .then_some((whole & ((1i128 << width) - 1)) as u64)
}

/// Hexadecimal digits of a word: the fewest that hold its bits. 0 for other formats.
pub fn word_digits(number: Number) -> usize {
    match number {
        Number::Fixed {
            integer_bits,
            fraction_bits,
        } => (integer_bits + fraction_bits).div_ceil(4) as usize,
        _ => 0,
    }
}

/// Whether the number format holds `value` exactly.
pub fn holds(number: Number, value: f64) -> bool {
    match number {
        Number::F64 | Number::None => value.is_finite(),
        Number::F32 => value.is_finite() && f64::from(value as f32) == value,
        Number::Fixed { .. } => word(number, value).is_some(),
    }
}

impl FilterList {
    /// The list of `stages`, whose rounded sections are those of `bank`, for a device.
    ///
    /// # Errors
    /// When stages and sections are not equally many, or a number is not one that the device
    /// holds: sections come rounded, this does not round them.
    pub fn for_device(
        speaker: &str,
        device: &Device,
        stages: &[Stage],
        bank: &Bank,
    ) -> Result<FilterList> {
        if stages.len() != bank.sections.len() {
            return Err(Error::call(format!(
                "{} stages but {} sections",
                stages.len(),
                bank.sections.len()
            )));
        }
        let listed = stages
            .iter()
            .zip(&bank.sections)
            .map(|(stage, section)| ListedStage {
                stage: *stage,
                biquad: (device.number != Number::None).then_some(*section),
            })
            .collect();
        let list = FilterList {
            speaker: speaker.to_string(),
            rate_hz: bank.rate_hz,
            number: device.number,
            feedback: device.feedback,
            gain_db: bank.gain_db,
            word_order: device.word_order,
            stages: listed,
        };
        list.check()?;
        Ok(list)
    }

    /// Whether the list keeps what its fields promise.
    ///
    /// # Errors
    /// Naming the first number that does not.
    pub fn check(&self) -> Result<()> {
        let wrong = |what: String, value: f64, range: &str| {
            Err(Error::range(what, value.to_string(), range))
        };
        if !(self.rate_hz.is_finite() && self.rate_hz > 0.0) {
            return wrong("rate".into(), self.rate_hz, "a number of Hz above 0");
        }
        if !self.gain_db.is_finite() {
            return wrong(
                "gain in front".into(),
                self.gain_db,
                "a finite number of dB",
            );
        }
        for (i, listed) in self.stages.iter().enumerate() {
            let at = format!("stage {}", i + 1);
            let Stage {
                kind,
                f0_hz,
                gain_db,
                q,
            } = listed.stage;
            if !(f0_hz > 0.0 && f0_hz < 0.5 * self.rate_hz) {
                return wrong(
                    format!("f0 of {at}"),
                    f0_hz,
                    "above 0 Hz and below half the rate",
                );
            }
            if !(q.is_finite() && q > 0.0) {
                return wrong(format!("q of {at}"), q, "a number above 0");
            }
            if !gain_db.is_finite() || (!kind.has_gain() && gain_db != 0.0) {
                return wrong(
                    format!("gain of {at}"),
                    gain_db,
                    "a finite number of dB, 0 for a type without gain",
                );
            }
            match (&listed.biquad, self.number) {
                (None, Number::None) => {}
                (Some(biquad), number) if number != Number::None => {
                    let numbers = device_numbers(biquad, self.feedback);
                    for (value, coefficient) in numbers.into_iter().zip(Coefficient::USUAL_ORDER) {
                        if !holds(number, value) {
                            let range = format!("a number that {number} holds exactly");
                            return wrong(format!("{} of {at}", coefficient.name()), value, &range);
                        }
                    }
                }
                _ => {
                    return Err(Error::call(format!(
                        "{at} has coefficients exactly when the number format is not none"
                    )));
                }
            }
        }
        Ok(())
    }

    /// The words of a stage in [`FilterList::word_order`]; `None` for formats without words.
    pub fn words(&self, stage: &ListedStage) -> Option<[u64; 5]> {
        let numbers = device_numbers(stage.biquad.as_ref()?, self.feedback);
        let mut words = [0; 5];
        for (slot, coefficient) in words.iter_mut().zip(self.word_order) {
            *slot = word(self.number, numbers[coefficient as usize])?;
        }
        Some(words)
    }

    /// What the list does: its sections, or for knobs those of the cookbook at the assumed
    /// rate, with the level in front.
    pub fn bank(&self) -> Bank {
        Bank {
            rate_hz: self.rate_hz,
            gain_db: self.gain_db,
            sections: self
                .stages
                .iter()
                .map(|listed| {
                    listed
                        .biquad
                        .unwrap_or_else(|| listed.stage.biquad(self.rate_hz))
                })
                .collect(),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const FIXED: Number = Number::Fixed {
        integer_bits: 5,
        fraction_bits: 23,
    };

    #[test]
    fn words_are_twos_complement_of_the_formats_width() {
        // By hand: 1.0 is 2^23, -1.0 is 2^28 - 2^23, one step is 1.
        assert_eq!(word(FIXED, 1.0), Some(0x080_0000));
        assert_eq!(word(FIXED, -1.0), Some(0xF80_0000));
        assert_eq!(word(FIXED, -(2f64.powi(-23))), Some(0xFFF_FFFF));
        assert_eq!(word(FIXED, -16.0), Some(0x800_0000));
        assert_eq!(word(FIXED, 16.0), None);
        assert_eq!(word(FIXED, 2f64.powi(-24)), None);
        assert_eq!(word_digits(FIXED), 7);
        let widest = Number::Fixed {
            integer_bits: 1,
            fraction_bits: 63,
        };
        assert_eq!(word(widest, -0.5), Some(0xC000_0000_0000_0000));
    }

    #[test]
    fn the_a_numbers_carry_the_devices_sign() {
        let biquad = Biquad {
            b0: 1.0,
            b1: 2.0,
            b2: 3.0,
            a1: -1.5,
            a2: 0.5,
        };
        assert_eq!(
            device_numbers(&biquad, Feedback::Added),
            [1.0, 2.0, 3.0, 1.5, -0.5]
        );
    }
}
