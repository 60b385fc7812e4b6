//! What every simulated loudspeaker can be asked, whatever physics it is made of.

use super::chance::Chance;
use super::defect::DefectKind;
use super::measurement::{Measurement, PHASE_NOISE_DEG_PER_DB, full_orbits};
use crate::average::{AveragedCurves, RearWall};
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
        let curves = |speaker: &Self| {
            let response = speaker.response(grid, &full_orbits()).ok()?;
            Some(AveragedCurves::from_response(
                &response,
                RearWall::default(),
            ))
        };
        let (with, without) = (curves(self)?, curves(&self.without(defect_index))?);
        let mut differences = [
            (with.on_axis, without.on_axis),
            (with.listening_window, without.listening_window),
            (with.early_reflections, without.early_reflections),
            (with.sound_power, without.sound_power),
            (with.in_room, without.in_room),
        ]
        .into_iter()
        .map(|(with, without)| {
            let (with, without) = (with?.levels_db, without?.levels_db);
            Some(with.iter().zip(&without).map(|(a, b)| a - b).collect())
        });
        let mut next = || differences.next().flatten();
        Some(Effect {
            on_axis_db: next()?,
            listening_window_db: next()?,
            early_reflections_db: next()?,
            sound_power_db: next()?,
            in_room_db: next()?,
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
