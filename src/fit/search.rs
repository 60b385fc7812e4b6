//! The search for the best set of stages: growth stage by stage, then exchanges.
//!
//! Every good local solver ends in the same poor minima; what counts is where stages are taken
//! away and put. All of it is counted, nothing is drawn or timed, so the same input gives the
//! same bytes.

use super::joint::{Candidate, Effort, refine, remainder_db};
use super::limits::Limits;
use super::rows::Rows;
use super::seeds::Templates;

/// Relative gain per step that ends a refinement within the search.
const SEARCH_TOLERANCE: f64 = 1e-3;
/// The same for the refinement of what is handed out.
const FINAL_TOLERANCE: f64 = 1e-9;
/// Steps at most within the search, and for what is handed out.
const SEARCH_STEPS: u64 = 40;
const FINAL_STEPS: u64 = 300;
/// Seeds tried for each stage added.
const SEEDS: usize = 3;
/// Sets kept side by side while growing.
const BEAM: usize = 2;
/// An exchange has to gain so much, relative, to count.
const EXCHANGE_GAIN: f64 = 1e-4;
/// Cost below which there is nothing left to fit, dB^2: a millionth of a dB.
pub(super) const NOTHING_LEFT: f64 = 1e-12;
/// Work that may be spent, in steps of ten stages; one step costs the square of the number of
/// stages. About 40 microseconds each for 240 rows.
const BUDGET_STEPS: u64 = 800;
const BUDGET_STAGES: u64 = 10;

/// The search on one curve and device.
pub(super) struct Search<'a> {
    rows: &'a Rows,
    limits: &'a Limits,
    templates: Templates,
    /// Best set found for each number of stages.
    pub ladder: Vec<Candidate>,
    spent: u64,
    budget: u64,
}

impl<'a> Search<'a> {
    pub fn new(rows: &'a Rows, limits: &'a Limits) -> Search<'a> {
        let stages = limits.stages as u64;
        let empty = Candidate {
            slots: Vec::new(),
            settings: Vec::new(),
            cost: f64::INFINITY,
        };
        let (empty, _) = refine(
            rows,
            limits.rate_hz,
            empty,
            Effort {
                tolerance: 0.0,
                steps: 0,
                worth_below: 0.0,
            },
        );
        Search {
            rows,
            limits,
            templates: Templates::new(rows, limits),
            ladder: vec![empty],
            spent: 0,
            budget: BUDGET_STEPS * stages.max(BUDGET_STAGES).pow(2),
        }
    }

    fn refine(&mut self, start: Candidate, effort: Effort) -> Candidate {
        let stages = start.len() as u64;
        let (outcome, steps) = refine(self.rows, self.limits.rate_hz, start, effort);
        self.spent += (steps + 1) * stages * stages;
        outcome
    }

    /// Whether the budget is spent.
    pub fn is_spent(&self) -> bool {
        self.spent >= self.budget
    }

    /// Keeps `candidate` when it is the best with so many stages.
    fn note(&mut self, candidate: &Candidate) {
        while self.ladder.len() <= candidate.len() {
            let last = self.ladder[self.ladder.len() - 1].clone();
            self.ladder.push(last);
        }
        if candidate.cost < self.ladder[candidate.len()].cost {
            self.ladder[candidate.len()] = candidate.clone();
        }
    }

    /// `base` with one stage more, refined, for each of the best seeds.
    fn extensions(&mut self, base: &Candidate, seeds: usize, worth_below: f64) -> Vec<Candidate> {
        let left_db = remainder_db(
            self.rows,
            self.limits.rate_hz,
            &base.kinds(),
            &base.settings,
        );
        let found = self
            .templates
            .seeds(self.rows, self.limits, base, &left_db, seeds);
        self.spent += 2 * found.len() as u64 * 12;
        found
            .into_iter()
            .map(|seed| {
                let more = base.with(seed.slots[0], seed.stage(0));
                self.refine(
                    more,
                    Effort {
                        tolerance: SEARCH_TOLERANCE,
                        steps: SEARCH_STEPS,
                        worth_below,
                    },
                )
            })
            .collect()
    }

    /// Adds one stage after the other, a few sets side by side.
    pub fn grow(&mut self) {
        let mut beam = vec![self.ladder[0].clone()];
        for _ in 0..self.limits.stages {
            let mut next: Vec<Candidate> = Vec::new();
            for base in &beam {
                next.extend(self.extensions(base, SEEDS, f64::INFINITY));
            }
            next.sort_by(|a, b| a.cost.total_cmp(&b.cost));
            next.dedup_by(|b, a| b.cost < a.cost * (1.0 + 1e-3));
            next.truncate(BEAM);
            let Some(best) = next.first() else { break };
            self.note(&best.clone());
            if best.cost < NOTHING_LEFT {
                break;
            }
            beam = next;
        }
    }

    /// Takes the least useful stage away and puts one where it helps most, as long as that
    /// gains. Returns whether every exchange was tried before the budget was spent.
    pub fn exchange(&mut self) -> bool {
        let Some(mut best) = self.ladder.last().cloned() else {
            return true;
        };
        'again: while best.cost > NOTHING_LEFT {
            let mut fewer: Vec<Candidate> = (0..best.len())
                .map(|i| {
                    let less = best.without(i);
                    self.refine(
                        less,
                        Effort {
                            tolerance: 1e-2,
                            steps: 2,
                            worth_below: f64::INFINITY,
                        },
                    )
                })
                .collect();
            fewer.sort_by(|a, b| a.cost.total_cmp(&b.cost));
            for base in fewer {
                if self.is_spent() {
                    return false;
                }
                let base = self.refine(
                    base,
                    Effort {
                        tolerance: 1e-2,
                        steps: 8,
                        worth_below: f64::INFINITY,
                    },
                );
                self.note(&base);
                let aim = best.cost * (1.0 - EXCHANGE_GAIN);
                for more in self.extensions(&base, SEEDS, aim) {
                    if more.cost < aim {
                        best = more;
                        self.note(&best.clone());
                        continue 'again;
                    }
                }
            }
            return true;
        }
        true
    }

    /// Refines `candidate` as far as numbers go.
    pub fn finish(&mut self, candidate: Candidate) -> Candidate {
        self.refine(
            candidate,
            Effort {
                tolerance: FINAL_TOLERANCE,
                steps: FINAL_STEPS,
                worth_below: f64::INFINITY,
            },
        )
    }
}
