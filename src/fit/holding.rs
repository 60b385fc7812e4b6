//! Devices that hold coefficients in few digits: stages moved to where the number grid holds
//! them, one by one, while the others are refined to make up for it.

use super::joint::{Candidate, Effort, refine};
use super::limits::{Limits, Slot};
use super::rows::Rows;
use super::shape::{settings_of, stage_of};
use super::words::{Words, held_within, words};
use crate::device::Number;
use crate::filter::Stage;

/// Effort of the refinement that makes up for a stage just moved.
const MAKE_UP: Effort = Effort {
    tolerance: 1e-6,
    steps: 50,
    worth_below: f64::INFINITY,
};
/// Where nothing near is held, f0 is raised in so many steps an octave, up to so many steps: the
/// grid's places stand closer as f0 rises.
const RAISED_PER_OCT: i32 = 6;
const RAISED_STEPS: i32 = 18;
/// At each of them these shares of Q are tried: broader poles need fewer digits.
const SHARES_OF_Q: [f64; 3] = [1.0, 0.5, 0.25];

/// What became of a stage that the device's numbers do not hold as it was wanted.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Unheld {
    /// The stage as it was wanted.
    pub wanted: Stage,
    /// Largest error of its response with the best coefficients on the grid, dB; infinite when
    /// none are stable or within the range.
    pub error_db: f64,
    /// What stands in its place, near it where possible; `None` when the others do without.
    pub instead: Option<Stage>,
    /// Largest error of the response of what stands in its place, dB.
    pub instead_error_db: Option<f64>,
}

/// `candidate` with each stage where `number` holds it, and what had to be moved. Lowest f0
/// first: there the grid is coarsest, and the rest can still make up for it.
pub(super) fn held_on(
    rows: &Rows,
    limits: &Limits,
    number: Number,
    mut candidate: Candidate,
) -> (Candidate, Vec<Unheld>) {
    let mut unheld = Vec::new();
    let mut fixed = 0;
    while fixed < candidate.len() {
        // Those before are fixed already, and keep their place in the set.
        let lowest = (fixed..candidate.len())
            .min_by(|a, b| candidate.stage(*a)[0].total_cmp(&candidate.stage(*b)[0]));
        let Some(i) = lowest else { break };
        candidate.swap(fixed, i);
        let wanted = stage_of(candidate.slots[fixed].kind, &candidate.stage(fixed));
        let own = words(&wanted, limits.rate_hz, number);
        if own.is_some_and(|w| w.hold()) {
            candidate.fix(fixed, settings_of(&wanted));
            fixed += 1;
            continue;
        }
        let without = refine(rows, limits.rate_hz, candidate.without(fixed), MAKE_UP).0;
        let with = |(stage, slot, words): (Stage, Slot, Words)| {
            let mut moved = candidate.clone();
            moved.put(fixed, slot, settings_of(&stage));
            moved.fix(fixed, settings_of(&stage));
            let moved = refine(rows, limits.rate_hz, moved, MAKE_UP).0;
            (moved.cost < without.cost).then_some((moved, stage, words))
        };
        let shelf = own
            .is_none()
            .then(|| other_shelf(rows, limits, number, &candidate, &wanted));
        let near = || {
            let (stage, words) = near_or_above(&wanted, limits, number)?;
            with((stage, candidate.slots[fixed], words))
        };
        let kept = shelf.flatten().and_then(with).or_else(near);
        unheld.push(Unheld {
            wanted,
            error_db: own.map_or(f64::INFINITY, |w| w.largest_error_db),
            instead: kept.as_ref().map(|(_, stage, _)| *stage),
            instead_error_db: kept.as_ref().map(|(.., words)| words.largest_error_db),
        });
        candidate = match kept {
            Some((moved, ..)) => {
                fixed += 1;
                moved
            }
            None => without,
        };
    }
    (candidate, unheld)
}

/// The other shelf in place of one whose numbers are beyond the format, where it does the same:
/// the level takes the rest, and the device has room for one more of its type.
fn other_shelf(
    rows: &Rows,
    limits: &Limits,
    number: Number,
    candidate: &Candidate,
    wanted: &Stage,
) -> Option<(Stage, Slot, Words)> {
    let other = wanted.other_shelf().filter(|_| rows.has_level())?;
    let (slot, settings) = limits.place(&other)?;
    let room = limits.has_room(other.kind, &candidate.slots);
    if !room || settings != settings_of(&other) {
        return None;
    }
    let words = words(&other, limits.rate_hz, number)?;
    words.hold().then_some((other, slot, words))
}

/// The stage nearest to `wanted` that `number` holds: a step of f0 beside it, or else the first
/// above it. `None` where there is none within the limits.
fn near_or_above(wanted: &Stage, limits: &Limits, number: Number) -> Option<(Stage, Words)> {
    let inside = |stage: &Stage| {
        limits
            .place(stage)
            .is_some_and(|(_, settings)| settings == settings_of(stage))
    };
    let attempt = |stage: &Stage| {
        held_within(stage, limits.rate_hz, number, inside).filter(|(_, words)| words.hold())
    };
    if let Some(found) = attempt(wanted) {
        return Some(found);
    }
    (1..=RAISED_STEPS)
        .map(|k| libm::exp2(f64::from(k) / f64::from(RAISED_PER_OCT)))
        .flat_map(|ratio| SHARES_OF_Q.map(|share| (ratio, share)))
        .map(|(ratio, share)| Stage {
            f0_hz: wanted.f0_hz * ratio,
            q: wanted.q * share,
            ..*wanted
        })
        .filter(inside)
        .find_map(|stage| attempt(&stage))
}
