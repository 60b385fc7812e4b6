//! Devices with steps: the search on their grid.
//!
//! Rounding each setting of the continuous optimum on its own spoils what the stages had
//! arranged among themselves. Here the settings are fixed one stage after the other while the
//! rest is refined to make up for it, and then all of them are improved together by moves of
//! one stage or of two at once, whichever pair gains most. Responses in dB add up, so every
//! pair is judged exactly from inner products.

use super::gram::{inner_products, inner_products_with};
use super::joint::{Candidate, Effort, refine, remainder_db};
use super::limits::{Limits, Slot};
use super::rows::Rows;
use super::shape::{Settings, response_db};
use super::subset::Places;
use crate::algebra::dot;
use std::collections::HashMap;

/// Steps up and down that a move may take, by setting: places and widths stand far apart on
/// such devices, gains near.
const REACH: [usize; 3] = [1, 2, 1];
/// Moves at most; a descent from a dive takes about ten.
const MOVES: usize = 100;
/// A move has to gain so much, relative, to count.
const LEAST_GAIN: f64 = 1e-6;
/// Effort of the refinement that makes up for a stage just fixed.
const MAKE_UP: Effort = Effort {
    tolerance: 1e-2,
    steps: 5,
    worth_below: f64::INFINITY,
};
/// Effort of the refinement of settings without steps between descents.
const REST: Effort = Effort {
    tolerance: 1e-4,
    steps: 30,
    worth_below: f64::INFINITY,
};
/// Rounds of descent and refinement where some settings have steps and others none.
const ROUNDS: usize = 3;

/// `candidate` with each setting rounded on its own to the nearest that can be had.
pub(super) fn rounded(rows: &Rows, limits: &Limits, candidate: &Candidate) -> Candidate {
    let mut nearest = candidate.clone();
    for i in 0..candidate.len() {
        let mut settings = candidate.stage(i);
        let kind = candidate.slots[i].kind;
        if let Some(gains) = limits.gain_steps(kind) {
            settings[1] = nearest_of(&gains, settings[1], |v| v).unwrap_or(settings[1]);
        }
        let slot = limits.slot(kind, settings[1]).unwrap_or(candidate.slots[i]);
        for k in [0, 2] {
            // Nearest on the knob's own scale, not on the logarithmic one.
            if let Some(steps) = limits.steps(&slot, k) {
                settings[k] = nearest_of(&steps, settings[k], libm::exp).unwrap_or(settings[k]);
            }
        }
        nearest.put(i, slot, settings);
    }
    nearest.cost = cost(rows, limits, &nearest);
    nearest
}

/// The best set on the grid that is found from `candidates`, best first, and never worse than
/// the first of them rounded. `searched` are fewer rows for the search.
pub(super) fn on_grid(
    rows: &Rows,
    searched: &Rows,
    limits: &Limits,
    candidates: &[Candidate],
) -> Option<Candidate> {
    let first = rounded(rows, limits, candidates.first()?);
    let mut descent = Descent::new(searched, limits);
    let mut found = vec![descent.run(first.clone())];
    for candidate in candidates {
        found.push(descent.run(dive(searched, limits, candidate.clone())));
    }
    if let Some(places) = Places::new(searched, limits) {
        for candidate in places.search(first.len()) {
            found.push(descent.run(with_gains_fixed(searched, limits, candidate)));
        }
    }
    let mut descent = Descent::new(rows, limits);
    let mut best = descent.run(first);
    found.sort_by(|a, b| a.cost.total_cmp(&b.cost));
    for one in found.into_iter().take(2) {
        let one = descent.run(one);
        if one.cost < best.cost {
            best = one;
        }
    }
    Some(best)
}

/// The value of `steps` whose `scale` is nearest to that of `wanted`; `None` of none.
fn nearest_of(steps: &[f64], wanted: f64, scale: fn(f64) -> f64) -> Option<f64> {
    let distance = |v: &f64| (scale(*v) - scale(wanted)).abs();
    steps
        .iter()
        .copied()
        .min_by(|a, b| distance(a).total_cmp(&distance(b)))
}

/// The neighbours of `wanted` in `steps`, below and above.
fn around(steps: &[f64], wanted: f64) -> Vec<f64> {
    let above = steps.partition_point(|v| *v < wanted);
    steps[above.saturating_sub(1)..(above + 1).min(steps.len())].to_vec()
}

/// Cost of `candidate`, dB^2.
pub(super) fn cost(rows: &Rows, limits: &Limits, candidate: &Candidate) -> f64 {
    let left = weighted_left(rows, limits, candidate);
    dot(&left, &left)
}

/// What `candidate` leaves, level taken out, times the root weights.
fn weighted_left(rows: &Rows, limits: &Limits, candidate: &Candidate) -> Vec<f64> {
    let left_db = remainder_db(
        rows,
        limits.rate_hz,
        &candidate.kinds(),
        &candidate.settings,
    );
    weighted(rows, left_db)
}

fn weighted(rows: &Rows, mut values_db: Vec<f64>) -> Vec<f64> {
    values_db
        .iter_mut()
        .zip(&rows.root_weights)
        .for_each(|(v, s)| *v *= s);
    rows.take_level_out(&mut values_db);
    values_db
}

/// Fixes the stages of `candidate` on the grid one after the other, the largest gain first:
/// place and width, then in a second round the gains; what is not yet fixed makes up for it.
fn dive(rows: &Rows, limits: &Limits, candidate: Candidate) -> Candidate {
    fixed_one_by_one(rows, limits, candidate, &[&[0, 2], &[1]])
}

/// `candidate` with the settings of each group in turn fixed stage by stage.
fn fixed_one_by_one(
    rows: &Rows,
    limits: &Limits,
    mut candidate: Candidate,
    groups: &[&[usize]],
) -> Candidate {
    let mut order: Vec<usize> = (0..candidate.len()).collect();
    order.sort_by(|a, b| {
        candidate.stage(*b)[1]
            .abs()
            .total_cmp(&candidate.stage(*a)[1].abs())
    });
    for settings in groups {
        for i in &order {
            let fixed = alternatives(limits, &candidate, *i, settings)
                .into_iter()
                .map(|(slot, at)| {
                    let mut one = candidate.clone();
                    one.put(*i, slot, at);
                    refine(rows, limits.rate_hz, one, MAKE_UP).0
                })
                .min_by(|a, b| a.cost.total_cmp(&b.cost));
            candidate = fixed.unwrap_or(candidate);
        }
    }
    candidate
}

/// `candidate`, whose places and widths are on the grid, with its gains refined and then fixed
/// on the grid one after the other.
fn with_gains_fixed(rows: &Rows, limits: &Limits, mut candidate: Candidate) -> Candidate {
    for i in 0..candidate.len() {
        let (mut slot, at) = (candidate.slots[i], candidate.stage(i));
        for k in [0, 2] {
            slot.low[k] = at[k];
            slot.high[k] = at[k];
        }
        candidate.put(i, slot, at);
    }
    fixed_one_by_one(
        rows,
        limits,
        refine(rows, limits.rate_hz, candidate, MAKE_UP).0,
        &[&[1]],
    )
}

/// The nearest values on the grid of the given settings of stage `i`, all combinations, each
/// with a box that holds them fixed.
fn alternatives(
    limits: &Limits,
    candidate: &Candidate,
    i: usize,
    which: &[usize],
) -> Vec<(Slot, Settings)> {
    let mut found = vec![(candidate.slots[i], candidate.stage(i))];
    for k in which {
        let steps = match k {
            1 => limits.gain_steps(candidate.slots[i].kind),
            _ => limits.steps(&candidate.slots[i], *k),
        };
        let Some(steps) = steps else { continue };
        let values = around(&steps, candidate.stage(i)[*k]);
        found = found
            .into_iter()
            .flat_map(|(slot, at)| {
                values.iter().map(move |value| {
                    let (mut slot, mut at) = (slot, at);
                    at[*k] = *value;
                    slot.low[*k] = *value;
                    slot.high[*k] = *value;
                    (slot, at)
                })
            })
            .collect();
    }
    found
}

/// A stage somewhere on the grid, as a key: type and the bits of its settings.
type Place = (crate::filter::Kind, [u64; 3]);

/// Descent by moves of one stage or of two.
struct Descent<'a> {
    rows: &'a Rows,
    limits: &'a Limits,
    /// Responses met before, weighted, level taken out.
    known: HashMap<Place, Vec<f64>>,
}

/// One stage moved: where, and what that adds to what is left.
struct Move {
    stage: usize,
    slot: Slot,
    settings: Settings,
}

impl<'a> Descent<'a> {
    fn new(rows: &'a Rows, limits: &'a Limits) -> Descent<'a> {
        Descent {
            rows,
            limits,
            known: HashMap::new(),
        }
    }

    /// Improves `candidate`, whose stepped settings are on the grid, until no move gains.
    fn run(&mut self, mut candidate: Candidate) -> Candidate {
        candidate.cost = cost(self.rows, self.limits, &candidate);
        for _ in 0..ROUNDS {
            let before = candidate.cost;
            for _ in 0..MOVES {
                let next = self.moved(&candidate);
                if next.cost >= candidate.cost * (1.0 - LEAST_GAIN) {
                    break;
                }
                candidate = next;
            }
            let free = self.with_steps_fixed(&candidate);
            if free.slots.iter().all(|s| s.low == s.high) {
                break;
            }
            let free = refine(self.rows, self.limits.rate_hz, free, REST).0;
            candidate = Candidate {
                slots: candidate.slots,
                ..free
            };
            if candidate.cost >= before * (1.0 - LEAST_GAIN) {
                break;
            }
        }
        candidate
    }

    /// `candidate` with boxes that hold every stepped setting where it is.
    fn with_steps_fixed(&self, candidate: &Candidate) -> Candidate {
        let mut fixed = candidate.clone();
        for i in 0..candidate.len() {
            let at = candidate.stage(i);
            let mut slot = self
                .limits
                .slot(candidate.slots[i].kind, at[1])
                .unwrap_or(candidate.slots[i]);
            for (k, value) in at.iter().enumerate() {
                if self.limits.steps(&slot, k).is_some() {
                    slot.low[k] = *value;
                    slot.high[k] = *value;
                }
            }
            fixed.slots[i] = slot;
        }
        fixed
    }

    /// `candidate` after the best move of one or two stages; itself when none gains.
    fn moved(&mut self, candidate: &Candidate) -> Candidate {
        let left = weighted_left(self.rows, self.limits, candidate);
        let moves: Vec<Move> = (0..candidate.len())
            .flat_map(|i| self.moves(candidate, i))
            .collect();
        let len = self.rows.len();
        let mut deltas: Vec<f64> = Vec::with_capacity((moves.len() + 3) * len);
        for one in &moves {
            let kind = one.slot.kind;
            let old = self.response(kind, &candidate.stage(one.stage)).to_vec();
            let new = self.response(kind, &one.settings);
            deltas.extend(old.iter().zip(new).map(|(old, new)| old - new));
        }
        let wide = moves.len().next_multiple_of(3);
        deltas.resize(wide * len, 0.0);
        let along = inner_products_with(&deltas, &left);
        let products = inner_products(&deltas, len);
        let mut best = (0.0, None);
        for a in 0..moves.len() {
            let alone = 2.0 * along[a] + products[a * wide + a];
            if alone < best.0 {
                best = (alone, Some((a, a)));
            }
            for b in 0..a {
                let both =
                    alone + 2.0 * along[b] + products[b * wide + b] + 2.0 * products[a * wide + b];
                if both < best.0 && moves[a].stage != moves[b].stage {
                    best = (both, Some((a, b)));
                }
            }
        }
        let mut next = candidate.clone();
        if let (_, Some((a, b))) = best {
            for one in [&moves[a], &moves[b]] {
                next.put(one.stage, one.slot, one.settings);
            }
            next.cost = cost(self.rows, self.limits, &next);
        }
        next
    }

    /// Where stage `i` can go within the reach.
    fn moves(&self, candidate: &Candidate, i: usize) -> Vec<Move> {
        let (kind, at) = (candidate.slots[i].kind, candidate.stage(i));
        let near = |steps: Option<Vec<f64>>, k: usize| match steps {
            None => vec![at[k]],
            Some(steps) => {
                let here = steps.iter().position(|v| (v - at[k]).abs() < 1e-9);
                let here = here.unwrap_or_else(|| steps.partition_point(|v| *v < at[k]));
                let end = (here + REACH[k] + 1).min(steps.len());
                steps[here.saturating_sub(REACH[k]).min(end)..end].to_vec()
            }
        };
        let mut moves = Vec::new();
        for gain_db in near(self.limits.gain_steps(kind), 1) {
            let Some(slot) = self.limits.slot(kind, gain_db) else {
                continue;
            };
            for ln_f0 in near(self.limits.steps(&slot, 0), 0) {
                for ln_q in near(self.limits.steps(&slot, 2), 2) {
                    let settings = [ln_f0, gain_db, ln_q];
                    if settings != at
                        && (0..3).all(|k| {
                            slot.clamp(&settings)[k] == settings[k]
                                || self.limits.steps(&slot, k).is_some()
                        })
                    {
                        moves.push(Move {
                            stage: i,
                            slot,
                            settings,
                        });
                    }
                }
            }
        }
        moves
    }

    /// Response of a stage, weighted, level taken out.
    fn response(&mut self, kind: crate::filter::Kind, settings: &Settings) -> &[f64] {
        let (rows, rate_hz) = (self.rows, self.limits.rate_hz);
        self.known
            .entry((kind, settings.map(f64::to_bits)))
            .or_insert_with(|| weighted(rows, response_db(&[kind], settings, rate_hz, rows)))
    }
}
