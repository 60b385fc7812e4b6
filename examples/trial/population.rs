//! One member of the population: drawn, measured, planned, scored.

use crate::known::Known;
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

/// A speaker as measured, and what is known of it.
pub struct Measured {
    pub response: Response,
    pub known: Known,
}

/// Draws and measures the speaker of this seed; its defects are known on `grid`.
pub fn draw(physics: Physics, seed: u64, look: &Measurement, grid: &Grid) -> Result<Measured> {
    fn of(speaker: &impl Simulated, look: &Measurement, grid: &Grid) -> Result<Measured> {
        Ok(Measured {
            response: speaker.measure(look)?,
            known: Known::of(speaker, grid)?,
        })
    }
    match physics {
        Physics::Sphere => of(&Speaker::draw(seed), look, grid),
        Physics::Field => of(&FieldSpeaker::draw(seed), look, grid),
        Physics::Sketch => of(&SketchSpeaker::draw(seed), look, grid),
    }
}

/// Reads a speaker folder that tells its defects in `truth.csv`, and keeps what `evidence` says.
pub fn read(folder: &Path, evidence: Evidence, grid: &Grid) -> Result<Measured> {
    let measured = planish::read::folder::read_speaker(folder)?.measured;
    let planish::read::folder::Measured::Angles(response) = measured else {
        return Err(planish::Error::call("the folder holds no angles"));
    };
    let kept = response.members().iter().filter(|m| match evidence {
        Evidence::Full | Evidence::Averages => true,
        Evidence::OneSide => {
            m.direction.orbit() == Orbit::Vertical || m.direction.angle_deg() >= 0.0
        }
        Evidence::NoVertical => m.direction.orbit() == Orbit::Horizontal,
    });
    let kept = kept.cloned().collect();
    Ok(Measured {
        response: Response::new(response.grid().clone(), kept)
            .ok_or_else(|| planish::Error::call("no angle is left"))?,
        known: Known::told(folder, grid)?,
    })
}

/// Draws, measures, plans and scores the speaker of this seed.
pub fn run_one(physics: Physics, seed: u64, evidence: Evidence) -> Result<Outcome> {
    let look = measurement(seed, evidence);
    run(draw(physics, seed, &look, &score::grid())?, evidence)
}

/// Plans a speaker known on the score's grid and scores its filters.
pub fn run(measured: Measured, evidence: Evidence) -> Result<Outcome> {
    let Measured { response, known } = measured;
    let response = response.mirrored().0;
    let curves = AveragedCurves::from_response(&response, RearWall::default());
    let target = planish::read::target::target("flat")?;
    let device = planish::read::device::device("open-48k")?;
    let subject = Subject {
        response: (evidence != Evidence::Averages).then_some(&response),
        curves: &curves,
        target: &target,
        trusted_from_hz: None,
        trusted_to_hz: None,
        second_source: None,
    };
    let options = planish::run::PlanOptions::default();
    let plan = planish::run::plan_subject(&subject, "trial", &device, &options)?;
    let list = planish::export::filter_list::from_plan(&plan)?;
    let text = planish::export::filter_list::write(&list, &device.word_order)?;
    let bank = planish::read::filter_list::parse("trial".as_ref(), &text)?.bank();
    let scores = score(&known, &bank, 2.2 * plan.audit.corner_hz.unwrap_or(40.0));
    Ok(Outcome {
        scores: scores
            .into_iter()
            .map(|s| {
                let cause = names_the_cause(&plan.audit.findings, &s);
                (s, cause)
            })
            .collect(),
        worst_change_db: plan.prediction.worst_change.map_or(0.0, |w| w.change_db()),
    })
}

/// Whether a finding within a third of an octave of the defect (an octave for broad ones) names
/// the right cause.
fn names_the_cause(findings: &[Finding], score: &DefectScore) -> bool {
    let (wanted, reach_oct): (&[Cause], f64) = match score.kind {
        DefectKind::Resonance => (&[Cause::Resonance], 1.0 / 3.0),
        DefectKind::Balance => (&[Cause::Balance], 2.0),
        DefectKind::ShallowDip => (&[Cause::ShallowDip, Cause::Balance], 0.5),
        DefectKind::Cancellation | DefectKind::DeepNull | DefectKind::CrossoverPhase => {
            (&[Cause::Cancellation], 0.5)
        }
        DefectKind::DirectivityStep => (&[Cause::Directivity], 1.0),
        DefectKind::SingleAxisRipple => (&[Cause::SingleAxis], 0.5),
    };
    findings
        .iter()
        .any(|f| (f.peak_hz / score.f_hz).log2().abs() <= reach_oct && wanted.contains(&f.cause))
}
