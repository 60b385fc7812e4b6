//! How sure a finding is, and what would settle it.
//!
//! A probability, counted: on simulated speakers each finding was held against the EQ that the truth
//! asks for, and a logistic regression (Cox 1958, Journal of the Royal Statistical Society B 20(2),
//! 215-242) says how often findings with such marks were right. `examples/trial --marks` writes the table
//! and `examples/trial/sure.py` fits the numbers below; which speakers were counted and which judged stands
//! in `examples/weights/README.md`.

use super::decision::Decision;
use super::finding::{Finding, Settle};
use crate::audit::{Basis, Cause};
use crate::units::width_oct_of_q;

/// A finding is called sure from this probability on.
pub const SURE_FROM: f64 = 0.9;

/// And doubtful below this one.
pub const DOUBTFUL_BELOW: f64 = 0.7;

/// Orbits in coarser steps leave out what lies between, degrees (ANSI/CTA-2034-A: 10 degrees).
const USUAL_STEP_DEG: f64 = 10.0;

/// Points per octave below which narrow bumps are not told from their neighbours. A resonance of
/// Q 10 is a seventh of an octave wide.
const FINE_POINTS_PER_OCTAVE: f64 = 20.0;

/// Ports and passive units cancel below, Hz: pipe modes of usual ports lie up to here. Our own
/// judgement.
const PORTS_TO_HZ: f64 = 1000.0;

/// What would settle a finding that is `sure` to this probability.
pub(super) fn settle(finding: &Finding, sure: f64, basis: &Basis) -> Option<Settle> {
    let is_dip = finding.size_db < 0.0;
    let is_coarse = basis.points_per_octave < FINE_POINTS_PER_OCTAVE
        || basis
            .step_deg
            .is_some_and(|step_deg| step_deg > USUAL_STEP_DEG + 0.5);
    let open = [
        (!basis.angles, Settle::Angles),
        (basis.angles && !basis.vertical, Settle::VerticalOrbit),
        (is_coarse, Settle::FinerSteps),
        (
            is_dip && !basis.second_source && finding.peak_hz < PORTS_TO_HZ,
            Settle::PortNearField,
        ),
        // Phase speaks of dips alone (`audit::Witness`).
        (is_dip && !basis.phase, Settle::Phase),
        (true, Settle::FinerSteps),
    ];
    let first = open.into_iter().find(|(is_missing, _)| *is_missing)?;
    (sure < SURE_FROM).then_some(first.1)
}

/// How many marks a finding has.
pub const MARKS: usize = 24;

/// Data of fewer points per octave than this are coarse: the coarsest that were counted as usual have 12.
const COARSE_POINTS_PER_OCTAVE: f64 = 8.0;

/// A bump or dip narrower than so many steps of the data is seen, and its shape is not.
const RESOLVED_STEPS: f64 = 3.0;

/// A neighbour is looked for so far off, octaves.
const NEIGHBOUR_OCT: f64 = 0.5;

/// The marks of a finding among `all`: what tells right ones from wrong ones, each limited so that
/// nothing far from what was counted decides.
pub fn marks(finding: &Finding, all: &[Finding], basis: &Basis) -> [f64; MARKS] {
    let size_db = finding.size_db.abs();
    let near = |other: &&Finding| {
        let octaves = (other.peak_hz / finding.peak_hz).log2().abs();
        octaves > 0.0 && octaves <= NEIGHBOUR_OCT && other.cause != Cause::BandEdge
    };
    let largest_db = |is_counted: &dyn Fn(&Finding) -> bool| {
        let sizes = all.iter().filter(near).filter(|o| is_counted(o));
        sizes.map(|o| o.stands_out().0.abs()).fold(0.0, f64::max)
    };
    let is_left = |f: &Finding| f.decision == Decision::Leave;
    let apart = |other: Option<f64>| {
        (finding.measured.window_db.zip(other)).map_or(0.0, |(a, b)| (a - b).abs())
    };
    // How far the window lies on the other side of its level.
    let against_db = finding
        .measured
        .window_db
        .map_or(0.0, |window| (-window * finding.size_db.signum()).max(0.0));
    let is = |condition: bool| f64::from(u8::from(condition));
    let cause = |cause: Cause| is(finding.cause == cause);
    let spread = finding.spread_db.unwrap_or(0.0);
    let coarse = is(basis.points_per_octave < COARSE_POINTS_PER_OCTAVE);
    let units = |value: f64, unit: f64, most: f64| (value / unit).min(most);
    [
        1.0,
        units(largest_db(&is_left), 3.0, 3.0),
        units(largest_db(&|f| !is_left(f)), 3.0, 3.0),
        units(size_db, 3.0, 4.0),
        units(finding.eq_db.abs(), 3.0, 3.0),
        units(
            (finding.eq_db + finding.size_db * is(!is_left(finding))).abs(),
            1.0,
            3.0,
        ),
        finding.q.map_or(-1.0, |q| q.log2().clamp(-1.0, 4.0)) / 2.0,
        units(spread, 2.0, 3.0),
        units(spread / size_db.max(0.3), 1.0, 3.0),
        units(apart(finding.measured.room_db), 1.0, 3.0),
        units(apart(finding.measured.axis_db), 1.0, 3.0),
        units(against_db, 2.0, 3.0),
        units(finding.doubt_db, 0.5, 4.0),
        is(finding.is_hidden),
        is(finding.inside_hz.is_some()),
        is(is_left(finding)),
        cause(Cause::Resonance),
        cause(Cause::ShallowDip),
        cause(Cause::Balance),
        cause(Cause::Cancellation),
        is(!basis.angles),
        is(basis.angles && !basis.vertical),
        coarse,
        coarse
            * is(finding
                .q
                .is_some_and(|q| width_oct_of_q(q) < RESOLVED_STEPS / basis.points_per_octave)),
    ]
}

/// Weights of the marks, in their order. The first is lower by 0.2 than was fitted, so that findings are
/// called sure a little less often than they are right.
const WEIGHTS: [f64; MARKS] = [
    3.803, 0.012, -0.046, 0.717, -0.549, -0.137, -0.196, -0.520, 0.298, 0.094, 0.138, -0.602,
    -2.598, -0.456, -0.056, 0.106, -0.484, -0.669, -0.504, -0.535, 0.037, -0.022, -0.362, -0.298,
];

/// The probability that the decision about a finding is right.
pub(super) fn sure(marks: &[f64; MARKS]) -> f64 {
    let sum: f64 = WEIGHTS.iter().zip(marks).map(|(w, m)| w * m).sum();
    1.0 / (1.0 + (-sum).exp())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::findings::tests::finding;

    fn basis() -> Basis {
        Basis {
            angles: true,
            vertical: true,
            phase: true,
            second_source: true,
            step_deg: Some(10.0),
            points_per_octave: 24.0,
            is_interpolated: false,
        }
    }

    fn sure_of(finding: &Finding) -> f64 {
        sure(&marks(finding, std::slice::from_ref(finding), &basis()))
    }

    #[test]
    fn what_is_expected_to_err_more_or_lies_against_its_own_sign_is_less_sure() {
        let bump = finding(Cause::Resonance, 1000.0, 3.0, Decision::Correct);
        let mut erring = bump.clone();
        erring.doubt_db = 1.0;
        assert!(sure_of(&erring) < sure_of(&bump));
        let mut low = bump.clone();
        low.measured.window_db = Some(-2.0);
        (low.measured.room_db, low.measured.axis_db) = (Some(-2.0), Some(-2.0));
        assert!(sure_of(&low) < sure_of(&bump));
    }

    #[test]
    fn what_is_missing_would_settle_it_and_what_is_sure_needs_nothing() {
        let dip = finding(Cause::ShallowDip, 300.0, -3.0, Decision::Correct);
        let bump = finding(Cause::Resonance, 300.0, 3.0, Decision::Correct);
        let of = |finding: &Finding, basis: Basis| settle(finding, 0.8, &basis);
        let whole = basis();
        for (lacking, named) in [
            (
                Basis {
                    angles: false,
                    ..whole
                },
                Settle::Angles,
            ),
            (
                Basis {
                    vertical: false,
                    ..whole
                },
                Settle::VerticalOrbit,
            ),
            (
                Basis {
                    points_per_octave: 12.0,
                    ..whole
                },
                Settle::FinerSteps,
            ),
            (
                Basis {
                    second_source: false,
                    ..whole
                },
                Settle::PortNearField,
            ),
            (
                Basis {
                    phase: false,
                    ..whole
                },
                Settle::Phase,
            ),
        ] {
            assert_eq!(of(&dip, lacking), Some(named));
        }
        assert_eq!(
            of(
                &bump,
                Basis {
                    phase: false,
                    ..whole
                }
            ),
            Some(Settle::FinerSteps)
        );
        assert_eq!(settle(&dip, 0.9, &whole), None);
    }
}
