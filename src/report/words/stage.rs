//! Stages, what a device makes of them, and what a conversion changed.

use crate::convert::change::Remedied;
use crate::convert::{Change, Obstacle};
use crate::filter::Stage;
use crate::fit::Unheld;
use crate::report::span::{Quantity, Text, db, exact, number, quantity, text};

/// `no stages`, `one stage`, `7 stages`.
pub fn stages(count: usize) -> Text {
    match count {
        0 => "no stages".into(),
        1 => "one stage".into(),
        n => text!("{} stages", n),
    }
}

/// Its gain with `digits` behind the point; a dash where its type has none.
pub fn gain(stage: &Stage, digits: usize) -> Option<Quantity> {
    let gain = number(stage.gain_db, digits).signed();
    stage.kind.has_gain().then_some(gain)
}

/// f0, gain and Q, `q_digits` behind the point of the last.
fn settings(stage: &Stage, q_digits: usize) -> Text {
    let mut said = text!("{}", quantity(stage.f0_hz, 2, "Hz"));
    if stage.kind.has_gain() {
        said += text!(", {}", db(stage.gain_db, 2).signed());
    }
    said += text!(", Q {}", number(stage.q, q_digits));
    said
}

/// Type and settings.
fn stage(stage: &Stage) -> Text {
    text!("{} at {}", stage.kind.name(), settings(stage, 3))
}

/// What became of a stage that the device's numbers do not hold.
pub fn unheld(unheld: &Unheld) -> Text {
    let wanted = &unheld.wanted;
    let mut said = text!("{} at {}: ", wanted.kind.name(), settings(wanted, 2));
    said += match unheld.error_db.is_finite() {
        true => text! {
            "off by {} in the device's numbers, ",
            db(unheld.error_db, 2)
        },
        false => "not available in the device's numbers, ".into(),
    };
    said += match &unheld.instead {
        None => "so left out".into(),
        Some(other) if other.kind != wanted.kind => text! {
            "so a {} at {}, which does the same but for the level",
            other.kind.name(), settings(other, 2)
        },
        Some(other) => text! {
            "so {} instead (off by {})",
            settings(other, 2), db(unheld.instead_error_db.unwrap_or(f64::NAN), 2)
        },
    };
    said
}

/// What is not as it was after a conversion, without a final period.
pub fn change(change: &Change) -> Text {
    match change {
        Change::Moved { stage, from, to } => text! {
            "stage {} ({}) moved to {}, {}, where the device's numbers hold it",
            *stage, self::stage(from), quantity(to.f0_hz, 2, "Hz"), db(to.gain_db, 3).signed()
        },
        Change::Remedied {
            stage,
            wanted,
            largest,
            limit,
            how,
            also,
        } => {
            let mut said = text! {
                "stage {} ({}) does not fit the numbers, which end at {}, while its largest is {}: {}",
                *stage, self::stage(wanted), number(*limit, 3), number(*largest, 3), remedied(how)
            };
            if !also.is_empty() {
                let names = Text::joined(also.iter().map(|remedy| remedy.name()), " or ");
                said += text!(" (--remedy {} would do too)", names);
            }
            said
        }
        Change::Unheld(stage) => unheld(stage),
        Change::Reordered => {
            "the stages run in another order, so that nothing overflows between them".into()
        }
        Change::Lowered { by_db } => text! {
            "the whole is {} lower than the list, or it would go above full scale",
            db(*by_db, 1)
        },
    }
}

fn remedied(how: &Remedied) -> Text {
    match how {
        Remedied::AnotherType { stage, level_db } => text! {
            "a {} stands in its place, which with {} in front is the same",
            self::stage(stage), db(*level_db, 2).signed()
        },
        Remedied::Scaled { by_db } => text! {
            "its b numbers are {} lower and the level in front as much higher",
            db(*by_db, 1)
        },
        Remedied::Split { stages, error_db } => text! {
            "split into {} and {}, together within {} of it",
            stage(&stages[0]), stage(&stages[1]), db(*error_db, 3)
        },
    }
}

/// Why a device cannot run the stages of a list as they stand, without a final period.
pub fn obstacle(obstacle: &Obstacle) -> Text {
    match obstacle {
        Obstacle::TooManyStages { wanted, has } => {
            text!("the list has {} stages and the device {}", *wanted, *has)
        }
        Obstacle::NoSuchType { stage, kind } => text! {
            "stage {} is a {}, which the device does not have",
            *stage, kind.name()
        },
        Obstacle::TooManyOfType { kind, wanted, has } => text! {
            "the list has {} stages of type {} and the device {}",
            *wanted, kind.name(), *has
        },
        Obstacle::OutsideRange {
            stage,
            setting,
            value,
            from,
            to,
        } => text! {
            "stage {} has a {} of {} and the device goes from {} to {}",
            *stage, *setting, rounded(*value), rounded(*from), rounded(*to)
        },
        Obstacle::BetweenSteps {
            stage,
            setting,
            value,
            nearest,
        } => text! {
            "stage {} has a {} of {} and the nearest step is {}",
            *stage, *setting, rounded(*value), rounded(*nearest)
        },
        Obstacle::TooCoarse { stage, error_db } => text! {
            "the device's numbers are too coarse for stage {}, which would {}",
            *stage,
            match error_db.is_finite() {
                true => text!("be off by {}", db(*error_db, 2)),
                false => "not be stable".into(),
            }
        },
        Obstacle::DoesNotFit {
            stage,
            largest,
            limit,
        } => text! {
            "the device's numbers end at {}, and stage {} has one of {}",
            number(*limit, 3), *stage, number(*largest, 3)
        },
    }
}

/// A setting to the thousandth, which is enough for a reader.
pub fn rounded(value: f64) -> Quantity {
    exact((value * 1000.0).round() / 1000.0, "")
}
