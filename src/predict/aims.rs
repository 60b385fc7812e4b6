//! One speaker turned by several angles: what turning it does before any EQ, and how far to turn.

use super::plan::Plan;
use super::prediction::ROUGHNESS_TREND_OCT;
use crate::audit::{Cause, Deviations};
use crate::curve::Smoother;
use crate::findings::Finding;

/// A speaker listened to from one angle.
#[derive(Debug, Clone, PartialEq)]
pub struct AimRow {
    /// Degrees to the positive horizontal side of the speaker's own axis.
    pub aim_deg: f64,
    /// Slope of the listening window over [`TREBLE_HZ`] before EQ, dB per octave.
    pub treble_tilt_db_per_oct: Option<f64>,
    /// Roughness of the listening window before EQ: its deviation from its own trend, dB rms.
    pub roughness_db: f64,
    /// Audible deviation from target before EQ, dB rms.
    pub deviation_db: f64,
    /// Share of the deviation energy that an ideal EQ would remove.
    pub reach: Option<f64>,
    /// Share that the filters remove.
    pub yield_share: Option<f64>,
    /// Headroom the filters cost, dB.
    pub price_db: f64,
    /// Stages used.
    pub stages: usize,
    /// Places in [`Aims::findings`] of what is no longer found here.
    pub vanished: Vec<usize>,
}

/// The same speaker from several angles.
#[derive(Debug, Clone, PartialEq)]
pub struct Aims {
    /// One row for each aim that was measured, the speaker's own axis among them.
    pub rows: Vec<AimRow>,
    /// What is found on the speaker's own axis.
    pub findings: Vec<Finding>,
    /// Aims that the measurement does not show in full, degrees.
    pub not_measured_deg: Vec<f64>,
    /// Place in `rows` of the aim that asks for the least EQ.
    pub recommended: usize,
}

/// Where the treble's tilt is told, Hz: from where most speakers begin to beam to the end of what
/// is judged. Our own choice.
pub const TREBLE_HZ: (f64, f64) = (2000.0, 16_000.0);

/// Turning a speaker is worth speaking of when it saves so much audible deviation, dB rms: a fifth
/// of the just noticeable difference of level (1 dB, handbook figure, from memory).
pub const WORTH_TURNING_DB: f64 = 0.2;

/// A deviation found from two angles is the same one when its place differs by less, octaves.
const SAME_PLACE_OCT: f64 = 1.0 / 3.0;

/// It has vanished when less than this share of it is left. Our own choice.
const VANISHED_SHARE: f64 = 0.5;

impl Aims {
    /// Compares plans of one speaker, each with its aim in degrees. `None` when no plan has the
    /// aim 0, against which the others are compared.
    pub fn of(plans: &[(f64, Plan)], not_measured_deg: Vec<f64>) -> Option<Aims> {
        let (_, own) = plans.iter().find(|(aim_deg, _)| *aim_deg == 0.0)?;
        let rows: Vec<AimRow> = plans
            .iter()
            .map(|(aim_deg, plan)| AimRow::of(*aim_deg, plan, own))
            .collect();
        let recommended = recommended(&rows)?;
        Some(Aims {
            rows,
            findings: own.findings.clone(),
            not_measured_deg,
            recommended,
        })
    }

    /// The row that is recommended.
    pub fn best(&self) -> &AimRow {
        &self.rows[self.recommended]
    }

    /// The row of the speaker's own axis.
    pub fn own(&self) -> Option<&AimRow> {
        self.rows.iter().find(|row| row.aim_deg == 0.0)
    }
}

impl AimRow {
    /// `own` is the plan for the speaker's own axis: all aims are judged over its band, or one
    /// that has lost its treble would be forgiven it.
    fn of(aim_deg: f64, plan: &Plan, own: &Plan) -> AimRow {
        let weights = &own.audit.deviations.weights;
        let seen = Deviations {
            weights: weights.clone(),
            ..plan.audit.deviations.clone()
        };
        let window = &plan.audit.deviations.window;
        let trend = Smoother::new(&plan.audit.grid, ROUGHNESS_TREND_OCT);
        let local = window - &window.smoothed(&trend);
        let squares = local
            .values_db()
            .iter()
            .zip(weights)
            .map(|(d, w)| w * d * d);
        let roughness_db2: f64 = squares.sum();
        let vanished = (0..own.findings.len())
            .filter(|place| has_vanished(&own.findings[*place], &plan.findings))
            .collect();
        AimRow {
            aim_deg,
            treble_tilt_db_per_oct: treble_tilt(plan),
            roughness_db: roughness_db2.sqrt(),
            deviation_db: seen.energy_before_db2().sqrt(),
            reach: plan.mendable.reach,
            yield_share: plan.mendable.yield_share,
            price_db: plan.prediction.price_db,
            stages: plan.stages().len(),
            vanished,
        }
    }
}

fn has_vanished(finding: &Finding, others: &[Finding]) -> bool {
    let size_db = |finding: &Finding| finding.stands_out().0;
    finding.cause != Cause::BandEdge
        && !others.iter().any(|other| {
            (other.peak_hz / finding.peak_hz).log2().abs() < SAME_PLACE_OCT
                && size_db(other) / size_db(finding) > VANISHED_SHARE
        })
}

/// The least turn of those within [`WORTH_TURNING_DB`] of the least deviation.
fn recommended(rows: &[AimRow]) -> Option<usize> {
    let least_db = rows
        .iter()
        .map(|row| row.deviation_db)
        .fold(f64::INFINITY, f64::min);
    (0..rows.len())
        .filter(|i| rows[*i].deviation_db <= least_db + WORTH_TURNING_DB)
        .min_by(|a, b| {
            let key = |i: usize| (rows[i].aim_deg.abs(), rows[i].deviation_db);
            key(*a)
                .partial_cmp(&key(*b))
                .unwrap_or(std::cmp::Ordering::Equal)
        })
}

/// Slope of the straight line of least squares through the listening window over log frequency.
fn treble_tilt(plan: &Plan) -> Option<f64> {
    let grid = &plan.audit.grid;
    let band = grid.range(TREBLE_HZ.0, TREBLE_HZ.1);
    if band.len() < 3 || grid.last_hz() < 2.0 * TREBLE_HZ.0 {
        return None;
    }
    let window = plan.window_before();
    let levels_db = &window.values_db()[band.clone()];
    let octaves: Vec<f64> = grid.freqs_hz()[band].iter().map(|f| f.log2()).collect();
    let count = octaves.len() as f64;
    let (x, y) = (
        octaves.iter().sum::<f64>() / count,
        levels_db.iter().sum::<f64>() / count,
    );
    let (mut xy, mut xx) = (0.0, 0.0);
    for (octave, level_db) in octaves.iter().zip(levels_db) {
        xy += (octave - x) * (level_db - y);
        xx += (octave - x) * (octave - x);
    }
    Some(xy / xx)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn row(aim_deg: f64, deviation_db: f64) -> AimRow {
        AimRow {
            aim_deg,
            treble_tilt_db_per_oct: None,
            roughness_db: 0.0,
            deviation_db,
            reach: None,
            yield_share: None,
            price_db: 0.0,
            stages: 0,
            vanished: Vec::new(),
        }
    }

    #[test]
    fn the_least_turn_that_is_as_good_as_the_best_is_recommended() {
        let rows = [
            row(0.0, 2.0),
            row(10.0, 1.5),
            row(20.0, 1.0),
            row(30.0, 0.9),
        ];
        assert_eq!(recommended(&rows), Some(2));
        let rows = [row(0.0, 1.0), row(10.0, 0.9), row(20.0, 1.4)];
        assert_eq!(recommended(&rows), Some(0));
        assert_eq!(recommended(&[]), None);
    }
}
