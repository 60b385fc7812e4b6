//! Arguments as typed.

use clap::{Args, Parser, Subcommand, ValueEnum};
use std::path::PathBuf;

/// Plans EQ for a measured loudspeaker: what EQ can mend, what it must leave alone, and the
/// filter list for the DSP box at hand.
#[derive(Debug, Parser)]
#[command(
    name = "planish",
    version,
    arg_required_else_help = true,
    max_term_width = 90
)]
pub(super) struct Arguments {
    #[command(subcommand)]
    pub command: Command,
}

#[derive(Debug, Subcommand)]
pub(super) enum Command {
    /// Plan the filters for a speaker and write filter list, report and curves
    Plan(PlanArguments),
    /// Say what EQ can mend on a speaker, what it must leave alone and why
    Audit(AuditArguments),
    /// Print the CTA-2034-A curves of a speaker as CSV
    Curves(CurvesArguments),
    /// Say what was understood of a measurement and what is missing
    Look(super::look::LookArguments),
    /// Fit biquads to any wanted EQ curve
    Fit(FitArguments),
    /// Run a WAV file through a filter list to hear the plan
    Apply(super::apply::ApplyArguments),
    /// See whether a filter list is sound and whether a device does what it says
    Check(super::check::CheckArguments),
    /// Make the same filters for another rate, number format, device or set of knobs
    Convert(super::convert::ConvertArguments),
    /// Write two demo speakers to try the other commands on
    Demo(DemoArguments),
    /// List the built-in targets and devices
    List(ListArguments),
    /// Plan many speakers and say in one table who takes EQ, and at what price
    Rank(super::rank::RankArguments),
    /// Put plans side by side: of several speakers, on several devices, for several targets
    Compare(super::compare::CompareArguments),
    /// Print a completion script for a shell
    Completions(super::completions::CompletionsArguments),
    /// Print the manual page, or write the pages of all commands
    Manual(super::completions::ManualArguments),
}

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
    pub without: Vec<crate::filter::Kind>,
    /// Largest boost, 0 for cuts only
    #[arg(long, value_name = "DB", default_value_t = crate::audit::BOOST_AT_MOST_DB, value_parser = boost, allow_negative_numbers = true)]
    pub boost: f64,
    /// Rear wall of the early reflections
    #[arg(long, value_enum, default_value_t = RearWallChoice::Three)]
    pub rear_wall: RearWallChoice,
}

#[derive(Debug, Args)]
pub(super) struct PlanArguments {
    /// Folder with speaker.toml and the measured tables it names
    pub speaker: PathBuf,
    #[command(flatten)]
    pub judging: Judging,
    #[command(flatten)]
    pub owner: super::owner::Owner,
    #[command(flatten)]
    pub room: super::room::RoomArguments,
    #[command(flatten)]
    pub pair: super::pair::PairArguments,
    /// Folder for filters.txt, plan.json, curves.csv and report.html [default: SPEAKER/plan]
    #[arg(long, value_name = "DIR")]
    pub out: Option<PathBuf>,
    /// Write the pictures as files too
    #[arg(long, value_enum, value_name = "FORMAT")]
    pub pictures: Option<PictureChoice>,
    /// Print the plan as JSON
    #[arg(long)]
    pub json: bool,
}

#[derive(Debug, Args)]
pub(super) struct AuditArguments {
    /// Folder with speaker.toml and the measured tables it names
    pub speaker: PathBuf,
    #[command(flatten)]
    pub judging: Judging,
    #[command(flatten)]
    pub owner: super::owner::Owner,
    #[command(flatten)]
    pub room: super::room::RoomArguments,
    #[command(flatten)]
    pub pair: super::pair::PairArguments,
    /// Compare aims from 0 to 40 degrees instead and recommend one before any EQ
    #[arg(long, conflicts_with_all = ["aim", "seats", "transition", "room_volume", "rt60", "pair", "per_unit"])]
    pub aims: bool,
    /// Print the audit as JSON
    #[arg(long)]
    pub json: bool,
}

#[derive(Debug, Args)]
pub(super) struct CurvesArguments {
    /// Folder with speaker.toml and the measured tables it names
    pub speaker: PathBuf,
    /// Rear wall of the early reflections
    #[arg(long, value_enum, default_value_t = RearWallChoice::Three)]
    pub rear_wall: RearWallChoice,
    #[command(flatten)]
    pub aim: super::owner::Aim,
    /// Print the curves as JSON
    #[arg(long)]
    pub json: bool,
}

#[derive(Debug, Args)]
pub(super) struct FitArguments {
    /// Table with freq_hz, gain_db and optionally weight
    pub curve: PathBuf,
    /// Use at most this many stages; as many as pay when not given
    #[arg(long, value_name = "N")]
    pub stages: Option<usize>,
    /// Device that runs the filters: a built-in name or a file (see `planish list`)
    #[arg(long, value_name = "NAME|FILE")]
    pub device: Option<String>,
    /// Do not use this type of stage: peaking, lowshelf or highshelf (may be given several times)
    #[arg(long, value_name = "TYPE", value_parser = kind)]
    pub without: Vec<crate::filter::Kind>,
    /// Largest boost of a stage, 0 for cuts only; the device's own limit when not given
    #[arg(long, value_name = "DB", value_parser = not_negative, allow_negative_numbers = true)]
    pub boost: Option<f64>,
    /// Largest Q of a stage that boosts
    #[arg(long, value_name = "Q", value_parser = not_negative, allow_negative_numbers = true)]
    pub boost_q: Option<f64>,
    /// Largest cut of a stage, as a positive number; the device's own limit when not given
    #[arg(long, value_name = "DB", value_parser = not_negative, allow_negative_numbers = true)]
    pub cut: Option<f64>,
    /// Largest Q of a stage that cuts
    #[arg(long, value_name = "Q", value_parser = not_negative, allow_negative_numbers = true)]
    pub cut_q: Option<f64>,
    /// Print the stages as JSON
    #[arg(long)]
    pub json: bool,
}

#[derive(Debug, Args)]
pub(super) struct DemoArguments {
    /// Folder to write the demo speakers into; made if it is not there
    pub dir: PathBuf,
    /// Print what was written as JSON
    #[arg(long)]
    pub json: bool,
}

#[derive(Debug, Args)]
pub(super) struct ListArguments {
    /// Print the list as JSON
    #[arg(long)]
    pub json: bool,
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

impl From<RearWallChoice> for crate::average::RearWall {
    fn from(choice: RearWallChoice) -> Self {
        match choice {
            RearWallChoice::Three => crate::average::RearWall::ThreePoints,
            RearWallChoice::Full => crate::average::RearWall::FullArc,
        }
    }
}

/// Format of pictures as files.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub(super) enum PictureChoice {
    /// Lines, sharp at any size
    Svg,
    /// Dots, 1800 across
    Png,
}

impl From<PictureChoice> for crate::run::PictureFormat {
    fn from(choice: PictureChoice) -> Self {
        match choice {
            PictureChoice::Svg => crate::run::PictureFormat::Svg,
            PictureChoice::Png => crate::run::PictureFormat::Png,
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

fn not_negative(text: &str) -> Result<f64, String> {
    match text.parse::<f64>() {
        Ok(value) if value.is_finite() && value >= 0.0 => Ok(value),
        _ => Err("expected a number that is not negative".into()),
    }
}

fn kind(text: &str) -> Result<crate::filter::Kind, String> {
    crate::filter::Kind::from_name(text)
        .filter(|kind| kind.has_gain())
        .ok_or_else(|| "expected peaking, lowshelf or highshelf".into())
}
