//! Arguments about where and how the speaker plays, shared by several commands.

use super::judging::frequency;
use crate::aim::AIM_AT_MOST_DEG;
use crate::budget::{LevelWanted, Order, PEAKS_DB, SubWanted, Wishes};
use clap::Args;

/// Where the listener sits.
#[derive(Debug, Args)]
pub(super) struct Aim {
    /// Listen so many degrees to the side of the speaker's own axis (positive: towards its
    /// positive horizontal angles)
    #[arg(long, value_name = "DEG", value_parser = aim, allow_negative_numbers = true)]
    pub aim: Option<f64>,
}

/// What the owner says of the situation.
#[derive(Debug, Args)]
pub(super) struct Owner {
    #[command(flatten)]
    pub aim: Aim,
    /// A subwoofer plays below this frequency: highpass in the list, a second list with its lowpass
    #[arg(long, value_name = "HZ", value_parser = frequency)]
    pub sub: Option<f64>,
    /// Order of that crossover: 2 (12 dB per octave) or 4 (24 dB per octave)
    #[arg(long, value_name = "2|4", default_value = "4", value_parser = order)]
    pub sub_order: Order,
    /// Average level wanted at the seat with both speakers playing, dB SPL
    #[arg(long, value_name = "DB", requires = "distance", value_parser = level)]
    pub level: Option<f64>,
    /// Distance of the seat from each speaker
    #[arg(long, value_name = "M", value_parser = distance)]
    pub distance: Option<f64>,
    /// How far peaks rise above the average level
    #[arg(long, value_name = "DB", default_value_t = PEAKS_DB, value_parser = peaks)]
    pub peaks: f64,
    /// Rated impedance of the speaker as its maker states it
    #[arg(long, value_name = "OHM", value_parser = ohm)]
    pub rated: Option<f64>,
}

impl Owner {
    /// The options as they would be typed again, each behind a blank.
    pub fn typed(&self) -> String {
        let mut out = String::new();
        let mut option = |name: &str, value: Option<f64>| {
            if let Some(value) = value {
                out += &format!(" --{name} {value}");
            }
        };
        option("aim", self.aim.aim);
        option("sub", self.sub);
        let order = match self.sub_order {
            Order::Second => 2.0,
            Order::Fourth => 4.0,
        };
        option("sub-order", self.sub.map(|_| order));
        option("level", self.level);
        option("distance", self.distance);
        option("peaks", self.level.map(|_| self.peaks));
        option("rated", self.rated);
        out
    }

    /// The same as the chain takes it.
    pub fn wanted(&self) -> Wishes {
        Wishes {
            sub: self.sub.map(|f_hz| SubWanted {
                f_hz,
                order: self.sub_order,
            }),
            level: self
                .level
                .zip(self.distance)
                .map(|(level_db, distance_m)| LevelWanted {
                    level_db,
                    peaks_db: self.peaks,
                    distance_m,
                }),
            distance_m: self.distance,
            rated_ohm: self.rated,
        }
    }
}

fn aim(text: &str) -> Result<f64, String> {
    within(
        text,
        "an angle in degrees",
        -AIM_AT_MOST_DEG,
        AIM_AT_MOST_DEG,
    )
}

/// Below, nobody listens; above, hearing is harmed at once.
fn level(text: &str) -> Result<f64, String> {
    within(text, "a level in dB", 30.0, 130.0)
}

fn distance(text: &str) -> Result<f64, String> {
    within(text, "a distance in metres", 0.3, 50.0)
}

fn peaks(text: &str) -> Result<f64, String> {
    within(text, "a difference in dB", 0.0, 40.0)
}

fn ohm(text: &str) -> Result<f64, String> {
    within(text, "an impedance in ohm", 1.0, 100.0)
}

fn order(text: &str) -> Result<Order, String> {
    match text {
        "2" => Ok(Order::Second),
        "4" => Ok(Order::Fourth),
        _ => Err(format!("found \"{text}\", expected 2 or 4")),
    }
}

fn within(text: &str, what: &str, from: f64, to: f64) -> Result<f64, String> {
    match text.parse::<f64>() {
        Ok(value) if (from..=to).contains(&value) => Ok(value),
        _ => Err(format!("expected {what} between {from} and {to}")),
    }
}
