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
        // Of several the one at the same place, or else the largest.
        let mut around = told.iter().filter(larger);
        let at_one_place = around
            .clone()
            .find(|other| are_at_one_place(other, &finding));
        finding.inside_hz = at_one_place
            .or_else(|| around.find(|other| stands_beside(&finding, other)))
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

fn are_at_one_place(a: &Finding, b: &Finding) -> bool {
    (a.peak_hz / b.peak_hz).log2().abs() <= ONE_PLACE_OCT
}

fn stands_beside(finding: &Finding, larger: &Finding) -> bool {
    let reach = BESIDE_OCT.exp2();
    (larger.from_hz / reach..=larger.to_hz * reach).contains(&finding.peak_hz)
}

/// Whether a larger finding tells what `finding` would: it is at the same place, and `finding` is not
/// of another curve or says the opposite; or `finding` is a small part of it.
fn is_told_by(larger: &Finding, finding: &Finding) -> bool {
    let at_one_place = are_at_one_place(larger, finding);
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

#[cfg(test)]
mod tests {
    use super::*;
    use crate::findings::tests::finding;

    /// Frequencies of what is told of these, and in or beside what each stands.
    fn told(findings: &[Finding]) -> Vec<(f64, Option<f64>)> {
        let told = told_once(findings.to_vec());
        told.iter().map(|f| (f.peak_hz, f.inside_hz)).collect()
    }

    fn bump(peak_hz: f64, size_db: f64) -> Finding {
        finding(Cause::Resonance, peak_hz, size_db, Decision::Correct)
    }

    fn null(peak_hz: f64, size_db: f64) -> Finding {
        finding(Cause::Cancellation, peak_hz, size_db, Decision::Leave)
    }

    #[test]
    fn of_two_within_a_twelfth_of_an_octave_the_larger_is_told() {
        // A twelfth of an octave above 1 kHz lies 1059 Hz.
        assert_eq!(
            told(&[bump(1050.0, 2.0), null(1000.0, -6.0)]),
            [(1000.0, None)]
        );
        assert_eq!(
            told(&[bump(1050.0, 7.0), null(1000.0, -6.0)]),
            [(1050.0, None)]
        );
    }

    #[test]
    fn a_bump_on_the_flank_of_a_null_names_the_null() {
        let both = told(&[bump(1100.0, 2.0), null(1000.0, -6.0)]);
        assert_eq!(both, [(1000.0, None), (1100.0, Some(1000.0))]);
        let apart = told(&[bump(2000.0, 2.0), null(1000.0, -6.0)]);
        assert_eq!(apart, [(1000.0, None), (2000.0, None)]);
    }

    #[test]
    fn a_small_part_of_a_larger_matter_is_not_told_and_a_large_one_is() {
        assert_eq!(
            told(&[bump(1100.0, 0.9), bump(1000.0, 3.0)]),
            [(1000.0, None)]
        );
        assert_eq!(told(&[bump(1100.0, 1.1), bump(1000.0, 3.0)]).len(), 2);
    }

    #[test]
    fn what_is_of_another_curve_is_told_beside_what_decides_alike() {
        let mut step = finding(Cause::Directivity, 1010.0, 0.1, Decision::Leave);
        step.measured.room_db = Some(1.6);
        assert_eq!(told(&[step.clone(), null(1000.0, -6.0)]).len(), 2);
        // It names what stands at its place, not a larger one whose band reaches there.
        let mut broad = bump(700.0, -8.0);
        (broad.cause, broad.decision) = (Cause::Balance, Decision::Leave);
        broad.to_hz = 1100.0;
        let named = told(&[step.clone(), null(1000.0, -6.0), broad]);
        assert_eq!(
            named,
            [(700.0, None), (1000.0, Some(700.0)), (1010.0, Some(1000.0))]
        );
        // Not beside a bump that is corrected: one place does not decide two things.
        assert_eq!(told(&[step, bump(1000.0, 6.0)]).len(), 1);
    }
}
