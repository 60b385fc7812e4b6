//! Which places and widths of a device's grid serve best: a choice of a subset.
//!
//! In dB the shape of a cookbook stage hardly changes with its gain, so a stage at a given place
//! and width is nearly a vector times a gain, and the fit on a grid nearly the choice of a few
//! vectors out of some hundreds with free gains. That is searched in inner products alone,
//! without rows: stages are added by what they save when all others give way, swapped one by
//! one, and exchanged as in [`super::walk`].

use super::choices::Choices;
use super::gram::{
    factor_in_place, inner_products, inner_products_with, solve_lower_in_place,
    solve_upper_in_place,
};
use super::joint::Candidate;
use super::limits::Limits;
use super::rows::Rows;
use super::shape::response_db;
use crate::algebra::dot;
use crate::filter::Kind;

/// Gain at which the shapes are taken, dB: about what stages have.
const SHAPE_GAIN_DB: f64 = 4.0;
/// A grid of more places and widths than this is so fine that the continuous optimum fixed on
/// it loses nothing that a search could win back.
const MOST_PLACES: usize = 1500;
/// Exchanges tried; each ends in swaps until none gains.
const EXCHANGES: usize = 60;
/// Places taken away at once, at most.
const AT_ONCE: usize = 3;
/// The first place that comes in again is one of so many best.
const FIRST_OF: usize = 8;
/// How much worse, relative in cost, an exchange may make things at the start.
const FIRST_THRESHOLD: f64 = 0.5;
/// A swap has to gain so much, relative, to count.
const LEAST_GAIN: f64 = 1e-4;
/// Least share of a shape's square that must be its own; below, the others can do it.
const LEAST_OWN_SHARE: f64 = 1e-3;
/// Subsets handed out.
const ELITE: usize = 3;

/// A place and width on the grid.
#[derive(Clone, Copy)]
struct Place {
    kind: Kind,
    ln_f0: f64,
    ln_q: f64,
}

/// All places and widths with their inner products.
pub(super) struct Places<'a> {
    limits: &'a Limits,
    all: Vec<Place>,
    /// Inner products of the shapes with each other, `wide` to a row.
    products: Vec<f64>,
    wide: usize,
    /// Inner products of the shapes with what is wanted.
    along: Vec<f64>,
    /// Square of what is wanted.
    total: f64,
}

/// Least squares on a subset, with what it means for every place of the grid.
struct Solved {
    /// Mean square that is left, dB^2.
    cost: f64,
    /// Best gain of each chosen place, dB.
    gains_db: Vec<f64>,
    /// What a square dB of each chosen place costs that the others cannot make up for.
    stiffness: Vec<f64>,
    /// Row by row for each chosen place: its share in the best imitation of every place.
    shares: Vec<f64>,
    /// Inner product of each place with what is left, the chosen ones giving way.
    along: Vec<f64>,
    /// Square of each place that the chosen ones cannot imitate.
    square: Vec<f64>,
}

/// A choice of places, ascending, with what it leaves.
#[derive(Clone, PartialEq)]
struct Subset {
    chosen: Vec<usize>,
    cost: f64,
}

impl<'a> Places<'a> {
    /// The grid of `limits`; `None` where places or widths have no steps, or too many.
    pub fn new(rows: &Rows, limits: &'a Limits) -> Option<Places<'a>> {
        let mut all: Vec<Place> = Vec::new();
        for kind in limits.kinds() {
            let slot = limits.slot(kind, -1.0).or(limits.slot(kind, 1.0))?;
            let (places, widths) = (limits.steps(&slot, 0)?, limits.steps(&slot, 2)?);
            if all.len() + places.len() * widths.len() > MOST_PLACES {
                return None;
            }
            for ln_f0 in &places {
                all.extend(widths.iter().map(|ln_q| Place {
                    kind,
                    ln_f0: *ln_f0,
                    ln_q: *ln_q,
                }));
            }
        }
        let len = rows.len();
        let mut shapes: Vec<f64> = Vec::new();
        for place in &all {
            let settings = [place.ln_f0, SHAPE_GAIN_DB, place.ln_q];
            let mut shape = response_db(&[place.kind], &settings, limits.rate_hz, rows);
            for (value, root_weight) in shape.iter_mut().zip(&rows.root_weights) {
                *value *= root_weight / SHAPE_GAIN_DB;
            }
            rows.take_level_out(&mut shape);
            shapes.extend(shape);
        }
        let wide = all.len().next_multiple_of(3);
        shapes.resize(wide * len, 0.0);
        let mut wanted: Vec<f64> = rows
            .wanted_db
            .iter()
            .zip(&rows.root_weights)
            .map(|(w, s)| w * s)
            .collect();
        rows.take_level_out(&mut wanted);
        Some(Places {
            limits,
            all,
            products: inner_products(&shapes, len),
            wide,
            along: inner_products_with(&shapes, &wanted),
            total: dot(&wanted, &wanted),
        })
    }

    /// Good sets of up to `stages` places with their best gains, best first; the gains are not
    /// on the grid yet.
    pub fn search(&self, stages: usize) -> Vec<Candidate> {
        let mut choices = Choices::new();
        let mut best = self.swapped(self.filled(Vec::new(), stages));
        let mut here = best.clone();
        let mut elite = vec![best.clone()];
        for k in 0..EXCHANGES {
            let mut chosen = here.chosen.clone();
            for _ in 0..(1 + choices.below(AT_ONCE)).min(chosen.len()) {
                chosen.remove(choices.below(chosen.len()));
            }
            // One other than the best comes in first, lest all goes back to where it was.
            let Some(solved) = self.solved(&chosen) else {
                continue;
            };
            let first = self.additions(&chosen, &solved, FIRST_OF);
            if let Some(place) = first.get(choices.below(FIRST_OF)) {
                chosen.push(*place);
                chosen.sort_unstable();
            }
            let there = self.swapped(self.filled(chosen, stages));
            let left = 1.0 - k as f64 / EXCHANGES as f64;
            if there.cost < best.cost * (1.0 + FIRST_THRESHOLD * left) {
                here = there.clone();
            }
            if there.cost < best.cost {
                best = there.clone();
            }
            if !elite.contains(&there) {
                elite.push(there);
                elite.sort_by(|a, b| a.cost.total_cmp(&b.cost));
                elite.truncate(ELITE);
            }
        }
        elite
            .iter()
            .filter_map(|subset| self.candidate(subset))
            .collect()
    }

    fn product(&self, a: usize, b: usize) -> f64 {
        self.products[a * self.wide + b]
    }

    /// Least squares on the chosen places; `None` where they are not independent.
    fn solved(&self, chosen: &[usize]) -> Option<Solved> {
        let n = chosen.len();
        let mut factor: Vec<f64> = chosen
            .iter()
            .flat_map(|a| chosen.iter().map(|b| self.product(*a, *b)))
            .collect();
        if !factor_in_place(&mut factor, n) {
            return None;
        }
        let mut gains_db: Vec<f64> = chosen.iter().map(|a| self.along[*a]).collect();
        let mut inverse: Vec<f64> = (0..n * n)
            .map(|k| f64::from(u8::from(k / n == k % n)))
            .collect();
        let mut shares: Vec<f64> = chosen
            .iter()
            .flat_map(|a| &self.products[a * self.wide..(a + 1) * self.wide])
            .copied()
            .collect();
        if n > 0 {
            for right in [&mut gains_db, &mut inverse, &mut shares] {
                solve_lower_in_place(&factor, n, right);
                solve_upper_in_place(&factor, n, right);
            }
        }
        let mut solved = Solved {
            along: self.along.clone(),
            square: (0..self.all.len()).map(|a| self.product(a, a)).collect(),
            cost: self.total,
            stiffness: (0..n).map(|i| inverse[i * n + i].recip()).collect(),
            gains_db,
            shares,
        };
        for ((place, gain_db), shares) in chosen
            .iter()
            .zip(&solved.gains_db)
            .zip(solved.shares.chunks_exact(self.wide))
        {
            solved.cost -= gain_db * self.along[*place];
            let products = &self.products[place * self.wide..(place + 1) * self.wide];
            for (((a, s), share), product) in solved
                .along
                .iter_mut()
                .zip(&mut solved.square)
                .zip(shares)
                .zip(products)
            {
                *a -= gain_db * product;
                *s -= share * product;
            }
        }
        Some(solved)
    }

    /// Whether place `a` may be set to this gain beside `others`.
    fn may_join(&self, a: usize, gain_db: f64, others: &[usize]) -> bool {
        let place = &self.all[a];
        let Some(slot) = self.limits.slot(place.kind, gain_db) else {
            return false;
        };
        let room = self.limits.room(place.kind);
        (slot.low[1]..=slot.high[1]).contains(&gain_db)
            && place.ln_q <= slot.high[2] + f64::EPSILON
            && (others.len() < room
                || others
                    .iter()
                    .filter(|o| self.all[**o].kind == place.kind)
                    .count()
                    < room)
    }

    /// The places that save most, at most `count`, when they join `chosen` and all give way.
    fn additions(&self, chosen: &[usize], solved: &Solved, count: usize) -> Vec<usize> {
        let mut found: Vec<(usize, f64)> = (0..self.all.len())
            .filter(|a| {
                !chosen.contains(a) && solved.square[*a] > LEAST_OWN_SHARE * self.product(*a, *a)
            })
            .filter_map(|a| {
                let gain_db = solved.along[a] / solved.square[a];
                self.may_join(a, gain_db, chosen)
                    .then_some((a, gain_db * solved.along[a]))
            })
            .collect();
        // Stable: the order of the grid decides among equals.
        found.sort_by(|a, b| b.1.total_cmp(&a.1));
        found.into_iter().take(count).map(|(a, _)| a).collect()
    }

    /// `chosen` filled up to `stages` places.
    fn filled(&self, mut chosen: Vec<usize>, stages: usize) -> Vec<usize> {
        while chosen.len() < stages {
            let Some(solved) = self.solved(&chosen) else {
                break;
            };
            let Some(place) = self.additions(&chosen, &solved, 1).pop() else {
                break;
            };
            chosen.push(place);
            chosen.sort_unstable();
        }
        chosen
    }

    /// `chosen` improved by swaps of one place for another until none gains.
    fn swapped(&self, mut chosen: Vec<usize>) -> Subset {
        loop {
            let Some(solved) = self.solved(&chosen) else {
                return Subset {
                    chosen,
                    cost: f64::INFINITY,
                };
            };
            let Some((i, place)) = self.best_swap(&chosen, &solved) else {
                return Subset {
                    chosen,
                    cost: solved.cost,
                };
            };
            chosen[i] = place;
            chosen.sort_unstable();
        }
    }

    /// The swap of one chosen place for another that gains most.
    ///
    /// Without place i the others take over: what they leave of a shape grows by its share of
    /// i times what only i could do (block inversion of the normal matrix).
    fn best_swap(&self, chosen: &[usize], solved: &Solved) -> Option<(usize, usize)> {
        let mut best = (LEAST_GAIN * solved.cost, None);
        for (i, shares) in solved.shares.chunks_exact(self.wide).enumerate() {
            let (gain_db, stiffness) = (solved.gains_db[i], solved.stiffness[i]);
            let lost = gain_db * gain_db * stiffness;
            let others: Vec<usize> = chosen.iter().copied().filter(|a| *a != chosen[i]).collect();
            let left = solved.square.iter().zip(&solved.along).zip(shares);
            for (a, ((square, along), share)) in left.enumerate().take(self.all.len()) {
                let square = square + share * share * stiffness;
                let along = along + share * gain_db * stiffness;
                let gained = along * along / square - lost;
                if gained > best.0
                    && square > LEAST_OWN_SHARE * self.product(a, a)
                    && !chosen.contains(&a)
                    && self.may_join(a, along / square, &others)
                {
                    best = (gained, Some((i, a)));
                }
            }
        }
        best.1
    }

    fn candidate(&self, subset: &Subset) -> Option<Candidate> {
        let mut candidate = Candidate {
            slots: Vec::new(),
            settings: Vec::new(),
            cost: subset.cost,
        };
        for (a, gain_db) in subset
            .chosen
            .iter()
            .zip(self.solved(&subset.chosen)?.gains_db)
        {
            let place = &self.all[*a];
            let slot = self
                .limits
                .slot(place.kind, gain_db)
                .or(self.limits.slot(place.kind, -gain_db))?;
            candidate = candidate.with(slot, slot.clamp(&[place.ln_f0, gain_db, place.ln_q]));
        }
        Some(candidate)
    }
}
