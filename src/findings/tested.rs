//! Why it was decided so: a condition that holds of the finding's own numbers.

use super::decision::Decision;
use super::finding::{Finding, Ground};
use crate::audit::{Candidate, Cause, Circumstance};

/// All angles share it where its spread is at most this share of its size.
const SHARED_SPREAD: f64 = 0.5;

/// The angles disagree about it where its spread is at least this share of its size.
const DIFFERS_SPREAD: f64 = 1.0 / 3.0;

/// Its extremum moves when it does so by this share of its frequency.
const MOVES_SHARE: f64 = 0.03;

/// Two curves differ from here on, dB.
const CURVES_DIFFER_DB: f64 = 0.7;

/// The ground of `finding`, which was made of `candidate`: the condition that its cause stands on, if
/// it holds, else another one that does.
pub(super) fn ground(finding: &Finding, candidate: &Candidate) -> Ground {
    let size_db = finding.size_db.abs();
    let spread_db = finding.spread_db.filter(|_| size_db > 0.0);
    let (window_db, room_db) = (finding.measured.window_db, finding.measured.room_db);
    let is_shared = spread_db.is_some_and(|spread_db| spread_db <= SHARED_SPREAD * size_db)
        && (window_db.zip(room_db)).is_some_and(|(window, room)| window * room > 0.0);
    let differs = spread_db.is_some_and(|spread_db| spread_db >= DIFFERS_SPREAD * size_db);
    let apart = |other_db: Option<f64>| {
        (window_db.zip(other_db))
            .is_some_and(|(window, other)| (window - other).abs() >= CURVES_DIFFER_DB)
    };
    let moves = candidate
        .movement
        .filter(|m| m.by_hz.abs() >= MOVES_SHARE * finding.peak_hz)
        .map(|movement| Ground::Moves { movement });
    let holds = |condition: bool, ground: Ground| condition.then_some(ground);
    let ground = match candidate.circumstance {
        Circumstance::Angles => match (candidate.cause, finding.decision) {
            (Cause::Cancellation, _) => moves.or(holds(differs, Ground::Differs)),
            (Cause::Directivity, _) => holds(apart(room_db), Ground::Beams),
            (Cause::SingleAxis, _) => holds(apart(finding.measured.axis_db), Ground::Axis),
            (_, Decision::Leave) => holds(differs, Ground::Differs),
            _ => holds(is_shared, Ground::Shared),
        },
        Circumstance::TooNarrow { limit_q } => Some(Ground::Narrow { limit_q }),
        known => Some(Ground::Known(known)),
    };
    ground.unwrap_or(Ground::Together)
}
