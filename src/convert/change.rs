//! What is not as it was after a conversion, in words.

use super::Remedy;
use crate::filter::Stage;
use crate::fit::Unheld;
use std::fmt;

/// One change. Stages are counted from 1 in the old list.
#[derive(Debug, Clone, PartialEq)]
pub enum Change {
    /// A stage was moved to where the device's numbers hold it.
    Moved {
        /// Which.
        stage: usize,
        /// As it was.
        from: Stage,
        /// As it is.
        to: Stage,
    },
    /// A stage whose numbers do not fit the format was made to fit.
    Remedied {
        /// Which.
        stage: usize,
        /// As it was.
        wanted: Stage,
        /// Its largest coefficient.
        largest: f64,
        /// The largest number of the format.
        limit: f64,
        /// What was done.
        how: Remedied,
        /// What would do as well.
        also: Vec<Remedy>,
    },
    /// A stage fitted anew that the device's numbers do not hold.
    Unheld(Unheld),
    /// The stages run in another order, so that nothing overflows between them.
    Reordered,
    /// The level in front is lower, so that nothing goes above full scale.
    Lowered {
        /// By how much, dB.
        by_db: f64,
    },
}

/// How a stage was made to fit.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Remedied {
    /// The other shelf stands in its place, which is the same but for a level.
    AnotherType {
        /// What stands there.
        stage: Stage,
        /// The level that was moved from it to the front, dB.
        level_db: f64,
    },
    /// Its numerator carries a level of `-by_db`, made up for in front.
    Scaled {
        /// How much, dB.
        by_db: f64,
    },
    /// Two stages of half the gain stand in its place.
    Split {
        /// The two.
        stages: [Stage; 2],
        /// The largest error of both against the one, dB.
        error_db: f64,
    },
}

impl Remedied {
    /// Which remedy it is.
    pub fn remedy(&self) -> Remedy {
        match self {
            Remedied::AnotherType { .. } => Remedy::AnotherType,
            Remedied::Scaled { .. } => Remedy::Scale,
            Remedied::Split { .. } => Remedy::Split,
        }
    }
}

/// A stage as in a sentence.
pub(super) fn spoken(stage: &Stage) -> String {
    let gain = if stage.kind.has_gain() {
        format!(", {:+.2} dB", stage.gain_db)
    } else {
        String::new()
    };
    format!(
        "{} at {:.2} Hz{gain}, Q {:.3}",
        stage.kind, stage.f0_hz, stage.q
    )
}

impl fmt::Display for Change {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Change::Moved { stage, from, to } => write!(
                f,
                "stage {stage} ({}) moved to {:.2} Hz, {:+.3} dB, where the device's numbers hold it",
                spoken(from),
                to.f0_hz,
                to.gain_db
            ),
            Change::Remedied {
                stage,
                wanted,
                largest,
                limit,
                how,
                also,
            } => {
                write!(
                    f,
                    "stage {stage} ({}) does not fit the numbers, which end at {limit:.3}, while its \
                     largest is {largest:.3}: ",
                    spoken(wanted)
                )?;
                match how {
                    Remedied::AnotherType { stage, level_db } => write!(
                        f,
                        "a {} stands in its place, which with {level_db:+.2} dB in front is the same",
                        spoken(stage)
                    )?,
                    Remedied::Scaled { by_db } => write!(
                        f,
                        "its b numbers are {by_db:.1} dB lower and the level in front as much higher"
                    )?,
                    Remedied::Split { stages, error_db } => write!(
                        f,
                        "split into {} and {}, together within {error_db:.3} dB of it",
                        spoken(&stages[0]),
                        spoken(&stages[1])
                    )?,
                }
                if !also.is_empty() {
                    let names: Vec<&str> = also.iter().map(|r| r.name()).collect();
                    write!(f, " (--remedy {} would do too)", names.join(" or "))?;
                }
                Ok(())
            }
            Change::Unheld(unheld) => write!(f, "{unheld}"),
            Change::Reordered => f.write_str(
                "the stages run in another order, so that nothing overflows between them",
            ),
            Change::Lowered { by_db } => write!(
                f,
                "the whole is {by_db:.1} dB lower than the list, or it would go above full scale"
            ),
        }
    }
}
