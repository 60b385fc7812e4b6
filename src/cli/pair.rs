//! Arguments about the other unit of a pair.

use crate::average::RearWall;
use crate::error::{Error, Result};
use crate::run::Speaker;
use clap::Args;
use std::path::PathBuf;

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
    /// The other unit of `speaker`; `None` where none is named.
    ///
    /// # Errors
    /// When it cannot be read, or lists per unit are asked of a single speaker.
    pub fn second(&self, speaker: &Speaker, rear_wall: RearWall) -> Result<Option<Speaker>> {
        let named = speaker.folder.evidence.second_unit.as_ref();
        match self.pair.as_ref().or(named) {
            Some(folder) => Speaker::read(folder, rear_wall).map(Some),
            None if self.per_unit => Err(Error::call("--per-unit needs the other unit of a pair")
                .with_hint("name its folder with --pair, or as second_unit in speaker.toml")),
            None => Ok(None),
        }
    }

    /// The options as they would be typed again, each behind a blank; folders by their name alone.
    pub fn typed(&self) -> String {
        let mut words = match &self.pair {
            Some(folder) => {
                let own = folder.file_name().map(std::path::Path::new);
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
