//! Arguments about the room a speaker plays in.

use super::args::frequency;
use crate::error::{Error, Result};
use crate::read::seats::SeatsRead;
use crate::run::RoomAsked;
use crate::seats::{Room, Transition};
use clap::Args;
use std::path::{Path, PathBuf};

/// What the owner says of the room.
#[derive(Debug, Args)]
pub(super) struct RoomArguments {
    /// Levels at the seats: a table with freq_hz and a column in dB for each seat, or a folder
    /// with a table for each. Below the transition only peaks that the seats share are cut
    #[arg(long, value_name = "TABLE|FOLDER", help_heading = "Room")]
    pub seats: Option<PathBuf>,
    /// The same, measured with the subwoofer playing: its list cuts the peaks that these seats share
    /// below the crossover
    #[arg(
        long,
        value_name = "TABLE|FOLDER",
        help_heading = "Room",
        requires = "sub"
    )]
    pub sub_seats: Option<PathBuf>,
    /// Below this frequency the room decides what is heard [default with --seats: 250]
    #[arg(long, value_name = "HZ", value_parser = frequency, allow_negative_numbers = true, help_heading = "Room", conflicts_with_all = ["room_volume", "rt60"])]
    pub transition: Option<f64>,
    /// Volume of the room in cubic metres, for the transition by Schroeder's formula
    #[arg(long, value_name = "M3", value_parser = positive, allow_negative_numbers = true, help_heading = "Room", requires = "rt60")]
    pub room_volume: Option<f64>,
    /// Reverberation time of the room in seconds, for the same
    #[arg(long, value_name = "S", value_parser = positive, allow_negative_numbers = true, help_heading = "Room", requires = "room_volume")]
    pub rt60: Option<f64>,
}

impl RoomArguments {
    /// What was said of the room, seats read; `None` when nothing was said.
    ///
    /// # Errors
    /// When the transition makes no sense or the seats cannot be read.
    pub fn asked(&self) -> Result<Option<RoomAsked>> {
        let transition = match (self.transition, self.room_volume, self.rt60) {
            (Some(hz), _, _) => Transition::stated(hz)?,
            (None, Some(volume_m3), Some(rt60_s)) => Transition::of_room(volume_m3, rt60_s)?,
            (None, Some(_), None) | (None, None, Some(_)) => {
                return Err(Error::call("--room-volume and --rt60 need each other"));
            }
            (None, None, None) if self.seats.is_some() => Transition::assumed(),
            (None, None, None) => return Ok(None),
        };
        let read: Option<SeatsRead> = self
            .seats
            .as_deref()
            .map(crate::read::seats::read)
            .transpose()?;
        let (levels, inputs, places) = match read {
            Some(read) => (Some(read.levels), read.inputs, read.places),
            None => (None, Vec::new(), Vec::new()),
        };
        Ok(Some(RoomAsked {
            room: Room {
                transition,
                seats: levels,
            },
            inputs,
            places,
        }))
    }

    /// Levels at the seats with the subwoofer playing, read; `None` when none were named.
    ///
    /// # Errors
    /// When they cannot be read.
    pub fn sub_seats(&self) -> Result<Option<SeatsRead>> {
        let path = self.sub_seats.as_deref();
        path.map(crate::read::seats::read).transpose()
    }

    /// The options as they would be typed again, each behind a blank; files by their name alone.
    pub fn typed(&self) -> String {
        let mut words = String::new();
        for (option, path) in [("seats", &self.seats), ("sub-seats", &self.sub_seats)] {
            if let Some(path) = path {
                let own = path.file_name().map(Path::new).unwrap_or(path);
                words += &format!(" --{option} {}", own.display());
            }
        }
        for (option, value) in [
            ("transition", self.transition),
            ("room-volume", self.room_volume),
            ("rt60", self.rt60),
        ] {
            if let Some(value) = value {
                words += &format!(" --{option} {value}");
            }
        }
        words
    }
}

fn positive(text: &str) -> std::result::Result<f64, String> {
    match text.parse::<f64>() {
        Ok(value) if value.is_finite() && value > 0.0 => Ok(value),
        _ => Err("expected a number above 0".into()),
    }
}
