//! What is wrong with a list, and between a list and a box.

use crate::check::faults::{Fault, RateSide, Reversal};
use crate::check::q_reading::{QReading, Scope};
use crate::check::soundness::{Note, Problem};
use crate::report::span::{Text, db, exact, number, quantity, text};

/// What the fault is.
pub fn fault(fault: &Fault) -> Text {
    match fault {
        Fault::FeedbackSign => "the feedback numbers act with the other sign".into(),
        Fault::WrongRate {
            rate_hz,
            side: RateSide::Device,
        } => {
            text!("the device runs at {}", exact(*rate_hz, "Hz"))
        }
        Fault::WrongRate {
            rate_hz,
            side: RateSide::Numbers,
        } => {
            text! {
                "the device holds numbers made for {}",
                exact(*rate_hz, "Hz")
            }
        }
        Fault::StageMissing(stages) => match stages.as_slice() {
            [one] => text!("stage {} does nothing", *one),
            [first, .., last] if last - first + 1 == stages.len() => {
                text!("stages {} to {} do nothing", *first, *last)
            }
            _ => text! {
                "stages {} do nothing",
                Text::joined(stages.iter().copied(), " and ")
            },
        },
        Fault::Bypassed => "no filter acts".into(),
        Fault::GainMissing => "the level in front is not applied".into(),
        Fault::ReversedOrder(reversal) => match reversal {
            Reversal::A => "a1 and a2 are exchanged",
            Reversal::B => "b0 and b2 are exchanged",
            Reversal::Both => "both the b and the a numbers are read backwards",
            Reversal::AllFive => "the five numbers of a stage are read backwards",
        }
        .into(),
        Fault::QDefinition {
            reading,
            scope,
            shelves,
        } => {
            let mut said = text!("Q is read as {}", self::reading(*reading));
            said += match scope {
                Scope::All => "",
                Scope::Peaking => " in peaking stages",
                Scope::Shelves => " in shelves",
            };
            if let Some(shelves) = shelves {
                said += text!(", and in shelves as {}", self::reading(*shelves));
            }
            said
        }
    }
}

/// What to do about it, one sentence.
pub fn advice(fault: &Fault) -> Text {
    match fault {
        Fault::FeedbackSign => {
            "Negate a1 and a2 of every stage: write the list for a device with the other equation (planish convert --feedback).".into()
        }
        Fault::WrongRate { rate_hz, side: RateSide::Device } => text!("Run the device at the list's rate, or convert the list (planish convert --rate {}).", exact(*rate_hz, "")),
        Fault::WrongRate { rate_hz, side: RateSide::Numbers } => text!("The device holds numbers made for {}: load this list again.", exact(*rate_hz, "Hz")),
        Fault::StageMissing(stages) => match stages.as_slice() {
            [one] => text!("Load stage {} again and take it out of bypass.", *one),
            _ => "Load these stages again, take them out of bypass, and see how many stages the device runs.".into(),
        },
        Fault::Bypassed => {
            "Take the filters out of bypass, and see that the signal goes through the device.".into()
        }
        Fault::GainMissing => {
            "Set the level in front of the stages, or full-scale signals will clip.".into()
        }
        Fault::ReversedOrder(_) => {
            "Send the numbers of each stage in the order the device wants them (planish convert --order).".into()
        }
        Fault::QDefinition { .. } => {
            "Convert Q to the device's definition, or load coefficients in place of f0, gain and Q.".into()
        }
    }
}

/// What a Q is read as.
fn reading(reading: QReading) -> &'static str {
    match reading {
        QReading::BandwidthOctaves => "a bandwidth in octaves",
        QReading::BandwidthOctavesWarped => {
            "a bandwidth in octaves, corrected for the digital frequency axis"
        }
        QReading::BandwidthOfQ => "a Q where a bandwidth in octaves was meant",
        QReading::OfPoles => "the Q of the poles",
        QReading::OfZeros => "the Q of the zeros",
        QReading::ConstantMinus3Db => {
            "the Q of the -3\u{a0}dB bandwidth, wider by the square root of the gain"
        }
        QReading::Proportional => "a proportional Q, narrower by the square root of the gain",
        QReading::HalfConstantMinus3Db => "a Q wider by the fourth root of the gain",
        QReading::HalfProportional => "a Q narrower by the fourth root of the gain",
        QReading::ShelfSlope => "a shelf slope S",
        QReading::SlopeOfQ => "a Q where a shelf slope S was meant",
        QReading::ButterworthIsOne => "a Q of which 1 means 0.7071",
        QReading::ButterworthIsHalf => "a Q larger by the square root of 2",
        QReading::Damping => "a damping ratio",
        QReading::HalfBandwidth => "a Q twice as high as the cookbook's",
        QReading::DoubleBandwidth => "a Q half as high as the cookbook's",
    }
}

/// What is wrong with a list on its own, without a final period.
pub fn problem(problem: &Problem) -> Text {
    match problem {
        Problem::Unstable { stage, radius } => text! {
            "stage {} is not stable: a pole lies {} from the origin and must lie below 1",
            *stage, number(*radius, 6)
        },
        Problem::Disagrees {
            stage,
            difference_db,
            at_hz,
            like,
        } => {
            let mut said = text! {
                "stage {}: numbers and parameters differ by {} at {}",
                *stage, db(*difference_db, 2).signed(), quantity(*at_hz, 0, "Hz")
            };
            if let Some(like) = like {
                said += text!("; the numbers are as if {} ({})", fault(like), like.name());
            }
            said
        }
        Problem::TooLittleGain { by_db } => text! {
            "the cascade goes {} above full scale; lower the level in front by that much",
            db(*by_db, 2)
        },
    }
}

/// What is worth knowing about a sound list, without a final period.
pub fn note(note: &Note) -> Text {
    match note {
        Note::Scaled { stage, by_db } => text! {
            "the numbers of stage {} carry a level of {}",
            *stage, db(*by_db, 2).signed()
        },
        Note::Rounded {
            stage,
            by_db,
            at_hz,
        } => text! {
            "rounding to the number format moves stage {} by {} at {}",
            *stage, db(*by_db, 2).signed(), quantity(*at_hz, 0, "Hz")
        },
        Note::NodeAboveFullScale { stage, by_db } => text! {
            "behind stage {} a sine can reach {}; in fixed point keep that much headroom or put cuts first",
            *stage, db(*by_db, 1).signed()
        },
        Note::GainToSpare { by_db } => text! {
            "{} more are given away in front than the cascade needs",
            db(*by_db, 1)
        },
    }
}
