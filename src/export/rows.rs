//! What several JSON documents hold, and how a document becomes text.

use crate::audit::Cause;
use crate::filter::{Kind, Stage};
use crate::findings::{Decision, Finding, Ground, Settle};
use crate::report::words::finding;
use serde::Serialize;

/// A finding as it stands in JSON (DESIGN, section 9).
#[derive(Debug, Serialize)]
pub(super) struct FindingRow {
    from_hz: f64,
    to_hz: f64,
    peak_hz: f64,
    window_db: Option<f64>,
    room_db: Option<f64>,
    axis_db: Option<f64>,
    size_db: f64,
    q: Option<f64>,
    spread_db: Option<f64>,
    cause: Cause,
    decision: Decision,
    eq_db: f64,
    undone: f64,
    ground: &'static str,
    moves_hz: Option<f64>,
    sure: f64,
    settle: Option<&'static str>,
    minor: bool,
    inside: Option<f64>,
    reason: String,
}

impl From<&Finding> for FindingRow {
    fn from(finding: &Finding) -> Self {
        FindingRow {
            from_hz: finding.from_hz,
            to_hz: finding.to_hz,
            peak_hz: finding.peak_hz,
            window_db: finding.measured.window_db,
            room_db: finding.measured.room_db,
            axis_db: finding.measured.axis_db,
            size_db: finding.size_db,
            q: finding.q,
            spread_db: finding.spread_db,
            cause: finding.cause,
            decision: finding.decision,
            eq_db: finding.eq_db,
            undone: finding.undone,
            ground: finding.ground.name(),
            moves_hz: match finding.ground {
                Ground::Moves { movement } => Some(movement.by_hz),
                _ => None,
            },
            sure: finding.sure,
            settle: finding.settle.map(Settle::name),
            minor: finding.is_minor(),
            inside: finding.inside_hz,
            reason: finding::reason(finding).to_string(),
        }
    }
}

/// A stage as it stands in JSON; the gain is `null` for types without one.
#[derive(Debug, Serialize)]
pub(super) struct StageRow {
    r#type: Kind,
    f0_hz: f64,
    gain_db: Option<f64>,
    q: f64,
}

impl From<&Stage> for StageRow {
    fn from(stage: &Stage) -> Self {
        StageRow {
            r#type: stage.kind,
            f0_hz: stage.f0_hz,
            gain_db: stage.kind.has_gain().then_some(stage.gain_db),
            q: stage.q,
        }
    }
}

/// serde_json writes numbers that are not finite as `null`, which is what the documents promise.
pub(super) fn to_text(document: &impl Serialize) -> String {
    let mut text = serde_json::to_string_pretty(document)
        .expect("documents of numbers, strings and lists always serialise");
    text.push('\n');
    text
}
