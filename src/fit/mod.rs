//! The fit: few cookbook biquads that match a wanted EQ curve in dB, evaluated exactly at the
//! device's rate, under the device's limits.
//!
//! Same input, same bytes out: nothing is drawn by chance, timed, or left to threads.

mod descent;
mod gram;
mod joint;
mod limits;
mod rows;
mod search;
mod seeds;
mod shape;

use crate::Result;
use crate::device::Device;
use crate::filter::{Kind, Stage};
use joint::{Candidate, Effort, remainder_db};
use limits::Limits;
use rows::Rows;
use search::{NOTHING_LEFT, Search};
use std::fmt;

/// The fewest stages are kept that come this near to the best objective of the ladder.
/// The 2 % are DESIGN section 4.
const PARSIMONY: f64 = 1.02;
/// A fit that leaves less than this is as good as one that leaves nothing, dB: half of the
/// thousandth of a dB to which results are printed.
const AS_GOOD_AS_ZERO_DB: f64 = 0.0005;
/// A stage of less gain than this does nothing that could be heard or measured, dB; it only
/// costs a stage and rounding noise. Judgement: a twentieth of the usual dB.
const LEAST_USEFUL_GAIN_DB: f64 = 0.05;

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
    /// Whether a common offset of the whole curve is free.
    pub level_is_free: bool,
    /// Types not to be used.
    pub forbid: Vec<Kind>,
    /// Highest Q of a stage that boosts, any type.
    pub boost_q_at_most: Option<f64>,
    /// Highest gain in dB of a stage, any type.
    pub boost_at_most_db: Option<f64>,
}

impl Default for Options {
    fn default() -> Self {
        Options {
            stages: None,
            level_is_free: true,
            forbid: Vec::new(),
            boost_q_at_most: None,
            boost_at_most_db: None,
        }
    }
}

/// What a number of stages can reach.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Rung {
    /// Number of stages.
    pub stages: usize,
    /// Best weighted rms remainder found with up to so many stages, dB.
    pub rms_db: f64,
}

/// Why the search ended.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum StopReason {
    /// The curve is met: what is left is below the threshold.
    Matched {
        /// Weighted rms remainder, dB.
        rms_db: f64,
        /// The threshold, dB.
        threshold_db: f64,
    },
    /// No exchange of stages gained anything more.
    Settled,
    /// The fixed budget was spent while exchanges still might have gained.
    BudgetSpent,
}

impl fmt::Display for StopReason {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            StopReason::Matched {
                rms_db,
                threshold_db,
            } => {
                write!(
                    f,
                    "matched: {rms_db:.6} dB are left, less than {threshold_db} dB"
                )
            }
            StopReason::Settled => {
                f.write_str("settled: no exchange of stages gained anything more")
            }
            StopReason::BudgetSpent => f.write_str("ended with the budget of exchanges spent"),
        }
    }
}

/// The outcome of a fit.
#[derive(Debug, Clone, PartialEq)]
pub struct Fit {
    /// The stages, f0 ascending.
    pub stages: Vec<Stage>,
    /// Common offset: wanted is met by this level plus the sum of the stages, dB.
    pub level_db: f64,
    /// Weighted rms of what is left after level and stages, dB.
    pub rms_db: f64,
    /// Best rms for 0, 1, 2, ... stages up to as many as were allowed, never rising.
    pub ladder: Vec<Rung>,
    /// What the same device without steps would reach, dB.
    pub continuous_rms_db: f64,
    /// What rounding each setting of the continuous optimum on its own would leave, dB; `None`
    /// for a device without steps.
    pub rounded_rms_db: Option<f64>,
    /// Why the search ended.
    pub stop: StopReason,
}

/// Fits `wanted` with the stages of `device`.
///
/// Minimises the weighted rms of `wanted - level - sum of the stages' gains`. Types without a
/// gain are never chosen. Time grows linearly with the rows and at most with the square of the
/// stages.
///
/// # Errors
/// When the curve breaks its promises (see [`Wanted`]) or the device has nothing to fit with.
pub fn fit(wanted: &Wanted, device: &Device, options: &Options) -> Result<Fit> {
    let rows = Rows::new(wanted, device.rate_hz, options.level_is_free)?;
    let limits = Limits::new(device, options)?;
    let coarse = rows.thinned(search::ROWS_PER_OCT);
    let mut search = Search::new(&coarse, &limits);
    search.grow();
    let top = search.ladder.len() - 1;
    search.exchange(top, 1.0);
    let settled = !search.is_spent();
    let best = search.ladder.len() - 1;
    let mut polished: Vec<Candidate> = Vec::new();
    for (k, rung) in search.ladder.clone().into_iter().enumerate() {
        let effort = Effort { tolerance: if k == best { 1e-9 } else { 1e-3 }, steps: if k == best { 100 } else { 10 }, worth_below: f64::INFINITY };
        polished.push(joint::refine(&rows, limits.rate_hz, rung, effort).0);
    }
    let best_rms_db = polished[best].cost.sqrt();
    let kept = match options.stages {
        Some(_) => best,
        None => (0..=best)
            .find(|k| polished[*k].cost.sqrt() <= (PARSIMONY * best_rms_db).max(AS_GOOD_AS_ZERO_DB))
            .unwrap_or(best),
    };
    let chosen = polished[kept].clone();
    let stop = if chosen.cost < NOTHING_LEFT {
        StopReason::Matched {
            rms_db: chosen.cost.sqrt(),
            threshold_db: NOTHING_LEFT.sqrt(),
        }
    } else if settled {
        StopReason::Settled
    } else {
        StopReason::BudgetSpent
    };
    let chosen = without_idle_stages(&rows, &limits, chosen);
    let left_db = remainder_db(&rows, limits.rate_hz, &chosen.kinds(), &chosen.settings);
    let mut ladder: Vec<Rung> = polished
        .iter()
        .enumerate()
        .map(|(stages, c)| Rung {
            stages,
            rms_db: c.cost.sqrt(),
        })
        .collect();
    for k in 1..=limits.stages {
        let before_db = ladder[k - 1].rms_db;
        match ladder.get_mut(k) {
            Some(rung) => rung.rms_db = rung.rms_db.min(before_db),
            None => ladder.push(Rung {
                stages: k,
                rms_db: before_db,
            }),
        }
    }
    Ok(Fit {
        stages: stages_of(&chosen),
        level_db: rows.level_db(&left_db),
        rms_db: chosen.cost.sqrt(),
        ladder,
        continuous_rms_db: chosen.cost.sqrt(),
        rounded_rms_db: None,
        stop,
    })
}

/// Refines `start` together, without any search: the nearest minimum from there.
///
/// Stages of types that the device lacks or that are forbidden are left out, settings outside
/// the limits are moved onto them, and no more stages are used than are allowed. Steps of the
/// device are not kept. The ladder holds this one rung.
///
/// # Errors
/// As [`fit`].
pub fn refine(wanted: &Wanted, device: &Device, options: &Options, start: &[Stage]) -> Result<Fit> {
    let rows = Rows::new(wanted, device.rate_hz, options.level_is_free)?;
    let limits = Limits::new(device, options)?;
    let mut candidate = Candidate {
        slots: Vec::new(),
        settings: Vec::new(),
        cost: f64::INFINITY,
    };
    for stage in start {
        if candidate.len() < limits.stages
            && limits.has_room(stage.kind, &candidate.slots)
            && let Some((slot, settings)) = limits.place(stage)
        {
            candidate = candidate.with(slot, settings);
        }
    }
    let effort = Effort {
        tolerance: 1e-6,
        steps: 300,
        worth_below: f64::INFINITY,
    };
    let chosen = joint::refine(&rows, limits.rate_hz, candidate, effort).0;
    let left_db = remainder_db(&rows, limits.rate_hz, &chosen.kinds(), &chosen.settings);
    let rms_db = chosen.cost.sqrt();
    Ok(Fit {
        stages: stages_of(&chosen),
        level_db: rows.level_db(&left_db),
        rms_db,
        ladder: vec![Rung {
            stages: chosen.len(),
            rms_db,
        }],
        continuous_rms_db: rms_db,
        rounded_rms_db: None,
        stop: StopReason::Settled,
    })
}

/// The stages of a candidate, f0 ascending.
fn stages_of(candidate: &Candidate) -> Vec<Stage> {
    let mut stages: Vec<Stage> = (0..candidate.len())
        .map(|i| shape::stage_of(candidate.slots[i].kind, &candidate.stage(i)))
        .collect();
    stages.sort_by(|a, b| a.f0_hz.total_cmp(&b.f0_hz));
    stages
}

/// `candidate` without stages that do nothing, the others refined to make up for them.
fn without_idle_stages(rows: &Rows, limits: &Limits, mut candidate: Candidate) -> Candidate {
    while let Some(i) =
        (0..candidate.len()).find(|i| candidate.stage(*i)[1].abs() < LEAST_USEFUL_GAIN_DB)
    {
        let effort = Effort {
            tolerance: 1e-9,
            steps: 300,
            worth_below: f64::INFINITY,
        };
        candidate = joint::refine(rows, limits.rate_hz, candidate.without(i), effort).0;
    }
    candidate
}
