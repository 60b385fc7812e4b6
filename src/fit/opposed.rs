//! Stages that work against each other: a boost beside a cut. What such a pair does together is small
//! against what each does, so it is spent on little, costs headroom, and turns into ripple with the first
//! shift of the speaker's response.

use super::joint::Candidate;
use super::limits::Limits;
use super::rows::Rows;
use super::{best_effort, shape};

/// Stages of opposite gain beyond this are opposed, dB; common practice, no source.
const OPPOSED_DB: f64 = 1.0;

/// And not farther apart than this, octaves.
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

#[cfg(test)]
mod tests {
    use super::super::task::{Options, Wanted};
    use super::*;
    use crate::curve::Grid;
    use crate::filter::{Kind, Stage};

    /// What is left of `stages`, of which the curve that is wanted is made, in ascending order.
    fn left_of(stages: &[(f64, f64, f64)]) -> Vec<f64> {
        let device = crate::read::device::device("open-48k").expect("a built-in device");
        let grid = Grid::logarithmic(20.0, 20_000.0, 24.0);
        let stages: Vec<Stage> = (stages.iter())
            .map(|(f0_hz, gain_db, q)| Stage {
                kind: Kind::Peaking,
                f0_hz: *f0_hz,
                gain_db: *gain_db,
                q: *q,
            })
            .collect();
        let sections = stages.iter().map(|s| s.biquad(device.rate_hz)).collect();
        let bank = crate::filter::Bank {
            gain_db: 0.0,
            rate_hz: device.rate_hz,
            sections,
        };
        let wanted = Wanted {
            freqs_hz: grid.freqs_hz(),
            gain_db: &bank.gains_db(grid.freqs_hz()),
            weights: &vec![1.0; grid.len()],
        };
        let rows = Rows::new(&wanted, device.rate_hz, 0.0).unwrap();
        let limits = Limits::new(&device, &Options::default()).unwrap();
        let none = Candidate {
            slots: Vec::new(),
            settings: Vec::new(),
            cost: f64::INFINITY,
        };
        let none_cost = best_effort(&rows, &limits, none.clone()).cost;
        let whole = stages.iter().fold(none, |set, stage| {
            let (slot, settings) = limits.place(stage).expect("the device has it");
            set.with(slot, settings)
        });
        let whole = best_effort(&rows, &limits, whole);
        let left = without_opposed(&rows, &limits, whole, none_cost, 0.05);
        (0..left.len())
            .map(|i| {
                shape::stage_of(left.slots[i].kind, &left.stage(i))
                    .f0_hz
                    .round()
            })
            .collect()
    }

    #[test]
    fn a_pair_that_all_but_cancels_itself_is_left_out_beside_what_counts() {
        let left = left_of(&[(960.0, 3.0, 2.0), (1000.0, -3.0, 2.0), (5000.0, 6.0, 1.0)]);
        assert!(left.len() <= 2, "{left:?}");
        assert!(
            left.iter().any(|f0_hz| (4900.0..5100.0).contains(f0_hz)),
            "{left:?}"
        );
    }

    #[test]
    fn a_bump_beside_a_dip_keeps_both_of_its_stages() {
        let left = left_of(&[(1000.0, 4.0, 4.0), (1350.0, -4.0, 4.0)]);
        assert_eq!(left, [1000.0, 1350.0]);
    }
}
