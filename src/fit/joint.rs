//! Joint refinement of all stages: the fit as a least-squares problem for [`BoxedDescent`].

use super::descent::{BoxedDescent, Walk};
use super::limits::{Limits, Slot};
use super::rows::Rows;
use super::shape::{Settings, response_db, weighted_derivatives};
use crate::filter::Kind;
use argmin::core::{Error, Executor, Jacobian, Operator, State};

/// A set of stages with what it leaves.
#[derive(Debug, Clone)]
pub(super) struct Candidate {
    /// Boxes, one per stage.
    pub slots: Vec<Slot>,
    /// Settings, three per stage.
    pub settings: Vec<f64>,
    /// Weighted mean of the squared remainder, dB^2, after the level.
    pub cost: f64,
}

impl Candidate {
    /// Number of stages.
    pub fn len(&self) -> usize {
        self.slots.len()
    }

    /// Types of the stages.
    pub fn kinds(&self) -> Vec<Kind> {
        self.slots.iter().map(|s| s.kind).collect()
    }

    /// Settings of stage `i`.
    pub fn stage(&self, i: usize) -> Settings {
        let s = &self.settings[3 * i..3 * i + 3];
        [s[0], s[1], s[2]]
    }

    /// Puts other settings, with their box, in the place of stage `i`; the cost is that of before.
    pub fn put(&mut self, i: usize, slot: Slot, settings: Settings) {
        self.slots[i] = slot;
        self.settings[3 * i..3 * i + 3].copy_from_slice(&settings);
    }

    /// Puts settings in the place of stage `i`, with a box that holds them; the cost is that of
    /// before.
    pub fn fix(&mut self, i: usize, settings: Settings) {
        let slot = Slot {
            low: settings,
            high: settings,
            ..self.slots[i]
        };
        self.put(i, slot, settings);
    }

    /// Exchanges the places of two stages.
    pub fn swap(&mut self, i: usize, j: usize) {
        let (one, other) = (self.stage(i), self.stage(j));
        self.slots.swap(i, j);
        self.put(i, self.slots[i], other);
        self.put(j, self.slots[j], one);
    }

    /// The set without stage `i`; the cost is that of before.
    pub fn without(&self, i: usize) -> Candidate {
        let mut fewer = self.clone();
        fewer.slots.remove(i);
        fewer.settings.drain(3 * i..3 * i + 3);
        fewer
    }

    /// The set with one stage more; the cost is that of before.
    pub fn with(&self, slot: Slot, settings: Settings) -> Candidate {
        let mut more = self.clone();
        more.slots.push(slot);
        more.settings.extend(settings);
        more
    }
}

/// The least-squares problem of some stages on some rows.
struct Joint<'a> {
    rows: &'a Rows,
    rate_hz: f64,
    kinds: &'a [Kind],
}

/// What is wanted minus the response, level not yet taken out, one value per row.
pub(super) fn remainder_db(
    rows: &Rows,
    rate_hz: f64,
    kinds: &[Kind],
    settings: &[f64],
) -> Vec<f64> {
    let mut left_db = response_db(kinds, settings, rate_hz, rows);
    for (left, wanted) in left_db.iter_mut().zip(&rows.wanted_db) {
        *left = wanted - *left;
    }
    left_db
}

impl Operator for Joint<'_> {
    type Param = Vec<f64>;
    type Output = Vec<f64>;

    /// The remainder after the level, each row times its root weight.
    fn apply(&self, settings: &Vec<f64>) -> Result<Vec<f64>, Error> {
        let mut left_db = remainder_db(self.rows, self.rate_hz, self.kinds, settings);
        let level_db = self.rows.level_db(&left_db);
        self.rows.weighted_beside(level_db, &mut left_db);
        Ok(left_db)
    }
}

impl Jacobian for Joint<'_> {
    type Param = Vec<f64>;
    type Jacobian = Vec<f64>;

    /// Columns of the response's derivatives; behind them that of the level where there is one.
    fn jacobian(&self, settings: &Vec<f64>) -> Result<Vec<f64>, Error> {
        let len = self.rows.len();
        let level_columns = usize::from(self.rows.has_level());
        let mut columns = vec![0.0; (settings.len() + level_columns) * len];
        for ((kind, s), three) in self
            .kinds
            .iter()
            .zip(settings.chunks_exact(3))
            .zip(columns.chunks_exact_mut(3 * len))
        {
            weighted_derivatives(*kind, &[s[0], s[1], s[2]], self.rate_hz, self.rows, three);
        }
        if self.rows.has_level() {
            self.rows.level_column(&mut columns[settings.len() * len..]);
        }
        Ok(columns)
    }
}

/// When a refinement ends.
#[derive(Debug, Clone, Copy)]
pub(super) struct Effort {
    /// Relative gain of a step below which it counts as small.
    pub tolerance: f64,
    /// Steps tried at most.
    pub steps: u64,
    /// Cost that has to be beaten for the outcome to be of use; infinite to always go on.
    pub worth_below: f64,
}

/// Refines all settings of `start` together. Returns the outcome, never worse than the start,
/// and the number of steps that were tried.
pub(super) fn refine(
    rows: &Rows,
    rate_hz: f64,
    start: Candidate,
    effort: Effort,
) -> (Candidate, u64) {
    let kinds = start.kinds();
    let problem = Joint {
        rows,
        rate_hz,
        kinds: &kinds,
    };
    if start.slots.is_empty() {
        let cost = problem
            .apply(&Vec::new())
            .map_or(f64::INFINITY, |r| r.iter().map(|v| v * v).sum());
        return (Candidate { cost, ..start }, 0);
    }
    let low = start.slots.iter().flat_map(|s| s.low).collect();
    let high = start.slots.iter().flat_map(|s| s.high).collect();
    let solver = BoxedDescent::new(low, high, effort.tolerance, effort.worth_below);
    let settings = start.settings.clone();
    let outcome = Executor::new(problem, solver)
        .configure(|state: Walk| {
            state
                .param(settings)
                .max_iters(effort.steps)
                .target_cost(0.0)
        })
        .ctrlc(false)
        .timer(false)
        .run();
    // An error or a state without a best point means a cost that is not a number; such a
    // candidate is as bad as can be.
    let best = outcome.ok().and_then(|o| {
        let steps = o.state.get_iter();
        let cost = o.state.get_best_cost();
        o.state.get_best_param().map(|p| (p.clone(), cost, steps))
    });
    match best {
        Some((settings, cost, steps)) => (
            Candidate {
                settings,
                cost,
                ..start
            },
            steps,
        ),
        None => (
            Candidate {
                cost: f64::INFINITY,
                ..start
            },
            1,
        ),
    }
}
/// `candidate` refined on all rows as far as numbers go.
pub(super) fn best_effort(rows: &Rows, limits: &Limits, candidate: Candidate) -> Candidate {
    let effort = Effort {
        tolerance: 1e-9,
        steps: 200,
        worth_below: f64::INFINITY,
    };
    refine(rows, limits.rate_hz, candidate, effort).0
}
