//! From evidence to cause and decision, one component at a time.

use super::census::Census;
use super::component::Component;
use super::finding::{Cause, Decision, Ground};
use super::frame::Frame;
use crate::filter::Kind;

/// What was decided about a component.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Verdict {
    pub cause: Cause,
    pub decision: Decision,
    /// Share of the component to be corrected, 0 to 1.
    pub share: f64,
    pub ground: Ground,
}

/// Above this ratio of spread to size a component is not shared at all; below the lower one it
/// is shared in full. A cancellation that is there in half of the sound and absent in the other
/// half has 1; a resonance has what noise and the neighbours leave, 0.1 to 0.3.
const SPREAD_RATIO: (f64, f64) = (0.35, 0.7);

/// Below the first share of its size that the in-room curve has, a component is not in the room;
/// above the second it is there in full.
const ROOM_RATIO: (f64, f64) = (0.2, 0.55);

/// Dips above the first Q begin to be passed over, above the second they always are. A shared
/// dip of higher Q is hardly heard (Buecklein 1981, from memory: peaks are more audible than
/// equal dips, narrow dips often go unnoticed), and most dips that narrow are cancellations.
const DIP_Q: (f64, f64) = (3.0, 4.5);

/// The same where only averaged curves are at hand and the angles cannot be asked.
const DIP_Q_AVERAGES: (f64, f64) = (1.2, 2.0);

/// Dips deeper than the first begin to be passed over, than the second always are. Filling 6 dB
/// takes four times the power; our own judgement.
const DIP_DEPTH_DB: (f64, f64) = (5.0, 8.0);

/// Bumps narrower than this (as Q) are resonances, broader ones tonal balance.
const BALANCE_Q: f64 = 0.9;

/// Shares above the first are rounded up to full, below the second down to nothing: the middle
/// is for evidence that is really mixed.
const CLEAR_SHARE: (f64, f64) = (0.75, 0.2);

/// Spread that healthy speakers show at any width without a fault, dB: measuring noise and what
/// the slow part of the directivity leaves.
const USUAL_SPREAD_DB: f64 = 0.4;

pub(super) fn judge(frame: &Frame, component: &Component, census: &Census) -> Verdict {
    let size = component.size_db;
    let excess_db = (census.spread_db.powi(2) - USUAL_SPREAD_DB.powi(2))
        .max(0.0)
        .sqrt();
    let spread_ratio = excess_db / size.abs();
    let room_ratio = census.mean_db / size;
    let agreement = falling(spread_ratio, SPREAD_RATIO);
    let in_room = rising(room_ratio, ROOM_RATIO);
    let mut share = agreement * in_room;
    let mut ground = if agreement <= in_room {
        disagreement(census)
    } else {
        Ground::NotInTheRoom
    };
    if let Some(on_axis_db) = census.on_axis_db
        && (on_axis_db / size) > 1.8
        && room_ratio < 0.7
    {
        ground = Ground::OnTheAxisOnly { on_axis_db };
    }
    let is_dip = size < 0.0 && component.kind == Kind::Peaking;
    if is_dip {
        let q_limits = if frame.averages_only {
            DIP_Q_AVERAGES
        } else {
            DIP_Q
        };
        let narrow = falling(component.q, q_limits);
        let deep = falling(-size, DIP_DEPTH_DB);
        if narrow < share {
            ground = if frame.averages_only {
                Ground::AveragesOnly
            } else {
                Ground::TooNarrow {
                    limit_q: q_limits.0,
                }
            };
        }
        if deep < share.min(narrow) {
            ground = Ground::TooDeep {
                limit_db: DIP_DEPTH_DB.0,
            };
        }
        share *= narrow * deep;
    }
    let (decision, share) = if share >= CLEAR_SHARE.0 {
        (Decision::Correct, 1.0)
    } else if share <= CLEAR_SHARE.1 {
        (Decision::Leave, 0.0)
    } else {
        (Decision::Soften, share)
    };
    if decision == Decision::Correct {
        ground = Ground::Shared;
    }
    Verdict {
        cause: cause(component, ground),
        decision,
        share,
        ground,
    }
}

fn disagreement(census: &Census) -> Ground {
    match (census.horizontal_spread_db, census.vertical_spread_db) {
        (Some(h), Some(v)) if v > 2.0 * h => Ground::VerticalAnglesDisagree,
        _ => Ground::AnglesDisagree,
    }
}

fn cause(component: &Component, ground: Ground) -> Cause {
    let broad = component.kind != Kind::Peaking || component.q < BALANCE_Q;
    match ground {
        Ground::Shared if broad => Cause::Balance,
        Ground::Shared if component.size_db > 0.0 => Cause::Resonance,
        Ground::Shared => Cause::ShallowDip,
        Ground::OnTheAxisOnly { .. } => Cause::SingleAxis,
        Ground::NotInTheRoom | Ground::OnlyInTheRoom => Cause::Directivity,
        Ground::AnglesDisagree if broad => Cause::Directivity,
        Ground::BelowCorner { .. } | Ground::NotTrusted { .. } => Cause::BandEdge,
        _ => Cause::Cancellation,
    }
}

/// 1 up to the first limit, 0 from the second on, smooth between.
pub(super) fn falling(x: f64, limits: (f64, f64)) -> f64 {
    1.0 - rising(x, limits)
}

/// 0 up to the first limit, 1 from the second on, smooth between.
pub(super) fn rising(x: f64, limits: (f64, f64)) -> f64 {
    let t = ((x - limits.0) / (limits.1 - limits.0)).clamp(0.0, 1.0);
    t * t * (3.0 - 2.0 * t)
}
