//! Arguments about the other unit of a pair.

use clap::Args;
use std::path::{Path, PathBuf};

/// What is said of the other unit.
#[derive(Debug, Args)]
pub(super) struct PairArguments {
    /// Speaker folder of the other unit: both share one list, and what differs is left. Named by
    /// `second_unit` in speaker.toml when not given here
    #[arg(long, value_name = "FOLDER", help_heading = "Pair")]
    pub pair: Option<PathBuf>,
    /// Plan each unit of the pair on its own too, with a list for each
    #[arg(long, help_heading = "Pair")]
    pub per_unit: bool,
}

impl PairArguments {
    /// The options as they would be typed again, each behind a blank; folders by their name alone.
    pub fn typed(&self) -> String {
        let mut words = match &self.pair {
            Some(folder) => {
                let own = folder.file_name().map(Path::new);
                format!(" --pair {}", own.unwrap_or(folder).display())
            }
            None => String::new(),
        };
        if self.per_unit {
            words += " --per-unit";
        }
        words
    }
}
