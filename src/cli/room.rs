//! Arguments about the room a speaker plays in.

use super::judging::frequency;
use crate::error::{Error, Result};
use crate::seats::Transition;
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
    /// The transition as stated or computed; `None` when nothing was said of it.
    ///
    /// # Errors
    /// When it makes no sense.
    pub fn transition(&self) -> Result<Option<Transition>> {
        match (self.transition, self.room_volume, self.rt60) {
            (Some(hz), _, _) => Transition::stated(hz).map(Some),
            (None, Some(volume_m3), Some(rt60_s)) => {
                Transition::of_room(volume_m3, rt60_s).map(Some)
            }
            (None, None, None) => Ok(None),
            (None, Some(_), None) | (None, None, Some(_)) => {
                Err(Error::call("--room-volume and --rt60 need each other"))
            }
        }
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
