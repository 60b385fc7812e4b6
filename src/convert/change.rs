//! What is not as it was after a conversion.

use crate::filter::Stage;
use crate::fit::Unheld;

/// What can be done about a stage that does not fit.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Remedy {
    /// The other shelf and a level.
    AnotherType,
    /// A lower numerator and a level.
    Scale,
    /// Two stages.
    Split,
}

impl Remedy {
    /// All of them, in the order in which they are tried: the first two are exact.
    pub const ALL: [Remedy; 3] = [Remedy::AnotherType, Remedy::Scale, Remedy::Split];

    /// Short name, as typed.
    pub fn name(self) -> &'static str {
        match self {
            Remedy::AnotherType => "another-type",
            Remedy::Scale => "scale",
            Remedy::Split => "split",
        }
    }
}

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
