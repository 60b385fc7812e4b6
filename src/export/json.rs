//! The JSON documents. Numbers that could not be had are `null`.

use crate::audit::{Cause, Decision, Finding};
use crate::filter::{Kind, Stage};
use crate::fit::Fit;
use crate::predict::Plan;
use serde::Serialize;

/// A finding as it stands in JSON.
#[derive(Debug, Serialize)]
struct FindingRow {
    from_hz: f64,
    to_hz: f64,
    peak_hz: f64,
    size_db: f64,
    in_room_size_db: Option<f64>,
    q: Option<f64>,
    spread_db: Option<f64>,
    cause: Cause,
    decision: Decision,
    share: f64,
    reason: String,
}

impl From<&Finding> for FindingRow {
    fn from(finding: &Finding) -> Self {
        FindingRow {
            from_hz: finding.from_hz,
            to_hz: finding.to_hz,
            peak_hz: finding.peak_hz,
            size_db: finding.size_db,
            in_room_size_db: finding.in_room_size_db,
            q: finding.q,
            spread_db: finding.spread_db,
            cause: finding.cause,
            decision: finding.decision,
            share: finding.share,
            reason: finding.reason(),
        }
    }
}

/// A stage as it stands in JSON; the gain is `null` for types without one.
#[derive(Debug, Serialize)]
struct StageRow {
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

#[derive(Debug, Serialize)]
struct RungRow {
    stages: usize,
    rms_db: f64,
}

#[derive(Debug, Serialize)]
struct PlanDocument<'a> {
    speaker: &'a str,
    target: &'a str,
    device: &'a str,
    rate_hz: f64,
    findings: Vec<FindingRow>,
    r#yield: Option<f64>,
    reach: Option<f64>,
    price_db: f64,
    rating_before: Option<f64>,
    rating_after: Option<f64>,
    judged_from_hz: f64,
    judged_to_hz: f64,
    corner_hz: Option<f64>,
    averages_only: bool,
    stages: Vec<StageRow>,
    gain_db: f64,
    fit_rms_db: f64,
    ladder: Vec<RungRow>,
    worst_change: Option<WorstChangeRow>,
    freq_hz: &'a [f64],
    wish_db: &'a [f64],
    shared_db: &'a [f64],
    spread_db: &'a [f64],
    filters_db: &'a [f64],
}

#[derive(Debug, Serialize)]
struct WorstChangeRow {
    orbit: &'static str,
    angle_deg: f64,
    roughness_before_db: f64,
    roughness_after_db: f64,
}

/// `plan.json`, also what `audit --json` prints.
pub fn plan(plan: &Plan) -> String {
    let prediction = &plan.prediction;
    to_text(&PlanDocument {
        speaker: &plan.speaker,
        target: &plan.target.name,
        device: &plan.device.name,
        rate_hz: plan.device.rate_hz,
        findings: plan.audit.findings.iter().map(FindingRow::from).collect(),
        r#yield: prediction.yield_share,
        reach: plan.audit.reach,
        price_db: prediction.price_db,
        rating_before: prediction.rating_before.map(|r| r.preference),
        rating_after: prediction.rating_after.map(|r| r.preference),
        judged_from_hz: plan.audit.judged_from_hz,
        judged_to_hz: plan.audit.judged_to_hz,
        corner_hz: plan.audit.corner_hz,
        averages_only: plan.audit.averages_only,
        stages: plan.fit.stages.iter().map(StageRow::from).collect(),
        gain_db: prediction.bank.gain_db,
        fit_rms_db: plan.fit.rms_db,
        ladder: ladder(&plan.fit),
        worst_change: prediction.worst_change.map(|worst| WorstChangeRow {
            orbit: worst.direction.orbit().name(),
            angle_deg: worst.direction.angle_deg(),
            roughness_before_db: worst.before_db,
            roughness_after_db: worst.after_db,
        }),
        freq_hz: plan.audit.grid.freqs_hz(),
        wish_db: &plan.audit.wish_db,
        shared_db: &plan.audit.shared_db,
        spread_db: &plan.audit.spread_db,
        filters_db: &prediction.audit_gains_db,
    })
}

#[derive(Debug, Serialize)]
struct FitDocument<'a> {
    device: &'a str,
    rate_hz: f64,
    stages: Vec<StageRow>,
    level_db: f64,
    rms_db: f64,
    continuous_rms_db: f64,
    rounded_rms_db: Option<f64>,
    ladder: Vec<RungRow>,
}

/// What `fit --json` prints.
pub fn fit(fit: &Fit, device: &str, rate_hz: f64) -> String {
    to_text(&FitDocument {
        device,
        rate_hz,
        stages: fit.stages.iter().map(StageRow::from).collect(),
        level_db: fit.level_db,
        rms_db: fit.rms_db,
        continuous_rms_db: fit.continuous_rms_db,
        rounded_rms_db: fit.rounded_rms_db,
        ladder: ladder(fit),
    })
}

fn ladder(fit: &Fit) -> Vec<RungRow> {
    fit.ladder
        .iter()
        .map(|rung| RungRow {
            stages: rung.stages,
            rms_db: rung.rms_db,
        })
        .collect()
}

/// serde_json writes numbers that are not finite as `null`, which is what the documents promise.
pub(crate) fn to_text(document: &impl Serialize) -> String {
    let mut text = serde_json::to_string_pretty(document)
        .expect("documents of numbers, strings and lists always serialise");
    text.push('\n');
    text
}
