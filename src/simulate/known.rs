//! What every simulated loudspeaker can be asked, whatever physics it is made of.

use super::chance::Chance;
use super::defect::DefectKind;
use super::measurement::{Measurement, PHASE_NOISE_DEG_PER_DB, full_orbits};
use crate::average::{Average, AveragedCurves, RearWall};
use crate::curve::Grid;
use crate::error::{Error, Result};
use crate::response::{Direction, Member, Response};

/// What one defect alone changes, dB by frequency: with it minus without it.
#[derive(Debug, Clone, PartialEq)]
pub struct Effect {
    /// On the reference axis.
    pub on_axis_db: Vec<f64>,
    /// In the listening window.
    pub listening_window_db: Vec<f64>,
    /// In the early reflections.
    pub early_reflections_db: Vec<f64>,
    /// In the sound power.
    pub sound_power_db: Vec<f64>,
    /// In the predicted in-room response.
    pub in_room_db: Vec<f64>,
}

/// All that is true of a speaker, dB by frequency.
#[derive(Debug, Clone, PartialEq)]
pub struct Truth {
    /// The listening window without any defect, level included.
    pub healthy_window_db: Vec<f64>,
    /// What of its small unevenness all angles share, where the physics knows.
    pub shared_unevenness_db: Option<Vec<f64>>,
    /// Kind, frequency in Hz and effect of each defect.
    pub effects: Vec<(DefectKind, f64, Effect)>,
}

/// What one curve has more than another, dB; `None` when one is missing.
pub(super) fn minus(with: &Option<Average>, without: &Option<Average>) -> Option<Vec<f64>> {
    let without = &without.as_ref()?.levels_db;
    let pairs = with.as_ref()?.levels_db.iter().zip(without);
    Some(pairs.map(|(a, b)| a - b).collect())
}

/// What `with` has more than `without`; `None` when a curve is missing.
pub(super) fn effect_between(with: &AveragedCurves, without: &AveragedCurves) -> Option<Effect> {
    Some(Effect {
        on_axis_db: minus(&with.on_axis, &without.on_axis)?,
        listening_window_db: minus(&with.listening_window, &without.listening_window)?,
        early_reflections_db: minus(&with.early_reflections, &without.early_reflections)?,
        sound_power_db: minus(&with.sound_power, &without.sound_power)?,
        in_room_db: minus(&with.in_room, &without.in_room)?,
    })
}

fn averages(speaker: &impl Simulated, grid: &Grid) -> Result<AveragedCurves> {
    let response = speaker.response(grid, &full_orbits())?;
    Ok(AveragedCurves::from_response(
        &response,
        RearWall::default(),
    ))
}

/// A simulated loudspeaker whose defects are known one by one.
pub trait Simulated: Sized {
    /// Kind and frequency in Hz of each defect.
    fn defects_known(&self) -> Vec<(DefectKind, f64)>;

    /// The same speaker without one of its defects; an index beyond the last changes nothing.
    fn without(&self, defect_index: usize) -> Self;

    /// The same speaker without any defect.
    fn healthy(&self) -> Self;

    /// Level in dB, and phase in degrees where the physics has one, without noise; directions
    /// given twice count once.
    ///
    /// # Errors
    /// When there is no direction.
    fn response(&self, grid: &Grid, directions: &[Direction]) -> Result<Response>;

    /// What the defect with this index alone changes, on both orbits in full; `None` when there
    /// is no such defect.
    fn effect(&self, defect_index: usize, grid: &Grid) -> Option<Effect> {
        self.defects_known().get(defect_index)?;
        let (with, without) = (
            averages(self, grid).ok()?,
            averages(&self.without(defect_index), grid).ok()?,
        );
        effect_between(&with, &without)
    }

    /// All that is true of the speaker on `grid`.
    ///
    /// # Errors
    /// See [`Simulated::response`].
    fn truth(&self, grid: &Grid) -> Result<Truth> {
        let healthy = averages(&self.healthy(), grid)?.listening_window;
        let with = averages(self, grid)?;
        let mut effects = Vec::new();
        for (k, (kind, f_hz)) in self.defects_known().into_iter().enumerate() {
            let without = averages(&self.without(k), grid)?;
            effects.extend(effect_between(&with, &without).map(|effect| (kind, f_hz, effect)));
        }
        Ok(Truth {
            healthy_window_db: healthy.map_or_else(Vec::new, |w| w.levels_db),
            shared_unevenness_db: None,
            effects,
        })
    }

    /// The measured response, noise and missing angles included.
    ///
    /// # Errors
    /// See [`Measurement::grid`].
    fn measure(&self, measurement: &Measurement) -> Result<Response> {
        let grid = measurement.grid()?;
        let clean = self.response(&grid, &measurement.directions())?;
        let mut chance = Chance::new(measurement.seed);
        let members = clean
            .members()
            .iter()
            .map(|member| {
                let mut noisy = |values: &[f64], deviation: f64| -> Vec<f64> {
                    values
                        .iter()
                        .map(|v| v + deviation * chance.normal())
                        .collect()
                };
                let levels_db = noisy(&member.levels_db, measurement.noise_db);
                let phase_deg = member
                    .phase_deg
                    .as_ref()
                    .map(|phase| noisy(phase, measurement.noise_db * PHASE_NOISE_DEG_PER_DB));
                Member {
                    levels_db,
                    phase_deg: phase_deg.filter(|_| measurement.phase),
                    ..member.clone()
                }
            })
            .collect();
        Response::new(grid, members)
            .ok_or_else(|| Error::call("the noise of a simulated measurement is beyond bounds"))
    }
}
