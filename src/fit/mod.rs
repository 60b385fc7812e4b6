//! The fit: few cookbook biquads that match a wanted EQ curve in dB, evaluated exactly at the
//! device's rate, under the device's limits.
//!
//! Same input, same bytes out: nothing is drawn by chance, timed, or left to threads.

mod choices;
mod descent;
mod gram;
mod holding;
mod joint;
mod knobs;
mod limits;
mod opposed;
mod rows;
mod search;
mod seeds;
mod shape;
mod subset;
mod task;
mod unit;
mod walk;
mod words;

use crate::Result;
use crate::device::{Device, Number, Setting};
use crate::filter::Stage;
use joint::{Candidate, Effort, best_effort, remainder_db};
use limits::Limits;
use rows::Rows;
use search::Search;
use std::fmt;

pub use holding::Unheld;
pub use task::{Options, ROWS_PER_OCT, Slack, Wanted};
pub use words::{WORDS_TOLERANCE_DB, Words, held, words, words_at_level};

/// The fewest stages are kept that come this near to the best objective of the ladder.
/// The 2 % are DESIGN section 4.
const PARSIMONY: f64 = 1.02;
/// A fit that leaves less than this is as good as one that leaves nothing, dB: half of the
/// thousandth of a dB to which results are printed.
const AS_GOOD_AS_ZERO_DB: f64 = 0.0005;
/// A number of stages whose fit is no more than this many times worse than what is good enough
/// is looked at with exchanges of its own before it is given up. Judgement: exchanges gained a
/// third at most on the tuning curves.
const WITHIN_REACH: f64 = 1.3;
/// Share of the budget for such a look.
const DESCENT_SHARE: f64 = 0.15;
/// Share of the budget that finds out what all stages reach, when their number is free; the rest
/// goes to the number that is kept. Judgement: exchanges gain most at the beginning.
const SURVEY_SHARE: f64 = 0.3;

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
    /// The stages in the order in which they are to be run: f0 ascending, on fixed-point devices
    /// first those that cut. So no signal inside is larger than at both ends, see
    /// [`crate::filter::Bank::internal_peak_db`].
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
    /// Stages that the device's coefficients could not hold as they were wanted, and what
    /// became of them.
    pub unheld: Vec<Unheld>,
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
    let rows = Rows::new(wanted, device.rate_hz, options.level_cost)?;
    let limits = Limits::new(device, options)?;
    let enough = Enough {
        fewest: options.stages.is_none(),
        slack: options.slack,
    };
    let mut continuous = Continuous::search(&rows, &limits, enough, options.rows_per_oct);
    if let Some(share) = options.opposed_share {
        continuous.without_opposed(&rows, &limits, share);
    }
    let best = continuous.chosen(&rows, &limits);
    let continuous_rms_db = best.cost.sqrt();
    let mut rounded_rms_db = None;
    let mut unheld = Vec::new();
    let chosen = if limits.has_steps() {
        rounded_rms_db = Some(knobs::rounded(&rows, &limits, &best).cost.sqrt());
        continuous.on_grid(&rows, &limits)
    } else if matches!(device.number, Number::Fixed { .. } | Number::F32) {
        let chosen;
        (chosen, unheld) = holding::held_on(&rows, &limits, device.number, best);
        chosen
    } else {
        best
    };
    let rms_db = chosen.cost.sqrt();
    let stop = if rms_db <= AS_GOOD_AS_ZERO_DB {
        StopReason::Matched {
            rms_db,
            threshold_db: AS_GOOD_AS_ZERO_DB,
        }
    } else if continuous.settled {
        StopReason::Settled
    } else {
        StopReason::BudgetSpent
    };
    let left_db = remainder_db(&rows, limits.rate_hz, &chosen.kinds(), &chosen.settings);
    Ok(Fit {
        stages: stages_of(&chosen, device),
        level_db: rows.level_db(&left_db),
        rms_db,
        ladder: rungs(&continuous.ladder, limits.stages),
        continuous_rms_db,
        rounded_rms_db,
        unheld,
        stop,
    })
}

/// When a number of stages is enough.
#[derive(Clone, Copy)]
struct Enough {
    /// Whether fewer stages than allowed may do.
    fewest: bool,
    slack: Option<Slack>,
}

impl Enough {
    /// Whether `cost` is as good as `best`, both dB^2: within 2 % of its rms, or of the squared
    /// distance together with what no stage may mend.
    fn is_met(self, cost: f64, best: f64) -> bool {
        let polished = cost <= (PARSIMONY.powi(2) * best).max(AS_GOOD_AS_ZERO_DB.powi(2));
        let drowned = self.slack.is_some_and(|s| {
            cost + s.unmendable_db2 <= PARSIMONY * (best + s.unmendable_db2)
                && cost < s.faithful_db.powi(2)
        });
        polished || drowned
    }

    /// The fewest stages of `ladder` that are enough.
    fn stages(self, ladder: &[Candidate]) -> usize {
        let most = ladder.len() - 1;
        let met = |rung: &Candidate| self.is_met(rung.cost, ladder[most].cost);
        if self.fewest {
            ladder.iter().position(met).unwrap_or(most)
        } else {
            most
        }
    }
}

/// The outcome of the search without steps.
struct Continuous {
    /// Best set with so many stages, from none up, on all rows.
    ladder: Vec<Candidate>,
    /// Further good sets of the largest number of stages, best first.
    elite: Vec<Candidate>,
    /// How many stages are kept.
    kept: usize,
    enough: Enough,
    /// Whether the search ended before its budget.
    settled: bool,
    /// The rows that were searched.
    searched: Rows,
}

impl Continuous {
    fn search(rows: &Rows, limits: &Limits, enough: Enough, rows_per_oct: f64) -> Continuous {
        let searched = rows.thinned(rows_per_oct);
        let templates = search::templates(&searched, limits);
        let mut search = Search::new(&searched, limits, &templates);
        search.grow();
        let most = search.ladder().len() - 1;
        let mut kept = most;
        if enough.fewest {
            search.exchange(most, limits.effort * SURVEY_SHARE);
            kept = enough.stages(&search.ladder());
            search.exchange(kept, limits.effort * (1.0 - SURVEY_SHARE));
        } else {
            search.exchange(most, limits.effort);
        }
        let settled = !search.is_spent();
        let mut elite = polished_elite(rows, limits, &search);
        let effort = Effort {
            tolerance: 1e-3,
            steps: 10,
            worth_below: f64::INFINITY,
        };
        let mut ladder: Vec<Candidate> = search
            .ladder()
            .into_iter()
            .map(|rung| joint::refine(rows, limits.rate_hz, rung, effort).0)
            .collect();
        ladder[kept] = better_of(&ladder[kept], elite.first());
        while enough.fewest && kept > 0 {
            let (fewer, best) = (kept - 1, ladder[most].cost);
            let within_reach = enough.is_met(ladder[fewer].cost / WITHIN_REACH.powi(2), best);
            if within_reach && !enough.is_met(ladder[fewer].cost, best) {
                search.exchange(fewer, DESCENT_SHARE);
                let found = polished_elite(rows, limits, &search);
                ladder[fewer] = better_of(&ladder[fewer], found.first());
                if enough.is_met(ladder[fewer].cost, best) {
                    elite = found;
                }
            }
            if !enough.is_met(ladder[fewer].cost, best) {
                break;
            }
            kept = fewer;
        }
        Continuous {
            ladder,
            elite,
            kept,
            enough,
            settled,
            searched,
        }
    }

    /// Leaves out pairs of stages that work against each other (see [`Options::opposed_share`]).
    fn without_opposed(&mut self, rows: &Rows, limits: &Limits, share: f64) {
        let none_cost = self.ladder[0].cost;
        let sets = self.ladder[self.kept..].iter_mut().chain(&mut self.elite);
        for set in sets {
            *set = opposed::without_opposed(rows, limits, set.clone(), none_cost, share);
        }
    }

    /// The set that is kept, refined, without stages that do nothing.
    fn chosen(&self, rows: &Rows, limits: &Limits) -> Candidate {
        let mut candidate = best_effort(rows, limits, self.ladder[self.kept].clone());
        while let Some(i) = idle_stage(&candidate, limits.least_gain_db) {
            candidate = best_effort(rows, limits, candidate.without(i));
        }
        candidate
    }

    /// The best set on the device's grid with as many stages as are kept, or more where the grid
    /// makes them pay.
    fn on_grid(&self, rows: &Rows, limits: &Limits) -> Candidate {
        let sets: Vec<Candidate> = (self.kept..self.ladder.len())
            .filter_map(|k| {
                let mut from = vec![best_effort(rows, limits, self.ladder[k].clone())];
                from.extend(
                    self.elite
                        .iter()
                        .filter(|one| one.len() == k)
                        .skip(1)
                        .cloned(),
                );
                knobs::on_grid(rows, &self.searched, limits, &from)
            })
            .collect();
        let best = sets.iter().map(|s| s.cost).fold(f64::INFINITY, f64::min);
        let kept = sets.into_iter().find(|s| self.enough.is_met(s.cost, best));
        let mut candidate = kept.unwrap_or_else(|| self.ladder[0].clone());
        // A gain of 0 dB is one that a knob can take; the stage is left out.
        while let Some(i) = idle_stage(&candidate, limits.least_gain_db) {
            let cost = candidate.cost;
            candidate = Candidate {
                cost,
                ..candidate.without(i)
            };
        }
        candidate.cost = knobs::cost(rows, limits, &candidate);
        candidate
    }
}

/// The first stage that does nothing.
fn idle_stage(candidate: &Candidate, least_gain_db: f64) -> Option<usize> {
    (0..candidate.len()).find(|i| candidate.stage(*i)[1].abs() < least_gain_db)
}

fn better_of(known: &Candidate, other: Option<&Candidate>) -> Candidate {
    match other {
        Some(other) if other.cost < known.cost => other.clone(),
        _ => known.clone(),
    }
}

/// The search's elite refined on all rows, best first.
fn polished_elite(rows: &Rows, limits: &Limits, search: &Search) -> Vec<Candidate> {
    let mut elite: Vec<Candidate> = search
        .elite()
        .into_iter()
        .map(|one| best_effort(rows, limits, one))
        .collect();
    elite.sort_by(|a, b| a.cost.total_cmp(&b.cost));
    elite
}

/// What is reported of the ladder: never rising, one rung for each number of stages allowed.
fn rungs(ladder: &[Candidate], stages: usize) -> Vec<Rung> {
    let mut best_db = f64::INFINITY;
    (0..=stages)
        .map(|stages| {
            best_db = ladder
                .get(stages)
                .map_or(best_db, |rung| best_db.min(rung.cost.sqrt()));
            Rung {
                stages,
                rms_db: best_db,
            }
        })
        .collect()
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
    let rows = Rows::new(wanted, device.rate_hz, options.level_cost)?;
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
        stages: in_order(continuous_stages_of(&chosen), device),
        level_db: rows.level_db(&left_db),
        rms_db,
        ladder: vec![Rung {
            stages: chosen.len(),
            rms_db,
        }],
        continuous_rms_db: rms_db,
        rounded_rms_db: None,
        unheld: Vec::new(),
        stop: StopReason::Settled,
    })
}

/// The stages of a candidate, in no order.
fn continuous_stages_of(candidate: &Candidate) -> Vec<Stage> {
    (0..candidate.len())
        .map(|i| shape::stage_of(candidate.slots[i].kind, &candidate.stage(i)))
        .collect()
}

/// `stages` in the order in which the device is to run them.
///
/// With fixed point the cuts come first: boosts after them only raise, so the signal behind each
/// is nowhere larger than at the end, and behind the cuts nowhere larger than in front (but for
/// the overshoot of shelves above Q 0.71, which the price counts). Poles and zeros stay in the
/// pairs of their stages: they lie next to each other, which is the pairing that peaks least.
pub fn in_order(mut stages: Vec<Stage>, device: &Device) -> Vec<Stage> {
    let boosts_last = matches!(device.number, Number::Fixed { .. });
    stages.sort_by(|a, b| {
        let later = |s: &Stage| boosts_last && s.gain_db > 0.0;
        later(a).cmp(&later(b)).then(a.f0_hz.total_cmp(&b.f0_hz))
    });
    stages
}

/// The stages of a candidate as the device has them; settings with steps are its own numbers to
/// the last bit, which a logarithm and back would not give.
fn stages_of(candidate: &Candidate, device: &Device) -> Vec<Stage> {
    let exact = |setting: &Setting, value: f64| {
        if setting.is_continuous() {
            value
        } else {
            setting.nearest(value)
        }
    };
    let stages = continuous_stages_of(candidate)
        .into_iter()
        .map(|stage| match device.limits_of(stage.kind) {
            None => stage,
            Some(limits) => Stage {
                kind: stage.kind,
                f0_hz: exact(&limits.f0_hz, stage.f0_hz),
                gain_db: exact(&limits.gain_db, stage.gain_db),
                q: exact(&limits.q, stage.q),
            },
        })
        .collect();
    in_order(stages, device)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn fewer_stages_do_within_two_per_cent_of_the_best() {
        let polished = Enough {
            fewest: true,
            slack: None,
        };
        // Costs are squares of an rms: 1.019 and 1.021 times an rms of 0.5 dB.
        assert!(polished.is_met((1.019f64 * 0.5).powi(2), 0.25));
        assert!(!polished.is_met((1.021f64 * 0.5).powi(2), 0.25));
        // What is left drowns in 1 dB^2 that no stage may mend: 2 % of 1.01 dB^2 is 0.0202 dB^2.
        let drowned = |faithful_db: f64| Enough {
            fewest: true,
            slack: Some(Slack {
                unmendable_db2: 1.0,
                faithful_db,
            }),
        };
        assert!(drowned(0.2).is_met(0.030, 0.01));
        assert!(!drowned(0.2).is_met(0.031, 0.01));
        // But never where more is left than may be: 0.03 dB^2 is 0.17 dB rms.
        assert!(!drowned(0.17).is_met(0.030, 0.01));
    }
}
