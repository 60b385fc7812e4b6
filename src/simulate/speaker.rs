//! A speaker: a healthy design, and what is wrong with it.

use super::cap::SPEED_OF_SOUND_M_PER_S;
use super::defect::{Defect, DefectKind};
use super::design::Design;
use super::known::Simulated;
use super::measurement::Measurement;
use super::radiation::Radiation;
use super::vector::{Vector, towards, turned_aside};
use crate::average::{AveragedCurves, RearWall};
use crate::curve::Grid;
use crate::error::{Error, Result};
use crate::response::{Direction, Member, Response};
use crate::units::{amplitude_to_db, unwrap_deg};
use std::f64::consts::PI;

/// A physical loudspeaker with known defects.
#[derive(Debug, Clone, PartialEq, serde::Serialize)]
pub struct Speaker {
    name: String,
    design: Design,
    defects: Vec<Defect>,
    /// By how much the reference axis of a measurement lies to the positive side of the front.
    turn_deg: f64,
}

impl Speaker {
    /// A speaker from its parts.
    ///
    /// # Errors
    /// When the parts do not fit: no driver, another number of crossovers than one less than
    /// drivers, a driver or source as large as the sphere, a distance inside it, a defect that
    /// names a driver that is not there, or a number that should be above 0 and finite.
    pub fn new(name: impl Into<String>, design: Design, defects: Vec<Defect>) -> Result<Self> {
        design.check()?;
        for defect in &defects {
            design.check_fault(&defect.fault)?;
        }
        Ok(Speaker {
            name: name.into(),
            design,
            defects,
            turn_deg: 0.0,
        })
    }

    /// The same speaker turned on its stand, so that what a measurement takes for the reference
    /// axis lies `turn_deg` degrees (finite) to the positive horizontal side of its front.
    pub fn turned(mut self, turn_deg: f64) -> Self {
        self.turn_deg = turn_deg;
        self
    }

    /// The name.
    pub fn name(&self) -> &str {
        &self.name
    }

    /// The healthy design.
    pub fn design(&self) -> &Design {
        &self.design
    }

    /// The defects.
    pub fn defects(&self) -> &[Defect] {
        &self.defects
    }
}

impl Simulated for Speaker {
    fn defects_known(&self) -> Vec<(DefectKind, f64)> {
        self.defects.iter().map(|d| (d.kind, d.f_hz)).collect()
    }

    fn without(&self, defect_index: usize) -> Speaker {
        let mut speaker = self.clone();
        if defect_index < speaker.defects.len() {
            speaker.defects.remove(defect_index);
        }
        speaker
    }

    fn healthy(&self) -> Speaker {
        Speaker {
            defects: Vec::new(),
            ..self.clone()
        }
    }

    fn response(&self, grid: &Grid, directions: &[Direction]) -> Result<Response> {
        let vectors: Vec<Vector> = directions
            .iter()
            .map(|d| turned_aside(towards(*d), self.turn_deg))
            .collect();
        let radiation = Radiation::new(&self.design, &self.defects, grid.freqs_hz());
        let pressures = radiation.pressures(&vectors);
        let mut members: Vec<Member> = Vec::with_capacity(directions.len());
        for ((direction, vector), row) in directions.iter().zip(&vectors).zip(&pressures) {
            if members.iter().any(|m| m.direction == *direction) {
                continue;
            }
            let levels_db = row
                .iter()
                .map(|p| self.design.level_db + amplitude_to_db(p.norm().max(f64::MIN_POSITIVE)))
                .collect();
            let path_m = self.design.extra_path_m(*vector);
            let mut phase_deg: Vec<f64> = row
                .iter()
                .zip(grid.freqs_hz())
                .map(|(p, f_hz)| (p.arg() + turn_rad(*f_hz, path_m)).to_degrees())
                .collect();
            unwrap_deg(&mut phase_deg);
            for (phase, f_hz) in phase_deg.iter_mut().zip(grid.freqs_hz()) {
                *phase -= turn_rad(*f_hz, path_m).to_degrees();
            }
            members.push(Member {
                direction: *direction,
                levels_db,
                phase_deg: Some(phase_deg),
                mirrored: false,
            });
        }
        Response::new(grid.clone(), members)
            .ok_or_else(|| Error::call("a simulated response needs a direction"))
    }
}

fn turn_rad(f_hz: f64, path_m: f64) -> f64 {
    2.0 * PI * f_hz * path_m / SPEED_OF_SOUND_M_PER_S
}

impl Speaker {
    /// Only the averaged curves of that measurement.
    ///
    /// # Errors
    /// See [`Measurement::grid`].
    pub fn measure_curves(&self, measurement: &Measurement) -> Result<AveragedCurves> {
        let response = self.measure(measurement)?;
        Ok(AveragedCurves::from_response(
            &response,
            RearWall::default(),
        ))
    }
}
