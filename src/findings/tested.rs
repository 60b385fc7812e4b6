//! Why it was decided so: a condition that holds of the finding's own numbers.

use super::decision::Decision;
use super::finding::{Finding, Ground};
use crate::audit::{CURVES_DIFFER_DB, Candidate, Cause};

/// All angles share it where its spread is at most this share of its size.
const SHARED_SPREAD: f64 = 0.5;

/// The angles disagree about it where its spread is at least this share of its size.
const DIFFERS_SPREAD: f64 = 1.0 / 3.0;

/// Its extremum moves when it does so by this share of its frequency.
const MOVES_SHARE: f64 = 0.03;

/// The ground of `finding`, which was made of `candidate`: the first condition that its cause can stand
/// on and that holds. Dips of more Q than `dip_q_at_most` are not filled.
pub(super) fn ground(finding: &Finding, candidate: &Candidate, dip_q_at_most: f64) -> Ground {
    if let Some(known) = candidate.known {
        return Ground::Known(known);
    }
    let size_db = finding.size_db.abs();
    let spread_db = finding.spread_db.filter(|_| size_db > 0.0);
    let (window_db, room_db) = (finding.measured.window_db, finding.measured.room_db);
    let is_shared = spread_db.is_some_and(|spread_db| spread_db <= SHARED_SPREAD * size_db)
        && (window_db.zip(room_db)).is_some_and(|(window, room)| window * room > 0.0);
    let apart = |other_db: Option<f64>| {
        (window_db.zip(other_db))
            .is_some_and(|(window, other)| (window - other).abs() >= CURVES_DIFFER_DB)
    };
    let holds = |condition: bool, ground: Ground| condition.then_some(ground);
    let moves = candidate
        .movement
        .filter(|m| m.by_hz.abs() >= MOVES_SHARE * finding.peak_hz)
        .map(|movement| Ground::Moves { movement });
    let differs = holds(
        spread_db.is_some_and(|spread_db| spread_db >= DIFFERS_SPREAD * size_db),
        Ground::Differs,
    );
    let limit_q = dip_q_at_most;
    let narrow = holds(
        finding.size_db < 0.0 && finding.q.is_some_and(|q| q > limit_q),
        Ground::Narrow { limit_q },
    );
    let ground = match (candidate.cause, finding.decision) {
        (Cause::Cancellation, _) => moves.or(differs).or(narrow),
        (Cause::Directivity, _) => holds(apart(room_db), Ground::Beams),
        (Cause::SingleAxis, _) => holds(apart(finding.measured.axis_db), Ground::Axis),
        (_, Decision::Leave) => differs.or(narrow),
        _ => holds(is_shared, Ground::Shared),
    };
    ground.unwrap_or(Ground::Together)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::audit::Movement;
    use crate::findings::tests::{candidate, finding};
    use crate::response::Orbit;

    fn of(finding: Finding, candidate: &Candidate) -> &'static str {
        ground(&finding, candidate, 2.8).name()
    }

    #[test]
    fn a_ground_is_named_only_where_its_condition_holds() {
        let of_cause = |cause| candidate(cause, 1000.0, 4.0);
        let bump = |spread_db, room_db| {
            let mut bump = finding(Cause::Resonance, 1000.0, 4.0, Decision::Correct);
            (bump.spread_db, bump.measured.room_db) = (Some(spread_db), Some(room_db));
            bump
        };
        let resonance = of_cause(Cause::Resonance);
        assert_eq!(of(bump(2.0, 3.0), &resonance), "shared");
        assert_eq!(of(bump(2.1, 3.0), &resonance), "together");
        assert_eq!(of(bump(2.0, -3.0), &resonance), "together");

        let null = |spread_db, q| {
            let mut null = finding(Cause::Cancellation, 1000.0, -6.0, Decision::Leave);
            (null.spread_db, null.q) = (Some(spread_db), Some(q));
            null
        };
        let mut cancels = of_cause(Cause::Cancellation);
        assert_eq!(of(null(2.0, 2.0), &cancels), "differs");
        assert_eq!(of(null(1.9, 2.9), &cancels), "narrow");
        assert_eq!(of(null(1.9, 2.8), &cancels), "together");
        for (by_hz, named) in [(30.0, "moves"), (-30.0, "moves"), (29.0, "together")] {
            cancels.movement = Some(Movement {
                orbit: Orbit::Horizontal,
                angle_deg: 30.0,
                by_hz,
            });
            assert_eq!(of(null(1.9, 2.0), &cancels), named);
        }

        let apart = |cause, room_db, axis_db| {
            let mut step = finding(cause, 1000.0, 0.5, Decision::Leave);
            (step.measured.room_db, step.measured.axis_db) = (Some(room_db), Some(axis_db));
            step
        };
        // The window lies at 0.5 dB.
        let (step, ripple) = (of_cause(Cause::Directivity), of_cause(Cause::SingleAxis));
        assert_eq!(of(apart(Cause::Directivity, 1.25, 0.0), &step), "beams");
        assert_eq!(of(apart(Cause::Directivity, 1.0, 0.0), &step), "together");
        assert_eq!(of(apart(Cause::SingleAxis, 0.5, -0.25), &ripple), "axis");
        assert_eq!(of(apart(Cause::SingleAxis, 0.5, 0.0), &ripple), "together");
    }
}
