//! A speaker as read, with its averaged curves.

use crate::aim::Aimed;
use crate::average::{AveragedCurves, RearWall};
use crate::budget::Tables;
use crate::curve::{Grid, Limits};
use crate::error::{Error, Result};
use crate::read::folder::{Measured, SpeakerFolder, read_speaker};
use crate::response::Response;
use std::path::{Path, PathBuf};

/// A speaker as read, with its averaged curves.
#[derive(Debug, Clone)]
pub struct Speaker {
    /// What was read.
    pub folder: SpeakerFolder,
    /// Its averaged curves, round the axis that is listened on.
    pub curves: AveragedCurves,
    /// The axis that is listened on, when it is not the speaker's own.
    pub aim: Option<Aimed>,
    /// What else was read for its plan: nothing may be written in the place of it.
    pub spared: Vec<PathBuf>,
}

impl Speaker {
    /// Reads a speaker folder and averages its angles.
    ///
    /// # Errors
    /// When the folder cannot be read or understood.
    pub fn read(path: &Path, rear_wall: RearWall) -> Result<Speaker> {
        Ok(Speaker::of(read_speaker(path)?, rear_wall))
    }

    /// The speaker in a folder that was read, its angles averaged.
    pub fn of(folder: SpeakerFolder, rear_wall: RearWall) -> Speaker {
        let curves = match &folder.measured {
            Measured::Angles(response) => AveragedCurves::from_response(response, rear_wall),
            Measured::Curves(curves) => (**curves).clone(),
        };
        Speaker {
            folder,
            curves,
            aim: None,
            spared: Vec::new(),
        }
    }

    /// Reads a speaker and turns it by `aim_deg`, where that is given; see [`Speaker::aimed`].
    /// `heard` is called for the speaker as it was read.
    ///
    /// # Errors
    /// As [`Speaker::read`] and [`Speaker::aimed`].
    pub fn read_aimed(
        path: &Path,
        rear_wall: RearWall,
        aim_deg: Option<f64>,
        heard: &mut dyn FnMut(&Speaker),
    ) -> Result<Speaker> {
        let speaker = Speaker::read(path, rear_wall)?;
        heard(&speaker);
        match aim_deg {
            Some(aim_deg) if aim_deg != 0.0 => speaker.aimed(aim_deg),
            _ => Ok(speaker),
        }
    }

    /// The same speaker listened to from `aim_deg` degrees to the positive horizontal side of its
    /// own axis; at 0 from that axis.
    ///
    /// # Errors
    /// When only averaged curves are at hand, or see [`Aimed::new`].
    pub fn aimed(&self, aim_deg: f64) -> Result<Speaker> {
        let Some(response) = self.measured_response() else {
            return Err(
                Error::call("averaged curves do not show what is heard from the side")
                    .with_hint("--aim needs the horizontal angles"),
            );
        };
        let rear_wall = self.curves.rear_wall;
        let (curves, aim) = if aim_deg == 0.0 {
            (AveragedCurves::from_response(response, rear_wall), None)
        } else {
            let aimed = Aimed::new(response, rear_wall, aim_deg)?;
            (aimed.curves.clone(), Some(aimed))
        };
        Ok(Speaker {
            folder: self.folder.clone(),
            curves,
            aim,
            spared: self.spared.clone(),
        })
    }

    /// The range in which the measurement is to be trusted.
    pub fn trusted(&self) -> Limits {
        Limits {
            from_hz: self.folder.trusted_from_hz,
            to_hz: self.folder.trusted_to_hz,
        }
    }

    /// All angles round the axis that is listened on, where they were measured.
    pub fn response(&self) -> Option<&Response> {
        match &self.aim {
            Some(aimed) => Some(&aimed.response),
            None => self.measured_response(),
        }
    }

    /// All angles round the speaker's own axis, where they were measured.
    pub fn measured_response(&self) -> Option<&Response> {
        match &self.folder.measured {
            Measured::Angles(response) => Some(response),
            Measured::Curves(_) => None,
        }
    }
}

/// The trace of a second source on its own grid, dB, where one was measured.
pub(super) fn trace_of(speaker: &Speaker) -> Option<(Grid, &[f64])> {
    let trace = speaker.folder.evidence.second_source.as_ref()?;
    Some((Grid::new(trace.freqs_hz.clone())?, &trace.level_db))
}

/// What stands beside the response of a speaker.
pub(super) fn tables_of(speaker: &Speaker) -> Tables<'_> {
    let evidence = &speaker.folder.evidence;
    Tables {
        impedance: evidence.impedance.as_ref(),
        distortion: evidence.distortion.as_ref(),
        compression: evidence.compression.as_ref(),
        distance_m: speaker.folder.distance_m,
        drive_v: speaker.folder.drive_v,
    }
}
