//! What is written is what is read back, and nothing else is.

use planish::device::{Coefficient, Feedback, Number};
use planish::export::filter_list::{of_device, write};
use planish::filter::{Biquad, Kind, Stage};
use planish::filter_list::{FilterList, ListedStage, in_convention, word};
use planish::read::filter_list::{parse, read};
use std::path::Path;

/// A seeded generator for the tests. Source: Steele, Lea and Flood 2014, Fast Splittable
/// Pseudorandom Number Generators, OOPSLA, figure 17 (the SplitMix64 mix).
struct Chance(u64);

impl Chance {
    fn bits(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        z ^ (z >> 31)
    }

    fn below(&mut self, n: u64) -> u64 {
        self.bits() % n
    }

    fn between(&mut self, low: f64, high: f64) -> f64 {
        low + (high - low) * (self.bits() >> 11) as f64 / (1u64 << 53) as f64
    }

    /// Any finite value of 64 bits: subnormal, negative zero, huge.
    fn any_finite(&mut self) -> f64 {
        loop {
            let value = match self.below(8) {
                0 => -0.0,
                1 => 0.0,
                2 => self.between(-2.0, 2.0),
                _ => f64::from_bits(self.bits()),
            };
            if value.is_finite() {
                return value;
            }
        }
    }
}

fn number(chance: &mut Chance) -> Number {
    match chance.below(4) {
        0 => Number::F64,
        1 => Number::F32,
        2 => Number::None,
        _ => {
            let integer_bits = 1 + chance.below(64) as u32;
            let fraction_bits = chance.below(u64::from(65 - integer_bits)) as u32;
            Number::Fixed {
                integer_bits,
                fraction_bits,
            }
        }
    }
}

fn order(chance: &mut Chance) -> [Coefficient; 5] {
    let mut order = Coefficient::USUAL_ORDER;
    for i in (1..5).rev() {
        order.swap(i, chance.below(i as u64 + 1) as usize);
    }
    order
}

fn held(chance: &mut Chance, number: Number) -> f64 {
    loop {
        let wanted = match number {
            Number::Fixed { integer_bits, .. } => {
                let limit = (f64::from(integer_bits) - 1.0).exp2();
                chance.between(-limit, limit)
            }
            _ => chance.any_finite(),
        };
        // A device that adds its feedback has to hold the negated number, too.
        if let Some(value) = number.quantise(wanted)
            && number.quantise(-value).is_some()
        {
            return value;
        }
    }
}

fn list(chance: &mut Chance, order: &[Coefficient; 5]) -> FilterList {
    let number = number(chance);
    let rate_hz = [44100.0, 48000.0, 96000.0, 12345.678][chance.below(4) as usize];
    let feedback = [Feedback::Subtracted, Feedback::Added][chance.below(2) as usize];
    let names = [
        "Quayside 5",
        "",
        "a \"b\" \\ \n\t\r\u{0}\u{85}\u{2028} é #",
        "end 1 crc32=00000000",
    ];
    let stages = (0..chance.below(6))
        .map(|_| {
            let kind = Kind::ALL[chance.below(8) as usize];
            let stage = Stage {
                kind,
                f0_hz: chance.between(1e-9, 0.4999 * rate_hz),
                gain_db: if kind.has_gain() {
                    chance.any_finite()
                } else {
                    0.0
                },
                q: chance.any_finite().abs().max(1e-300),
            };
            let biquad = (number != Number::None).then(|| Biquad {
                b0: held(chance, number),
                b1: held(chance, number),
                b2: held(chance, number),
                a1: held(chance, number),
                a2: held(chance, number),
            });
            let words = match (number, biquad) {
                (Number::Fixed { .. }, Some(b)) => {
                    Some(order.map(|c| word(number, in_convention(&b, c, feedback)).unwrap()))
                }
                _ => None,
            };
            ListedStage {
                stage,
                biquad,
                words,
            }
        })
        .collect();
    FilterList {
        speaker: names[chance.below(4) as usize].to_string(),
        rate_hz,
        number,
        feedback,
        gain_db: chance.any_finite(),
        stages,
    }
}

/// Every number of a list by its bits, so that negative zeros count.
fn bits(list: &FilterList) -> Vec<u64> {
    let mut values = vec![list.rate_hz, list.gain_db];
    for listed in &list.stages {
        values.extend([listed.stage.f0_hz, listed.stage.gain_db, listed.stage.q]);
        if let Some(b) = listed.biquad {
            values.extend([b.b0, b.b1, b.b2, b.a1, b.a2]);
        }
    }
    values.into_iter().map(f64::to_bits).collect()
}

#[test]
fn random_lists_of_every_number_format_come_back_to_the_bit() {
    let mut chance = Chance(20_261_125);
    let mut formats = [0; 4];
    for _ in 0..4000 {
        let order = order(&mut chance);
        let list = list(&mut chance, &order);
        formats[match list.number {
            Number::F64 => 0,
            Number::F32 => 1,
            Number::Fixed { .. } => 2,
            Number::None => 3,
        }] += 1;
        let text = write(&list, &order).unwrap();
        let back = parse(Path::new("filters.txt"), &text).unwrap_or_else(|e| panic!("{e}\n{text}"));
        assert_eq!(back, list, "{text}");
        assert_eq!(bits(&back), bits(&list), "{text}");
        assert_eq!(
            write(&back, &order).unwrap(),
            text,
            "written again, the same bytes"
        );
    }
    assert!(formats.iter().all(|n| *n > 500), "{formats:?}");
}
