//! Arguments about how a speaker is to be judged, shared by several commands.

use crate::audit;
use crate::average::RearWall;
use crate::filter::Kind;
use crate::run::{PictureFormat, PlanOptions};
use clap::{Args, ValueEnum};

/// How a speaker is to be judged.
#[derive(Debug, Args)]
pub(super) struct Judging {
    /// Device that runs the filters: a built-in name or a file (see `planish list`)
    #[arg(long, value_name = "NAME|FILE")]
    pub device: Option<String>,
    /// Wanted curve of the listening window: a built-in name or a file (see `planish list`)
    #[arg(long, value_name = "NAME|FILE")]
    pub target: Option<String>,
    /// Use at most this many stages; as many as pay when not given
    #[arg(long, value_name = "N")]
    pub stages: Option<usize>,
    /// Correct nothing below this frequency
    #[arg(long, value_name = "HZ", value_parser = frequency, allow_negative_numbers = true)]
    pub from: Option<f64>,
    /// Correct nothing above this frequency
    #[arg(long, value_name = "HZ", value_parser = frequency, allow_negative_numbers = true)]
    pub to: Option<f64>,
    /// Do not use this type of stage: peaking, lowshelf or highshelf (may be given several times)
    #[arg(long, value_name = "TYPE", value_parser = kind)]
    pub without: Vec<Kind>,
    /// Largest boost, 0 for cuts only
    #[arg(long, value_name = "DB", default_value_t = crate::audit::BOOST_AT_MOST_DB, value_parser = boost, allow_negative_numbers = true)]
    pub boost: f64,
    /// Share of the usual search for better stages, 0 to 1: less is quicker and may choose other stages
    #[arg(long, value_name = "SHARE", default_value_t = crate::run::EFFORT, value_parser = effort, allow_negative_numbers = true)]
    pub effort: f64,
    /// Rear wall of the early reflections
    #[arg(long, value_enum, default_value_t = RearWallChoice::Three)]
    pub rear_wall: RearWallChoice,
}

impl Judging {
    /// The same as the chain takes it.
    pub fn options(&self) -> PlanOptions {
        PlanOptions {
            device: self.device.clone(),
            target: self.target.clone(),
            stages: self.stages,
            without: self.without.clone(),
            audit: audit::Options {
                from_hz: self.from,
                to_hz: self.to,
                boost_at_most_db: self.boost,
            },
            effort: Some(self.effort),
            ..PlanOptions::default()
        }
    }

    /// The options as they would be typed again after `call`, without the places of files, which
    /// differ from machine to machine.
    pub fn typed(&self, call: &str) -> String {
        let mut words = vec![format!("planish {call}")];
        let mut option = |name: &str, value: Option<String>| {
            if let Some(value) = value {
                words.push(format!("--{name} {value}"));
            }
        };
        option("device", self.device.clone());
        option("target", self.target.clone());
        option("stages", self.stages.map(|n| n.to_string()));
        for kind in &self.without {
            option("without", Some(kind.to_string()));
        }
        option("from", self.from.map(|f| f.to_string()));
        option("to", self.to.map(|f| f.to_string()));
        option("boost", Some(self.boost.to_string()));
        option(
            "effort",
            (self.effort != crate::run::EFFORT).then(|| self.effort.to_string()),
        );
        option("rear-wall", Some(self.rear_wall.name().to_string()));
        words.join(" ")
    }
}

/// The two readings of the standard.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub(super) enum RearWallChoice {
    /// 180 and +-90 degrees, the standard's list of early reflections
    Three,
    /// 90 to 180 degrees on both sides in full, its list of horizontal reflections
    Full,
}

impl RearWallChoice {
    /// As typed.
    pub fn name(self) -> &'static str {
        match self {
            RearWallChoice::Three => "three",
            RearWallChoice::Full => "full",
        }
    }
}

impl From<RearWallChoice> for RearWall {
    fn from(choice: RearWallChoice) -> Self {
        match choice {
            RearWallChoice::Three => RearWall::ThreePoints,
            RearWallChoice::Full => RearWall::FullArc,
        }
    }
}

/// Format of pictures as files.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub(super) enum PictureChoice {
    /// Lines, sharp at any size
    Svg,
    /// Dots, 1800 across
    #[cfg(feature = "pictures")]
    Png,
}

impl From<PictureChoice> for PictureFormat {
    fn from(choice: PictureChoice) -> Self {
        match choice {
            PictureChoice::Svg => PictureFormat::Svg,
            #[cfg(feature = "pictures")]
            PictureChoice::Png => PictureFormat::Png,
        }
    }
}

pub(super) fn frequency(text: &str) -> Result<f64, String> {
    match text.parse::<f64>() {
        Ok(value) if value.is_finite() && value > 0.0 => Ok(value),
        _ => Err("expected a frequency in Hz above 0, as in 200".into()),
    }
}

fn boost(text: &str) -> Result<f64, String> {
    match text.parse::<f64>() {
        Ok(value) if (0.0..=12.0).contains(&value) => Ok(value),
        _ => Err("expected a boost in dB between 0 and 12".into()),
    }
}

fn effort(text: &str) -> Result<f64, String> {
    match text.parse::<f64>() {
        Ok(value) if (0.0..=1.0).contains(&value) => Ok(value),
        _ => Err("expected a share between 0 and 1".into()),
    }
}

pub(super) fn kind(text: &str) -> Result<Kind, String> {
    Kind::from_name(text)
        .filter(|kind| kind.has_gain())
        .ok_or_else(|| "expected peaking, lowshelf or highshelf".into())
}
