//! Stages that work against each other: a boost beside a cut. What such a pair does together is small
//! against what each does, so it is spent on little, costs headroom, and turns into ripple with the first
//! shift of the speaker's response.

use super::joint::{Candidate, best_effort};
use super::limits::Limits;
use super::rows::Rows;
use super::shape;

/// Stages of opposite gain beyond this are opposed, dB. Our own judgement.
const OPPOSED_DB: f64 = 1.0;

/// And not farther apart than this, octaves. Our own judgement.
const APART_OCT: f64 = 0.5;

/// The pairs of stages that work against each other, by their places.
fn opposed(candidate: &Candidate) -> Vec<[usize; 2]> {
    let at = |i: usize| shape::stage_of(candidate.slots[i].kind, &candidate.stage(i));
    (0..candidate.len())
        .flat_map(|i| (0..i).map(move |j| [j, i]))
        .filter(|[j, i]| {
            let (a, b) = (at(*j), at(*i));
            a.gain_db * b.gain_db < 0.0
                && a.gain_db.abs().min(b.gain_db.abs()) > OPPOSED_DB
                && (a.f0_hz / b.f0_hz).log2().abs() <= APART_OCT
        })
        .collect()
}

/// `candidate` without pairs that are not worth it: of each the boost, the cut or both are left out and
/// the rest refined, where that costs no more than `share` of what the stages gain over `none_cost`, what
/// is left without any. A pair that gains more stays.
pub(super) fn without_opposed(
    rows: &Rows,
    limits: &Limits,
    mut candidate: Candidate,
    none_cost: f64,
    share: f64,
) -> Candidate {
    let calmer = |candidate: &Candidate| {
        let at_most = candidate.cost + share * (none_cost - candidate.cost).max(0.0);
        opposed(candidate).into_iter().find_map(|[first, second]| {
            let fewer = [
                candidate.without(second),
                candidate.without(first),
                candidate.without(second).without(first),
            ];
            fewer
                .into_iter()
                .map(|fewer| best_effort(rows, limits, fewer))
                .filter(|fewer| fewer.cost <= at_most)
                .min_by(|a, b| a.cost.total_cmp(&b.cost))
        })
    };
    // Each time there is a stage less.
    while let Some(fewer) = calmer(&candidate) {
        candidate = fewer;
    }
    candidate
}
