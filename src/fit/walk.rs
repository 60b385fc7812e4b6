//! One walk in search of the best set of stages: growth stage by stage, then exchanges.
//!
//! Every good local solver ends in the same poor minima; what counts is where stages are taken
//! away and put. Growth adds stage after stage, all refined together after each. An exchange
//! takes one to three stages away (at random places or neighbours), lets the others settle and
//! puts as many where they help most, of whatever type: so the least useful stage moves, two
//! that fight become one, one is split, an edge peak becomes a shelf and back. An exchange that
//! makes things a little worse may stand for a while (threshold accepting, Dueck and Scheuer
//! 1990, J. Comput. Phys. 90), the less the nearer the end of the budget.
//!
//! Work is counted, never timed, and choices come from a fixed sequence, so the same input
//! gives the same bytes.

use super::choices::Choices;
use super::joint::{Candidate, Effort, refine, remainder_db};
use super::limits::Limits;
use super::rows::Rows;
use super::seeds::{Others, PARTS, Templates};

// The numbers below that are not explained by their meaning were found by trial on the tuning
// curves of `examples/fit_multistart.rs`; its judging curves had no say.

/// Relative gain per step that ends a refinement within the search.
const TOLERANCE: f64 = 1e-3;
/// Steps at most of a refinement within the search.
const STEPS: u64 = 40;
/// Seeds tried for each stage added while growing.
const GROWTH_SEEDS: usize = 3;
/// Sets kept side by side while growing.
const BEAM: usize = 2;
/// Costs nearer than this, relative, are taken for one and the same minimum.
const SAME_COST: f64 = 1e-3;
/// An exchange has to gain so much, relative, to count as one.
const EXCHANGE_GAIN: f64 = 1e-4;
/// Stages taken away at once, at most.
const AT_ONCE: usize = 3;
/// Steps in which the others settle after a removal; more would only fill the gap.
const SETTLE_STEPS: u64 = 2;
/// Relative gain per step that ends the settling.
const SETTLE_TOLERANCE: f64 = 1e-2;
/// How often, of 100, the stages taken away are neighbours, and how often seeds are counted
/// with the others standing still.
const NEIGHBOURS_PERCENT: usize = 30;
/// How often it is the broadest instead, and how many more at once: broad stages make up for
/// each other over the whole axis, and one alone finds no better place.
const BROADEST_PERCENT: usize = 20;
const BROADEST_MORE: usize = 2;
const STAND_STILL_PERCENT: usize = 30;
/// How much worse, relative in cost, an exchange may make things at the start of the budget.
const FIRST_THRESHOLD: f64 = 2.0;
/// Exchanges without any use before the walk returns to the best.
const PATIENCE: u32 = 20;
/// Cost below which there is nothing left to fit, dB^2: a millionth of a dB.
pub(super) const NOTHING_LEFT: f64 = 1e-12;
/// Best sets of the full number of stages that are handed out to be refined on all rows.
const ELITE: usize = 3;

/// Leaves the best few of `sets`, best first, each minimum once.
pub(super) fn keep_best(sets: &mut Vec<Candidate>) {
    sets.sort_by(|a, b| a.cost.total_cmp(&b.cost));
    sets.dedup_by(|b, a| b.cost < a.cost * (1.0 + SAME_COST));
    sets.truncate(ELITE);
}

/// Work of one step with n stages is `n (n + 10) / 2`: what the normal equations cost, and what
/// each stage costs by itself. A hundred units are a step with ten stages.
fn step_work(stages: usize) -> u64 {
    let n = stages as u64;
    n * (n + 10) / 2
}

/// Work of scoring a part of the templates, for each stage that gives way.
const SCORING_WORK_PER_STAGE: u64 = 12;
/// Work that a search with ten stages or fewer may spend; with more it grows as their square.
const BUDGET: u64 = 250_000;
const BUDGET_STAGES: u64 = 10;
/// A fit that leaves no more than this share of what was wanted (rms) is likely a curve that can
/// be met exactly, caught in a minimum beside: so many budgets of ten stages are spent on it, if
/// that is more than its own.
const NEAR_MISS: f64 = 0.01;
const NEAR_MISS_BUDGETS: u64 = 4;

/// A walk on one curve and device.
pub(super) struct Walk<'a> {
    rows: &'a Rows,
    limits: &'a Limits,
    templates: &'a [Templates; PARTS],
    /// Best set found with so many stages, from none up.
    pub ladder: Vec<Candidate>,
    /// Best few sets of the last exchange, best first.
    pub elite: Vec<Candidate>,
    choices: Choices,
    spent: u64,
    budget: u64,
}

impl<'a> Walk<'a> {
    /// A walk that has not begun and draws from `choices`; `templates` are those of these rows and
    /// limits.
    pub fn new(
        rows: &'a Rows,
        limits: &'a Limits,
        templates: &'a [Templates; PARTS],
        choices: Choices,
    ) -> Walk<'a> {
        let empty = Candidate {
            slots: Vec::new(),
            settings: Vec::new(),
            cost: f64::INFINITY,
        };
        let idle = Effort {
            tolerance: 0.0,
            steps: 0,
            worth_below: 0.0,
        };
        let stages = limits.stages as u64;
        Walk {
            rows,
            limits,
            templates,
            ladder: vec![refine(rows, limits.rate_hz, empty, idle).0],
            elite: Vec::new(),
            choices,
            spent: 0,
            budget: BUDGET * stages.max(BUDGET_STAGES).pow(2) / BUDGET_STAGES.pow(2),
        }
    }

    /// Whether the budget is spent.
    pub fn is_spent(&self) -> bool {
        self.spent >= self.budget
    }

    fn refine(
        &mut self,
        start: Candidate,
        tolerance: f64,
        steps: u64,
        worth_below: f64,
    ) -> Candidate {
        let work = step_work(start.len());
        let (outcome, steps) = refine(
            self.rows,
            self.limits.rate_hz,
            start,
            Effort {
                tolerance,
                steps,
                worth_below,
            },
        );
        self.spent += (steps + 1) * work;
        self.note(&outcome);
        outcome
    }

    /// Keeps `candidate` when it is the best with so many stages.
    fn note(&mut self, candidate: &Candidate) {
        let (stages, known) = (candidate.len(), self.ladder.len());
        if stages == known {
            self.ladder.push(candidate.clone());
        } else if stages < known && candidate.cost < self.ladder[stages].cost {
            self.ladder[stages] = candidate.clone();
        }
    }

    /// `base` with one stage more, not yet refined together, for each of the seeds of `ranks`.
    fn extensions(
        &mut self,
        base: &Candidate,
        others: Others,
        ranks: std::ops::Range<usize>,
    ) -> Vec<Candidate> {
        let left_db = remainder_db(
            self.rows,
            self.limits.rate_hz,
            &base.kinds(),
            &base.settings,
        );
        self.spent += SCORING_WORK_PER_STAGE * (1 + base.len() as u64);
        let part = self.choices.below(PARTS);
        self.templates[part]
            .seeds(self.rows, self.limits, base, &left_db, others, ranks)
            .into_iter()
            .map(|seed| base.with(seed.slots[0], seed.stage(0)))
            .collect()
    }

    /// Adds one stage after the other, a few sets side by side.
    pub fn grow(&mut self) {
        let mut beam = vec![self.ladder[0].clone()];
        for _ in 0..self.limits.stages {
            let mut next: Vec<Candidate> = Vec::new();
            for base in &beam {
                for others in [Others::GiveWay, Others::StandStill] {
                    for more in self.extensions(base, others, 0..GROWTH_SEEDS) {
                        next.push(self.refine(more, TOLERANCE, STEPS, f64::INFINITY));
                    }
                }
            }
            next.sort_by(|a, b| a.cost.total_cmp(&b.cost));
            next.dedup_by(|b, a| b.cost < a.cost * (1.0 + SAME_COST));
            next.truncate(BEAM);
            if next.first().is_none_or(|best| best.cost < NOTHING_LEFT) {
                break;
            }
            beam = next;
        }
    }

    /// Exchanges stages of the best set of `stages` stages until `share` of the whole budget is
    /// spent on it.
    pub fn exchange(&mut self, stages: usize, share: f64) {
        let Some(mut best) = self.ladder.get(stages).cloned() else {
            return;
        };
        let plain = ((self.budget as f64 * share) as u64).max(1);
        let patient = ((NEAR_MISS_BUDGETS * BUDGET) as f64 * share) as u64;
        let near_miss = NEAR_MISS.powi(2) * self.ladder[0].cost;
        let allowance = |best: &Candidate| {
            if best.cost < near_miss {
                plain.max(patient)
            } else {
                plain
            }
        };
        let begun = self.spent;
        let mut here = best.clone();
        let mut useless = 0;
        self.elite = vec![best.clone()];
        while best.cost > NOTHING_LEFT && !best.slots.is_empty() {
            let left = 1.0 - (self.spent - begun) as f64 / allowance(&best) as f64;
            if left <= 0.0 {
                break;
            }
            let aim = best.cost * (1.0 + FIRST_THRESHOLD * left);
            let Some(there) = self.rebuilt(&here, aim) else {
                break;
            };
            if there.cost < best.cost * (1.0 - EXCHANGE_GAIN) {
                best = there.clone();
                here = there.clone();
                useless = 0;
            } else if there.cost < aim && (there.cost / here.cost - 1.0).abs() > EXCHANGE_GAIN {
                here = there.clone();
            } else {
                useless += 1;
                if useless > PATIENCE {
                    useless = 0;
                    here = best.clone();
                }
            }
            self.elite.push(there);
            keep_best(&mut self.elite);
        }
    }

    /// `from` with some stages exchanged and all refined, given up where it cannot get below
    /// `aim`. `None` when no stage can be put at all.
    fn rebuilt(&mut self, from: &Candidate, aim: f64) -> Option<Candidate> {
        let broadest = self.choices.in_percent(BROADEST_PERCENT);
        let more = if broadest { BROADEST_MORE } else { 0 };
        let count = (1 + more + self.choices.below(AT_ONCE)).min(from.len());
        let mut base = if broadest {
            without_broadest(from, count)
        } else {
            self.thinned_out(from, count)
        };
        for _ in 0..count {
            base = self.refine(base, SETTLE_TOLERANCE, SETTLE_STEPS, f64::INFINITY);
            let others = if self.choices.in_percent(STAND_STILL_PERCENT) {
                Others::StandStill
            } else {
                Others::GiveWay
            };
            base = self.extensions(&base, others, 0..1).pop()?;
        }
        Some(self.refine(base, TOLERANCE, STEPS, aim))
    }

    /// `from` without `count` of its stages: mostly any, sometimes neighbours along frequency.
    fn thinned_out(&mut self, from: &Candidate, count: usize) -> Candidate {
        let mut order: Vec<usize> = (0..from.len()).collect();
        order.sort_by(|a, b| from.settings[3 * a].total_cmp(&from.settings[3 * b]));
        let mut away: Vec<usize> = if self.choices.in_percent(NEIGHBOURS_PERCENT) {
            let first = self.choices.below(order.len() - count + 1);
            order[first..first + count].to_vec()
        } else {
            (0..count)
                .map(|_| order.swap_remove(self.choices.below(order.len())))
                .collect()
        };
        without_all(from, &mut away)
    }
}

/// `from` without the `count` stages of lowest Q.
fn without_broadest(from: &Candidate, count: usize) -> Candidate {
    let mut order: Vec<usize> = (0..from.len()).collect();
    order.sort_by(|a, b| from.stage(*a)[2].total_cmp(&from.stage(*b)[2]));
    without_all(from, &mut order[..count])
}

/// `from` without the stages `away`.
fn without_all(from: &Candidate, away: &mut [usize]) -> Candidate {
    away.sort_unstable();
    away.iter()
        .rev()
        .fold(from.clone(), |less, i| less.without(*i))
}
