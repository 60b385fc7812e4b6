//! One member of the population: drawn, measured, planned, scored.

use crate::known::{Known, KnownDefect};
use crate::score::{self, DefectScore, score};
use planish::Result;
use planish::audit::{Cause, Finding, Subject};
use planish::average::{AveragedCurves, RearWall};
use planish::curve::Grid;
use planish::response::{Orbit, Response};
use planish::simulate::{
    DefectKind, FieldSpeaker, Measurement, Sides, Simulated, SketchSpeaker, Speaker,
};
use std::path::Path;

/// What is measured of each speaker.
#[derive(Debug, Clone, Copy, PartialEq, Eq, clap::ValueEnum)]
pub enum Evidence {
    /// Both orbits in full
    Full,
    /// The horizontal orbit from 0 to 180 degrees only
    OneSide,
    /// No vertical orbit
    NoVertical,
    /// Averaged curves only
    Averages,
}

/// What the speakers are made of.
#[derive(Debug, Clone, Copy, PartialEq, Eq, clap::ValueEnum)]
pub enum Physics {
    /// Caps that move in a rigid sphere
    Sphere,
    /// Points in a free field with smooth directivities
    Field,
    /// Directivities and lobes sketched by formula
    Sketch,
}

/// What became of one speaker.
pub struct Outcome {
    /// Each defect with its score and whether a finding at its place names its cause.
    pub scores: Vec<(DefectScore, bool)>,
    /// Largest rise of roughness at a listening-window angle, dB rms.
    pub worst_change_db: f64,
}

/// A measurement whose density, noise and phase follow from the seed: 12 to 48 points per
/// octave, 0 to 0.5 dB.
pub fn measurement(seed: u64, evidence: Evidence) -> Measurement {
    // Two fractions of the seed that run through all combinations (golden ratio and its square).
    let part = |factor: f64| (seed as f64 * factor).fract();
    Measurement {
        points_per_octave: [12.0, 16.0, 24.0, 36.0, 48.0][(seed % 5) as usize],
        noise_db: 0.5 * part(0.618_033_988_749_895),
        seed: seed ^ 0x5eed,
        phase: part(0.381_966_011_250_105) < 0.5,
        horizontal: if evidence == Evidence::OneSide {
            Sides::Positive
        } else {
            Sides::Both
        },
        vertical: if evidence == Evidence::NoVertical {
            Sides::Missing
        } else {
            Sides::Both
        },
        ..Measurement::default()
    }
}

/// A speaker as measured, once for each look, and what is known of it.
pub struct Measured<const LOOKS: usize> {
    pub responses: [Response; LOOKS],
    pub known: Known,
}

/// Draws the speaker of this seed and measures it; its defects are known on `grid`.
pub fn draw<const LOOKS: usize>(
    physics: Physics,
    seed: u64,
    looks: [Measurement; LOOKS],
    grid: &Grid,
) -> Result<Measured<LOOKS>> {
    fn of<const LOOKS: usize>(
        speaker: &impl Simulated,
        looks: [Measurement; LOOKS],
        grid: &Grid,
    ) -> Result<Measured<LOOKS>> {
        Ok(Measured {
            responses: all(looks.map(|look| speaker.measure(&look)))?,
            known: Known::of(speaker, grid)?,
        })
    }
    match physics {
        Physics::Sphere => of(&Speaker::draw(seed), looks, grid),
        Physics::Field => of(&FieldSpeaker::draw(seed), looks, grid),
        Physics::Sketch => of(&SketchSpeaker::draw(seed), looks, grid),
    }
}

/// Reads a speaker folder that tells its defects in `truth.csv`, and keeps what each look says.
pub fn read<const LOOKS: usize>(
    folder: &Path,
    looks: [Evidence; LOOKS],
    grid: &Grid,
) -> Result<Measured<LOOKS>> {
    let measured = planish::read::folder::read_speaker(folder)?.measured;
    let planish::read::folder::Measured::Angles(response) = measured else {
        return Err(planish::Error::call("the folder holds no angles"));
    };
    let kept = |evidence: Evidence| {
        let members = response.members().iter().filter(|m| match evidence {
            Evidence::Full | Evidence::Averages => true,
            Evidence::OneSide => {
                m.direction.orbit() == Orbit::Vertical || m.direction.angle_deg() >= 0.0
            }
            Evidence::NoVertical => m.direction.orbit() == Orbit::Horizontal,
        });
        Response::new(response.grid().clone(), members.cloned().collect())
            .ok_or_else(|| planish::Error::call("no angle is left"))
    };
    Ok(Measured {
        responses: all(looks.map(kept))?,
        known: Known::told(folder, grid)?,
    })
}

/// All of them, or the first error.
fn all<const LOOKS: usize>(results: [Result<Response>; LOOKS]) -> Result<[Response; LOOKS]> {
    let responses: Vec<Response> = results.into_iter().collect::<Result<_>>()?;
    Ok(responses
        .try_into()
        .unwrap_or_else(|_| unreachable!("as many as there were results")))
}

/// Draws, measures, plans and scores the speaker of this seed.
pub fn run_one(physics: Physics, seed: u64, evidence: Evidence) -> Result<Outcome> {
    let look = measurement(seed, evidence);
    run(draw(physics, seed, [look], &score::grid())?, evidence)
}

/// Plans a speaker known on the score's grid and scores its filters.
pub fn run(measured: Measured<1>, evidence: Evidence) -> Result<Outcome> {
    let Measured {
        responses: [response],
        known,
    } = measured;
    let response = response.mirrored().0;
    let curves = AveragedCurves::from_response(&response, RearWall::default());
    let target = planish::read::target::target("flat")?;
    let device = planish::read::device::device("open-48k")?;
    let subject = Subject {
        response: (evidence != Evidence::Averages).then_some(&response),
        curves: &curves,
        target: &target,
        trusted: Default::default(),
        second_source: None,
    };
    let options = planish::run::PlanOptions::default();
    let plan = planish::run::plan_subject(&subject, "trial", &device, &options)?;
    let list = planish::export::filter_list::from_plan(&plan)?;
    let text = planish::export::filter_list::write(&list, &device.word_order)?;
    let bank = planish::read::filter_list::parse("trial".as_ref(), &text)?.bank();
    let from_hz = 2.2 * plan.audit.corner_hz.unwrap_or(40.0);
    Ok(Outcome {
        scores: score(&known, &bank, from_hz)
            .into_iter()
            .zip(&known.defects)
            .map(|(s, defect)| {
                let cause = names_the_cause(&plan.wish.findings, &s, defect, from_hz);
                (s, cause)
            })
            .collect(),
        worst_change_db: plan.prediction.worst_change.map_or(0.0, |w| w.change_db()),
    })
}

/// Whether a finding that peaks near the defect, within a third of an octave to one by its kind,
/// names the right cause. A ripple of the axis goes up and down over octaves and a swing in the room
/// is as large anywhere within its band: a finding of these may also peak where the defect has
/// half of its largest size, or a swing's band hold the place.
fn names_the_cause(
    findings: &[Finding],
    score: &DefectScore,
    defect: &KnownDefect,
    from_hz: f64,
) -> bool {
    let (wanted, reach_oct, wide_db): (&[Cause], f64, Option<&[f64]>) = match score.kind {
        DefectKind::Balance => return names_the_balance(findings, defect, from_hz),
        DefectKind::Resonance => (&[Cause::Resonance], 1.0 / 3.0, None),
        DefectKind::ShallowDip => (&[Cause::ShallowDip, Cause::Balance], 0.5, None),
        DefectKind::Cancellation | DefectKind::DeepNull | DefectKind::CrossoverPhase => {
            (&[Cause::Cancellation], 0.5, None)
        }
        DefectKind::DirectivityStep => (&[Cause::Directivity], 1.0, Some(&defect.room_db)),
        DefectKind::SingleAxisRipple => (&[Cause::SingleAxis], 0.5, Some(&defect.on_axis_db)),
    };
    let grid = score::grid();
    let weights = score::weights(&grid, from_hz);
    findings.iter().any(|f| {
        let near = (f.peak_hz / score.f_hz).log2().abs() <= reach_oct;
        let holds = score.kind == DefectKind::DirectivityStep
            && (f.from_hz..=f.to_hz).contains(&score.f_hz);
        let there = wide_db.is_some_and(|effect_db| {
            effect_db[grid.nearest(f.peak_hz)].abs() >= 0.5 * largest_db(effect_db, &weights)
        });
        wanted.contains(&f.cause) && (near || holds || there)
    })
}

/// A shelf or a tilt has no place. Its finding peaks where the error, level taken out, has the sign
/// that the finding says and at least half of its largest size.
fn names_the_balance(findings: &[Finding], defect: &KnownDefect, from_hz: f64) -> bool {
    let grid = score::grid();
    let weights = score::weights(&grid, from_hz);
    let window = || defect.window_db.iter();
    let sum: f64 = weights.iter().sum();
    let mean_db = window().zip(&weights).map(|(e, w)| e * w).sum::<f64>() / sum;
    let error_db: Vec<f64> = window().map(|e| e - mean_db).collect();
    findings.iter().any(|f| {
        let there_db = error_db[grid.nearest(f.peak_hz)] * f.size_db.signum();
        f.cause == Cause::Balance && there_db >= 0.5 * largest_db(&error_db, &weights)
    })
}

/// Largest size of an effect where it weighs something, dB.
fn largest_db(effect_db: &[f64], weights: &[f64]) -> f64 {
    let heard = effect_db.iter().zip(weights).filter(|(_, w)| **w > 0.0);
    heard.map(|(e, _)| e.abs()).fold(0.0, f64::max)
}
