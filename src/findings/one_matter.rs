//! One place is told once.

use super::decision::Decision;
use super::finding::{Finding, Ground};
use crate::audit::{Cause, WORTH_SAYING_DB};

/// Two peaks this near to each other are one finding, octaves.
const ONE_PLACE_OCT: f64 = 1.0 / 12.0;

/// A smaller finding within the band of a larger one and so far round it stands in or beside it,
/// octaves.
const BESIDE_OCT: f64 = 1.0 / 6.0;

/// The findings by ascending frequency, each matter once.
pub(super) fn told_once(mut findings: Vec<Finding>) -> Vec<Finding> {
    findings.sort_by(|a, b| weight_db(b).total_cmp(&weight_db(a)));
    let mut told: Vec<Finding> = Vec::new();
    for mut finding in findings {
        let larger = |other: &&Finding| is_of_angles(other) && is_of_angles(&finding);
        if told
            .iter()
            .filter(larger)
            .any(|other| is_told_by(other, &finding))
        {
            continue;
        }
        finding.inside_hz = (told.iter().filter(larger))
            .find(|other| stands_beside(&finding, other))
            .map(|other| other.peak_hz);
        told.push(finding);
    }
    told.sort_by(|a, b| a.peak_hz.total_cmp(&b.peak_hz));
    told
}

/// Size by which findings are put in order, dB.
fn weight_db(finding: &Finding) -> f64 {
    finding.stands_out().0.abs()
}

/// The ends of the band, the room and the other unit are matters of their own.
fn is_of_angles(finding: &Finding) -> bool {
    !matches!(finding.ground, Ground::Known(_))
}

fn stands_beside(finding: &Finding, larger: &Finding) -> bool {
    let reach = BESIDE_OCT.exp2();
    (larger.from_hz / reach..=larger.to_hz * reach).contains(&finding.peak_hz)
}

/// Whether a larger finding tells what `finding` would: it is at the same place, and `finding` is not
/// of another curve or says the opposite; or `finding` is a small part of it.
fn is_told_by(larger: &Finding, finding: &Finding) -> bool {
    let at_one_place = (larger.peak_hz / finding.peak_hz).log2().abs() <= ONE_PLACE_OCT;
    let is_of_another_curve = matches!(finding.cause, Cause::Directivity | Cause::SingleAxis);
    let is_part = larger.size_db * finding.size_db > 0.0
        && larger.decision == finding.decision
        && weight_db(finding) < WORTH_SAYING_DB
        && !is_of_another_curve;
    at_one_place && (!is_of_another_curve || are_opposite(larger, finding))
        || stands_beside(finding, larger) && is_part
}

/// Whether the filters undo one and leave the other.
fn are_opposite(a: &Finding, b: &Finding) -> bool {
    let is_left = |f: &Finding| f.decision == Decision::Leave;
    is_left(a) != is_left(b)
}
