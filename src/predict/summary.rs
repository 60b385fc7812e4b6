//! A plan in a few numbers: one row of a table of many, small enough to keep hundreds.

use super::grade::Grade;
use super::plan::Plan;
use crate::audit::Cause;
use crate::curve::Curve;
use crate::findings::Decision;
use std::path::PathBuf;

/// A line of a table of many: a speaker folder and what became of it.
#[derive(Debug, Clone, PartialEq)]
pub struct Entry {
    /// The folder as it is to be shown.
    pub folder: PathBuf,
    /// Its row, or why there is none.
    pub outcome: Result<Summary, String>,
}

/// What the row of a plan says.
#[derive(Debug, Clone, PartialEq)]
pub struct Summary {
    /// Name of the speaker.
    pub speaker: String,
    /// Name of the target.
    pub target: String,
    /// Name of the device.
    pub device: String,
    /// How well the speaker takes EQ.
    pub grade: Grade,
    /// Audible deviation before any EQ, dB rms.
    pub deviation_before_db: f64,
    /// The same with the plan.
    pub deviation_after_db: f64,
    /// Share of the deviation energy that an ideal EQ would remove.
    pub reach: Option<f64>,
    /// Share that the filters remove.
    pub yield_share: Option<f64>,
    /// Headroom the plan costs, dB.
    pub price_db: f64,
    /// Preference rating before.
    pub rating_before: Option<f64>,
    /// The same after.
    pub rating_after: Option<f64>,
    /// Stages used.
    pub stages: usize,
    /// Findings that are corrected in full.
    pub corrected: usize,
    /// Findings that are not, small ones and the ends of the band left out.
    pub left: Vec<LeftAlone>,
    /// The curves in few points.
    pub sketch: Sketch,
}

/// Something that stays wrong, in part or in full.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct LeftAlone {
    /// Where it is largest, Hz.
    pub peak_hz: f64,
    /// Its own share of the listening window's deviation, dB.
    pub size_db: f64,
    /// Why it is there.
    pub cause: Cause,
    /// Left alone or softened.
    pub decision: Decision,
}

/// Curves of a plan at few frequencies, dB above the listening window's level before; the change
/// of level by the filters is taken out of what stands after.
#[derive(Debug, Clone, PartialEq)]
pub struct Sketch {
    /// Hz, ascending.
    pub freqs_hz: Vec<f64>,
    /// Listening window before.
    pub window_before_db: Vec<f64>,
    /// Listening window after.
    pub window_after_db: Vec<f64>,
    /// Target of the listening window.
    pub target_db: Vec<f64>,
}

/// Every so many points of the audit's grid (48 an octave) one is kept: 12 an octave, enough
/// for a picture as small as a stamp.
const EVERY: usize = 4;

impl Summary {
    /// The row of `plan`.
    pub fn of(plan: &Plan) -> Summary {
        let few = |curve: &Curve| -> Vec<f64> {
            curve.values_db().iter().step_by(EVERY).copied().collect()
        };
        let before = plan.window_before();
        let findings = &plan.findings;
        let mendable = &plan.mendable;
        let prediction = &plan.prediction;
        Summary {
            speaker: plan.speaker.clone(),
            target: plan.target.name.clone(),
            device: plan.device.name.clone(),
            grade: plan.grade(),
            deviation_before_db: mendable.before_db,
            deviation_after_db: mendable.after_db,
            reach: mendable.reach,
            yield_share: mendable.yield_share,
            price_db: prediction.price_db,
            rating_before: prediction.rating_before.map(|r| r.preference),
            rating_after: prediction.rating_after.map(|r| r.preference),
            stages: plan.stages().len(),
            corrected: findings
                .iter()
                .filter(|f| f.decision == Decision::Correct)
                .count(),
            left: findings
                .iter()
                .filter(|f| f.decision != Decision::Correct && f.cause != Cause::BandEdge)
                .filter(|f| !f.is_minor())
                .map(|f| LeftAlone {
                    peak_hz: f.peak_hz,
                    size_db: f.size_db,
                    cause: f.cause,
                    decision: f.decision,
                })
                .collect(),
            sketch: Sketch {
                freqs_hz: plan
                    .audit
                    .grid
                    .freqs_hz()
                    .iter()
                    .step_by(EVERY)
                    .copied()
                    .collect(),
                window_after_db: few(&prediction.after(&before)),
                window_before_db: few(&before),
                target_db: few(&plan.target.curve(&plan.audit.grid)),
            },
        }
    }

    /// What the plan takes off the audible deviation, dB rms.
    pub fn removed_db(&self) -> f64 {
        self.deviation_before_db - self.deviation_after_db
    }
}
