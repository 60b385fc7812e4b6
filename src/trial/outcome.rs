//! One member of a population from measurement to score: planned, its filters read back from the
//! list, scored; and whether the findings name the causes.

use super::benefit::Benefit;
use super::known::{Known, KnownDefect};
use super::population::{Evidence, Measured, Physics, draw, in_thirds, measurement};
use super::score::{DefectScore, Planned, ScoreGrid};
use crate::audit::{Cause, Subject};
use crate::average::{AveragedCurves, RearWall};
use crate::curve::Curve;
use crate::error::Result;
use crate::findings::Finding;
use crate::predict::{Mendable, Plan};
use crate::run::PlanOptions;
use crate::simulate::DefectKind;

/// Judged from this many times the corner on: below it the roll-off hides what a defect does.
const FROM_CORNERS: f64 = 2.2;

/// Taken for the corner of a speaker that shows none, Hz.
const NO_CORNER_HZ: f64 = 40.0;

/// What became of one speaker.
#[derive(Debug, Clone)]
pub struct Outcome {
    /// Each of its defects.
    pub defects: Vec<ScoredDefect>,
    /// What is said of it, and whether it is right.
    pub findings: Vec<ScoredFinding>,
    /// What the filters gain.
    pub benefit: Benefit,
    /// Share of the deviation's energy that EQ can take away: what the plan says, and what the EQ
    /// that the truth asks for does; `None` where there is no deviation to speak of.
    pub reach: Option<[f64; 2]>,
    /// Largest rise of roughness at a listening-window angle, dB rms.
    pub worst_change_db: f64,
    /// The plan itself.
    pub plan: Plan,
    /// What is true, on [`ScoreGrid::grid`].
    pub known: Known,
}

/// What was said of one place, and whether it is right.
#[derive(Debug, Clone)]
pub struct ScoredFinding {
    /// What was said.
    pub finding: Finding,
    /// Difference of the filters from the ideal EQ over the finding's band, dB rms, levels taken
    /// out.
    pub error_db: f64,
    /// Whether the decision is right (DESIGN, section 9).
    pub is_right: bool,
}

/// What became of one defect.
#[derive(Debug, Clone)]
pub struct ScoredDefect {
    /// What the filters do to it.
    pub score: DefectScore,
    /// Whether a finding at its place names its cause.
    pub cause_right: bool,
}

/// Draws, measures, plans and scores the speaker of this seed.
///
/// # Errors
/// See [`draw`] and [`plan_and_score`].
pub fn run_one(physics: Physics, seed: u64, evidence: Evidence) -> Result<Outcome> {
    let way = measurement(seed, evidence);
    let measured = draw(physics, seed, [way], &ScoreGrid::grid())?;
    plan_and_score(measured, evidence)
}

/// Plans a speaker known on [`ScoreGrid::grid`] for the default device, flat, and scores its
/// filters.
///
/// # Errors
/// When the speaker cannot be planned, or is known on another grid.
pub fn plan_and_score(measured: Measured<1>, evidence: Evidence) -> Result<Outcome> {
    let Measured {
        responses: [response],
        known,
    } = measured;
    let response = match evidence {
        Evidence::Thirds => in_thirds(&response)?,
        _ => response,
    };
    let response = response.mirrored().0;
    let curves = AveragedCurves::from_response(&response, RearWall::default());
    let target = crate::read::target::target("flat")?;
    let device = crate::read::device::device("open-48k")?;
    let subject = Subject {
        response: (evidence != Evidence::Averages).then_some(&response),
        curves: &curves,
        target: &target,
        trusted: Default::default(),
        second_source: None,
    };
    let plan = crate::run::plan_subject(&subject, "trial", &device, &PlanOptions::default())?;
    let list = crate::export::filter_list::from_plan(&plan)?;
    let text = crate::export::filter_list::write(&list, &device.word_order)?;
    let bank = crate::read::filter_list::parse("trial".as_ref(), &text)?.bank();
    let on = ScoreGrid::from_hz(FROM_CORNERS * plan.audit.corner_hz.unwrap_or(NO_CORNER_HZ));
    let planned = Planned::new(&known, &bank, on)?;
    let findings = &plan.findings;
    let defects = planned
        .defect_scores()
        .into_iter()
        .zip(&known.defects)
        .map(|(score, defect)| ScoredDefect {
            score,
            cause_right: names_the_cause(findings, defect, &planned.on),
        })
        .collect();
    Ok(Outcome {
        findings: scored_findings(&plan, &known, &planned),
        benefit: planned.benefit(),
        reach: reach(&plan, &known),
        defects,
        worst_change_db: plan.prediction.worst_change.map_or(0.0, |w| w.change_db()),
        plan,
        known,
    })
}

/// A decision is right where the EQ lies within so much of the ideal one over the finding's band, dB
/// rms, or within this share of its size (DESIGN, section 9).
const RIGHT_WITHIN_DB: f64 = 1.0;
const RIGHT_WITHIN_SHARE: f64 = 0.3;

fn scored_findings(plan: &Plan, known: &Known, planned: &Planned) -> Vec<ScoredFinding> {
    let on = ScoreGrid::within(plan.audit.judged);
    let eq_db = on.without_mean(&planned.filters_db);
    let ideal_db = on.without_mean(&known.ideal_eq_db());
    (plan.findings.iter())
        .map(|finding| {
            let first = on.grid.nearest(finding.from_hz);
            let last = on.grid.nearest(finding.to_hz);
            let squares = (first..=last).map(|i| (eq_db[i] - ideal_db[i]).powi(2));
            let error_db = (squares.sum::<f64>() / (last - first + 1) as f64).sqrt();
            let within_db = RIGHT_WITHIN_DB.max(RIGHT_WITHIN_SHARE * finding.size_db.abs());
            ScoredFinding {
                finding: finding.clone(),
                error_db,
                is_right: error_db <= within_db,
            }
        })
        .collect()
}

/// The reach that the plan says, and that of the ideal EQ.
fn reach(plan: &Plan, known: &Known) -> Option<[f64; 2]> {
    let ideal = Curve::new(ScoreGrid::grid(), known.ideal_eq_db());
    let on_audit = Curve::of(&plan.audit.grid, |f_hz| ideal.at_db(f_hz));
    let truth = Mendable::new(&plan.audit.deviations, &on_audit, &on_audit);
    Some([plan.mendable.reach?, truth.reach?])
}

/// Whether a finding that peaks near the defect, within a third of an octave to one by its kind,
/// names the right cause. A ripple of the axis goes up and down over octaves and a swing in the room
/// is as large anywhere within its band: a finding of these may also peak where the defect has
/// half of its largest size, or a swing's band hold the place.
fn names_the_cause(findings: &[Finding], defect: &KnownDefect, on: &ScoreGrid) -> bool {
    let (wanted, reach_oct, wide_db): (&[Cause], f64, Option<&[f64]>) = match defect.kind {
        DefectKind::Balance => return names_the_balance(findings, defect, on),
        DefectKind::Resonance => (&[Cause::Resonance], 1.0 / 3.0, None),
        DefectKind::ShallowDip => (&[Cause::ShallowDip, Cause::Balance], 0.5, None),
        DefectKind::Cancellation | DefectKind::DeepNull | DefectKind::CrossoverPhase => {
            (&[Cause::Cancellation], 0.5, None)
        }
        DefectKind::DirectivityStep => (&[Cause::Directivity], 1.0, Some(&defect.room_db)),
        DefectKind::SingleAxisRipple => (&[Cause::SingleAxis], 0.5, Some(&defect.on_axis_db)),
    };
    findings.iter().any(|f| {
        let near = (f.peak_hz / defect.f_hz).log2().abs() <= reach_oct;
        let holds = defect.kind == DefectKind::DirectivityStep
            && (f.from_hz..=f.to_hz).contains(&defect.f_hz);
        let there = wide_db.is_some_and(|effect_db| {
            effect_db[on.grid.nearest(f.peak_hz)].abs() >= 0.5 * on.largest_db(effect_db)
        });
        wanted.contains(&f.cause) && (near || holds || there)
    })
}

/// A shelf or a tilt has no place. Its finding peaks where the error, level taken out, has the sign
/// that the finding says and at least half of its largest size.
fn names_the_balance(findings: &[Finding], defect: &KnownDefect, on: &ScoreGrid) -> bool {
    let error_db = on.without_mean(&defect.window_db);
    findings.iter().any(|f| {
        let there_db = error_db[on.grid.nearest(f.peak_hz)] * f.size_db.signum();
        f.cause == Cause::Balance && there_db >= 0.5 * on.largest_db(&error_db)
    })
}
