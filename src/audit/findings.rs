//! Everything worth saying of a speaker: what is corrected, what is left alone, where it ends.

use super::component::{Component, DipLimits};
use super::corrected::corrected;
use super::family::Family;
use super::finding::{Cause, Decision, Finding, Ground};
use super::frame::Frame;
use super::left_alone::left_alone;
use super::weigh::Weighed;
use super::witness::Witnesses;

/// All findings. `components` is what the wish mends.
pub(super) fn all(
    frame: &Frame,
    components: &[Component],
    weighed: &Weighed,
    witnesses: &Witnesses,
    wish_db: &[f64],
    dips: DipLimits,
) -> Vec<Finding> {
    let family = Family::new(frame);
    let mut findings = corrected(frame, components, wish_db, &family);
    findings.extend(left_alone(
        frame, weighed, witnesses, wish_db, dips, &family,
    ));
    findings.extend(low_edge(frame));
    findings.extend(high_edge(frame));
    findings
}

fn low_edge(frame: &Frame) -> Option<Finding> {
    let corner_hz = frame.corner_hz?;
    Some(Finding {
        from_hz: frame.grid.first_hz(),
        to_hz: corner_hz,
        peak_hz: frame.grid.first_hz(),
        size_db: frame.window_db[0],
        in_room_size_db: frame.in_room_known.then(|| frame.in_room_db[0]),
        q: None,
        spread_db: None,
        cause: Cause::BandEdge,
        decision: Decision::Leave,
        witnesses: Vec::new(),
        ground: Ground::BelowCorner { corner_hz },
    })
}

fn high_edge(frame: &Frame) -> Option<Finding> {
    let limit_hz = frame
        .trusted_to_hz
        .filter(|limit| *limit < frame.grid.last_hz())?;
    let last = frame.grid.len() - 1;
    Some(Finding {
        from_hz: limit_hz,
        to_hz: frame.grid.last_hz(),
        peak_hz: frame.grid.last_hz(),
        size_db: frame.window_db[last],
        in_room_size_db: frame.in_room_known.then(|| frame.in_room_db[last]),
        q: None,
        spread_db: None,
        cause: Cause::BandEdge,
        decision: Decision::Leave,
        witnesses: Vec::new(),
        ground: Ground::NotTrusted { limit_hz },
    })
}
