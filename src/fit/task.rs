//! What is fitted and what the caller may choose.

use crate::filter::Kind;

/// The curve that is wanted, row by row. The three slices are of one length.
#[derive(Debug, Clone, Copy)]
pub struct Wanted<'a> {
    /// Frequencies in Hz, strictly ascending, above 0 and below half the device's rate.
    pub freqs_hz: &'a [f64],
    /// Wanted gain in dB, finite.
    pub gain_db: &'a [f64],
    /// Relative weight of each row in the mean square, finite, not negative, one at least above 0.
    pub weights: &'a [f64],
}

/// What the caller may choose.
#[derive(Debug, Clone, PartialEq)]
pub struct Options {
    /// `None`: the fewest stages that come within 2 % of the best. `Some(n)`: up to n stages
    /// (and no more than the device has), the best objective.
    pub stages: Option<usize>,
    /// What a common offset of the whole curve costs: so many dB^2 for the square of a dB. 0: it is
    /// free; infinite: there is none. With a small cost the smaller of two offsets is taken where
    /// they do the same (a low shelf up or a high shelf down); what is left counts the cost in.
    pub level_cost: f64,
    /// Types not to be used.
    pub forbid: Vec<Kind>,
    /// Highest Q of a stage that boosts, any type.
    pub boost_q_at_most: Option<f64>,
    /// Highest gain in dB of a stage, any type.
    pub boost_at_most_db: Option<f64>,
    /// Highest Q of a stage that cuts, any type.
    pub cut_q_at_most: Option<f64>,
    /// How far a stage may cut, dB, as a positive number, any type.
    pub cut_at_most_db: Option<f64>,
    /// What stages need not polish, when their number is free.
    pub slack: Option<Slack>,
    /// A stage of less gain is left out, dB.
    pub least_gain_db: f64,
    /// A boost and a cut of more than 1 dB within half an octave stay together only where leaving them
    /// out costs more than this share of what all stages gain; `None`: they may.
    pub opposed_share: Option<f64>,
    /// Share of the usual search for better stages that is made, 0 to 1. Less saves time and costs
    /// hundredths of a dB; below a tenth one walk takes the place of two.
    pub effort: f64,
    /// Rows per octave that the search looks at; what it finds is refined on all rows.
    pub rows_per_oct: f64,
}

/// A stage of less gain than this does nothing that could be heard or measured, dB; it only costs a stage and
/// rounding noise. Judgement: a twentieth of the usual dB.
const LEAST_GAIN_DB: f64 = 0.05;

/// Rows per octave of the usual search: enough for the narrowest stage of use in a loudspeaker (a
/// tenth of an octave), and half of the usual grid.
pub const ROWS_PER_OCT: f64 = 12.0;

/// When fewer stages are as good because what they leave drowns in what no stage may mend.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Slack {
    /// Mean square of what no stage may mend, dB^2: it adds to what a set leaves.
    pub unmendable_db2: f64,
    /// The rms that a set may leave at most to profit from it, dB.
    pub faithful_db: f64,
}

impl Default for Options {
    fn default() -> Self {
        Options {
            stages: None,
            level_cost: 0.0,
            forbid: Vec::new(),
            boost_q_at_most: None,
            boost_at_most_db: None,
            cut_q_at_most: None,
            cut_at_most_db: None,
            slack: None,
            least_gain_db: LEAST_GAIN_DB,
            opposed_share: None,
            effort: 1.0,
            rows_per_oct: ROWS_PER_OCT,
        }
    }
}
